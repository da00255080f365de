// Signal maps: config/signal_map_file.hpp. The first half of an input is the map, the second the DBC that it names, when
// a line of % stands between them. What is accepted is explained, reads frames, and can be made again from its texts.
#include <cmath>
#include <sstream>

#include "cli/check_map.hpp"
#include "config/signal_map_file.hpp"
#include "error_line.hpp"
#include "real_files.hpp"

namespace cw::fuzz {

namespace {

constexpr std::string_view border = "\n%\n";

// A frame with one of the identifiers that the map needs, or nearly.
CanFrame random_frame(const std::vector<CanIdMatch>& ids, Dice& dice) {
  CanFrame frame;
  const CanIdMatch& match = ids[dice.next() % ids.size()];
  frame.extended = match.extended;
  frame.id = match.id | (dice.next() & ~match.mask & (match.extended ? can_extended_id_max : can_id_max));
  frame.id ^= dice.next() % 8 == 0 ? 1U << dice.next() % 11 : 0U;
  frame.length = static_cast<std::uint8_t>(dice.next() % 65);
  frame.fd = frame.length > 8;
  frame.remote = dice.next() % 16 == 0;
  for (std::byte& byte : frame.data) {
    byte = static_cast<std::byte>(dice.next());
  }
  return frame;
}

void try_frame(const SignalMap& map, const std::vector<CanIdMatch>& ids, const CanFrame& frame) {
  SignalReadings out;
  const auto readings = read_signals(map, frame, out);
  const bool needed =
      std::ranges::any_of(ids, [&](const CanIdMatch& match) { return matches(match, frame.id, frame.extended); });
  expect(readings.empty() || needed, "only frames that the map says it needs");
  expect(readings.empty() || !frame.remote, "no signals in a remote request");
  for (const SignalReading& reading : readings) {
    expect(reading.signal != nullptr && std::isfinite(reading.value), "finite values");
    const auto& valid = reading.signal->valid;
    const bool known = reading.unknown == Unknown::none;
    expect(!known || !valid || (reading.value >= valid->min && reading.value <= valid->max), "values in their range");
    expect(!known || reading.signal->name != SignalName::sync_state || reading.state, "a state that is one of ours");
  }
}

}  // namespace

void run(std::string_view input) {
  Choices choices(input);
  const std::string_view map_text = choices.rest().substr(0, choices.rest().find(border));
  const std::string_view dbc_text =
      choices.rest().substr(std::min(choices.rest().size(), map_text.size() + border.size()));
  const ReadDbc read_dbc = [&](const std::string&) { return std::string(dbc_text); };
  const auto read = parse_signal_map(map_text, "F", read_dbc);
  if (const auto* error = std::get_if<ConfigError>(&read)) {
    // An error of the DBC begins with that file's name, which is the input's own.
    expect(error->message.find('\n') == std::string::npos, "an error of one line");
    if (dbc_text.empty()) {
      expect_error_line(error->message);
    }
    return;
  }
  const auto& file = std::get<SignalMapFile>(read);
  expect(file.source.text == map_text, "a map that keeps its text");
  expect(!file.map.messages.empty(), "messages");
  const std::vector<CanIdMatch> ids = needed_ids(file.map);
  expect(!ids.empty(), "identifiers");
  Dice dice(1 + choices.take(16));
  std::ostringstream words;
  const CheckLook look = {check_width_min, choices.flag()};
  explain_map(file.map, "F", look, words);
  constexpr int frames = 32;
  for (int i = 0; i < frames; ++i) {
    const CanFrame frame = random_frame(ids, dice);
    try_frame(file.map, ids, frame);
    explain_frame(file.map, frame, look, words);
  }
  expect(!words.str().empty(), "words about a sound map");
}

void seeds(const AddSeed& add) {
  for (const char* folder : {"config/can", "tests/data/dbc"}) {
    for (const std::string& path : files_of_tree(folder, ".toml")) {
      const std::string map = file_of_tree(path);
      const std::string dbc = path.find("marl") != std::string::npos     ? "config/can/marl.dbc"
                              : path.find("groups") != std::string::npos ? "tests/data/dbc/groups.dbc"
                                                                         : "config/can/slate.dbc";
      add(map.find("dbc = ") == std::string::npos ? map : map + std::string(border) + file_of_tree(dbc));
    }
  }
}

std::span<const std::string_view> words() {
  static constexpr std::string_view all[] = {"[[message]]\n",
                                             "[[message.signal]]\n",
                                             "[[signal]]\n",
                                             "dbc = \"F\"\n",
                                             "id = 0x100\n",
                                             "mask = 0x7F8\n",
                                             "extended = true\n",
                                             "pgn = 61444\n",
                                             "source_address = 3\n",
                                             "byte_order = \"big\"\n",
                                             "byte_order = \"little\"\n",
                                             "multiplexer = { start_bit = 7, length = 8 }\n",
                                             "when = [1, 2]\n",
                                             "start_bit = ",
                                             "length = ",
                                             "type = \"float\"\n",
                                             "type = \"signed\"\n",
                                             "scale = ",
                                             "offset = ",
                                             "unit = \"degF\"\n",
                                             "valid = [0, 1]\n",
                                             "values = { 1 = \"lost\" }\n",
                                             "name = \"sync_state\"\n",
                                             "name = \"cam_angle\"\ncam = \"a\"\n",
                                             "dbc_signal = ",
                                             "dbc_message = ",
                                             "1e308",
                                             "-1e308",
                                             "nan",
                                             "9223372036854775807",
                                             "\n%\n"};
  return all;
}

}  // namespace cw::fuzz
