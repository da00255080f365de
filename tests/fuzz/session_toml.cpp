// session.toml as a session is opened by it: record/session_info.hpp. What was read is written and read again alike.
#include <optional>

#include "real_files.hpp"
#include "record/session_info.hpp"

namespace cw::fuzz {

void run(std::string_view input) {
  const Choices choices(input);
  const auto read = parse_session_toml(choices.rest(), "F");
  if (const auto* error = std::get_if<std::string>(&read)) {
    expect(error->starts_with("F:"), "an error that begins with the name of the file");
    return;
  }
  const std::string text = session_toml(std::get<SessionInfo>(read));
  const auto again = parse_session_toml(text, "F");
  expect(std::holds_alternative<SessionInfo>(again), "what was written to be read");
  expect(session_toml(std::get<SessionInfo>(again)) == text, "the same text again");
}

void seeds(const AddSeed& add) {
  for (const std::string& path : files_of_tree("config/engines", ".toml")) {
    SessionInfo info;
    info.program = "crankwitness";
    info.id = 0x0123456789ABCDEF;
    info.engine_file_name = path;
    info.engine_file_text = file_of_tree(path);
    info.anchor = WallAnchor{1'000'000'007, 1'700'000'000'123'456'789};
    info.sources = {{0, "serial", "/dev/serial/by-id/a", {{"crank", "D0"}}}, {1, "csv", "-", {}, -5}};
    info.made_from = {{"edges.csv", 12, "ab12"}};
    add(session_toml(info));
  }
}

std::span<const std::string_view> words() {
  static constexpr std::string_view all[] = {"format = 1\n",
                                             "capture_format = 1\n",
                                             "id = \"",
                                             "[[anchor]]\n",
                                             "host_ns = ",
                                             "wall_time = \"",
                                             "2026-03-01T12:00:00.123456789Z",
                                             "[[source]]\n",
                                             "number = ",
                                             "[engine_file]\n",
                                             "text = '''\n",
                                             "name = ",
                                             "[[made_from]]\n",
                                             "bytes = ",
                                             "sha256 = ",
                                             "engine_replaced = true\n",
                                             "\"\"\"",
                                             "\\u0000",
                                             "\\\\"};
  return all;
}

}  // namespace cw::fuzz
