// Replays every log of a folder through the real program and holds what it says against the expectation file beside it.
#include <algorithm>
#include <filesystem>
#include <iomanip>
#include <iostream>
#include <set>

#include <CLI/CLI.hpp>

#include "program_run.hpp"
#include "verdict.hpp"

namespace {

namespace fs = std::filesystem;
using namespace cw::replay_logs;

struct Row {
  std::string name;
  std::uint64_t edges = 0;
  std::uint64_t frames = 0;
  std::string expected;
  std::string found;
  std::vector<std::string> problems;
};

// Names without endings: of expectation files and of logs, so that one without the other is noticed.
std::set<std::string> names_in(const std::string& folder) {
  std::set<std::string> names;
  for (const auto& entry : fs::directory_iterator(folder)) {
    const std::string file = entry.path().filename();
    for (const std::string end : {".csv.zst", ".csv", ".can.log.zst", ".can.log", ".toml"}) {
      if (file.size() > end.size() && file.ends_with(end)) {
        names.insert(file.substr(0, file.size() - end.size()));
        break;
      }
    }
  }
  return names;
}

Row judge(const std::string& program, const std::string& folder, const std::string& name, const std::string& reports) {
  Row row;
  row.name = name;
  const std::string base = folder + "/" + name;
  std::string problem;
  const std::string text = bytes_of(base + ".toml", problem);
  const Log log = problem.empty() ? log_of(base, problem) : Log{};
  if (!problem.empty()) {
    row.problems.push_back(problem);
    return row;
  }
  const auto read = read_expectation(text, base + ".toml");
  if (const auto* problems = std::get_if<std::vector<std::string>>(&read)) {
    row.problems = *problems;
    return row;
  }
  const auto& expectation = std::get<Expectation>(read);
  row.expected = expected_in_words(expectation);
  const Run run =
      replay_twice(program, expectation, folder, log, reports.empty() ? "" : reports + "/" + name + ".html");
  row.edges = run.outcome.edges;
  row.frames = run.outcome.frames;
  row.found = found_in_words(run.outcome);
  row.problems = run.problems;
  const std::vector<std::string> more = differences(expectation, run.outcome);
  row.problems.insert(row.problems.end(), more.begin(), more.end());
  return row;
}

void print_line(const std::string& name, const std::string& edges, const std::string& frames,
                const std::string& expected, const std::string& found, const std::string& verdict) {
  constexpr int name_width = 34;
  constexpr int edges_width = 7;
  constexpr int kinds_width = 40;
  std::cout << std::left << std::setw(name_width) << name << std::right << std::setw(edges_width) << edges
            << std::setw(edges_width) << frames << "  " << std::left << std::setw(kinds_width) << expected << ' '
            << std::setw(kinds_width) << found << ' ' << verdict << std::endl;
}

void print(const Row& row) {
  print_line(row.name, std::to_string(row.edges), std::to_string(row.frames), row.expected, row.found,
             row.problems.empty() ? "ok" : "FAILED");
  for (const std::string& problem : row.problems) {
    std::cout << "    " << problem << '\n';
  }
}

int judge_all(const std::string& program, const std::string& folder, const std::string& only,
              const std::string& reports) {
  print_line("name", "edges", "frames", "must be found", "found", "verdict");
  std::size_t failed = 0;
  std::size_t count = 0;
  for (const std::string& name : names_in(folder)) {
    if (name.rfind(only, 0) == 0) {
      const Row row = judge(program, folder, name, reports);
      print(row);
      failed += row.problems.empty() ? 0 : 1;
      ++count;
    }
  }
  std::cout << count << " logs, " << failed << " failed\n";
  return failed == 0 && count > 0 ? 0 : 1;
}

int make(const std::string& program, const std::string& file) {
  std::string problem;
  const auto read = read_expectation(bytes_of(file, problem), file);
  if (const auto* problems = std::get_if<std::vector<std::string>>(&read); problems != nullptr && problem.empty()) {
    problem = problems->front();
  }
  if (problem.empty()) {
    const fs::path path(file);
    const std::string beside = path.has_parent_path() ? path.parent_path().string() : ".";
    const std::string base = file.substr(0, file.size() - path.extension().string().size());
    problem = make_log(program, std::get<Expectation>(read), beside, base);
  }
  std::cerr << problem << (problem.empty() ? "" : "\n");
  return problem.empty() ? 0 : 1;
}

}  // namespace

int main(int argc, char** argv) try {
  CLI::App app("Replays the logs of a folder and judges what is found by the expectation files beside them.");
  std::string program;
  std::string folder;
  std::string only;
  std::string made;
  app.add_option("--program", program, "The crankwitness program")->required()->check(CLI::ExistingFile);
  app.add_option("--logs", folder, "Folder of logs")->check(CLI::ExistingDirectory);
  app.add_option("--only", only, "Names that begin so");
  app.add_option("--make", made, "Make the log of this expectation file from its scenario, instead of judging");
  std::string reports;
  app.add_option("--reports", reports, "Keep the report of each log in this folder, as NAME.html")
      ->check(CLI::ExistingDirectory);
  CLI11_PARSE(app, argc, argv);
  if (!made.empty()) {
    return make(program, made);
  }
  return judge_all(program, folder, only, reports);
} catch (const std::exception& error) {
  std::cerr << "replay_logs: " << error.what() << '\n';
  return 2;
}
