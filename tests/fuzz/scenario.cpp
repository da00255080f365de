// Scenario files: simulate/scenario_file.hpp.
#include "monitor_rules.hpp"
#include "real_files.hpp"
#include "simulate/scenario_file.hpp"

namespace cw::fuzz {

void run(std::string_view input) {
  const Choices choices(input);
  const auto read = sim::parse_scenario(choices.rest(), "F");
  if (const auto* error = std::get_if<sim::ScenarioError>(&read)) {
    expect(error->message.starts_with("F:"), "an error that begins with the name of the file");
    expect(error->message.find('\n') == std::string::npos, "an error of one line");
    return;
  }
  for (const Engine& engine : ready_engines()) {
    sim::find_problem(engine, std::get<sim::Scenario>(read));
  }
}

void seeds(const AddSeed& add) {
  for (const std::string& path : files_of_tree("config/demo", ".toml")) {
    add(file_of_tree(path));
  }
  for (const std::string& path : files_of_tree("replay-logs", ".toml")) {
    const std::string text = file_of_tree(path);
    const std::size_t begin = text.find("scenario = '''\n");
    if (begin != std::string::npos) {
      const std::size_t from = begin + 15;
      add(text.substr(from, text.find("'''", from) - from));
    }
  }
}

std::span<const std::string_view> words() {
  static constexpr std::string_view all[] = {"[[profile]]\n",
                                             "[[fault]]\n",
                                             "[noise]\n",
                                             "kind = ",
                                             "seed = ",
                                             "engine = ",
                                             "inf",
                                             "nan",
                                             "1e308",
                                             "9223372036854775807",
                                             "[ecu.can]\n",
                                             "[ecu.counter]\n",
                                             "layouts = [\"slate\"]",
                                             "advance_table = [[",
                                             "seen_by = \"ecu\"",
                                             "kind = \"ecu-restarted\""};
  return all;
}

}  // namespace cw::fuzz
