#include "program_run.hpp"
#include "text/json.hpp"

#include <fcntl.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>
#include <zstd.h>

#include <algorithm>
#include <array>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <iterator>

namespace cw::replay_logs {

namespace {

// Runs a program to its end, what it prints goes to `log`. Its exit code; -1 when it could not run or was killed.
int run(const std::vector<std::string>& words, const std::string& log) {
  std::vector<char*> argv;
  argv.reserve(words.size() + 1);
  for (const std::string& word : words) {
    argv.push_back(const_cast<char*>(word.c_str()));
  }
  argv.push_back(nullptr);
  posix_spawn_file_actions_t actions{};
  posix_spawn_file_actions_init(&actions);
  constexpr mode_t mode = 0644;
  posix_spawn_file_actions_addopen(&actions, STDOUT_FILENO, log.c_str(), O_WRONLY | O_CREAT | O_TRUNC, mode);
  posix_spawn_file_actions_adddup2(&actions, STDOUT_FILENO, STDERR_FILENO);
  pid_t child = 0;
  const int failed = posix_spawnp(&child, argv[0], &actions, nullptr, argv.data(), environ);
  posix_spawn_file_actions_destroy(&actions);
  int status = 0;
  if (failed != 0 || waitpid(child, &status, 0) != child || !WIFEXITED(status)) {
    return -1;
  }
  return WEXITSTATUS(status);
}

std::string unpacked(const std::string& packed, const std::string& path, std::string& problem) {
  constexpr unsigned long long bytes_max = 64ULL << 20U;
  const unsigned long long size = ZSTD_getFrameContentSize(packed.data(), packed.size());
  if (size == ZSTD_CONTENTSIZE_ERROR || size == ZSTD_CONTENTSIZE_UNKNOWN || size > bytes_max) {
    problem = path + ": expected a zstd file that names its size, at most 64 MiB";
    return {};
  }
  std::string bytes(size, '\0');
  if (ZSTD_decompress(bytes.data(), bytes.size(), packed.data(), packed.size()) != size) {
    problem = path + ": expected a whole zstd file";
    return {};
  }
  return bytes;
}

std::string packed(const std::string& bytes) {
  constexpr int level = 19;
  std::string out(ZSTD_compressBound(bytes.size()), '\0');
  out.resize(ZSTD_compress(out.data(), out.size(), bytes.data(), bytes.size(), level));
  return out;
}

// The engine file as a path. An inline one is written into a folder of the scratch folder from which config/ is where it
// is from `beside`, so that the paths of its signal maps lead there.
std::string engine_path(const Expectation& expectation, const std::string& beside, const ScratchFolder& scratch) {
  if (expectation.engine_text.empty()) {
    return beside + "/" + expectation.engine_file;
  }
  std::error_code ignored;
  std::filesystem::create_directory(scratch.path("logs"), ignored);
  std::filesystem::create_directory_symlink(std::filesystem::absolute(beside) / "../config", scratch.path("config"),
                                            ignored);
  write_file(scratch.path("logs/engine.toml"), expectation.engine_text);
  return scratch.path("logs/engine.toml");
}

void must_be_done(int code, const std::string& what, const std::string& log, std::vector<std::string>& problems) {
  if (code == 0) {
    return;
  }
  std::string ignored;
  std::string said = bytes_of(log, ignored);
  constexpr std::size_t enough = 400;
  said = said.substr(said.size() > enough ? said.size() - enough : 0);
  problems.push_back(what + " ended with exit code " + std::to_string(code) + ": " + said);
}

// The report of a session, as report.html in its folder and beside it.
void make_report(const std::string& program, const std::string& session, const ScratchFolder& scratch,
                 const std::string& keep, std::vector<std::string>& problems) {
  constexpr std::size_t bytes_max = 300'000;
  const std::string again = scratch.path("again.html");
  must_be_done(run({program, "report", session}, scratch.path("report.log")), "report", scratch.path("report.log"),
               problems);
  must_be_done(run({program, "report", session, "--out", again}, scratch.path("report.log")), "report elsewhere",
               scratch.path("report.log"), problems);
  std::string problem;
  const std::string page = bytes_of(session + "/report.html", problem);
  if (problem.empty() && page != bytes_of(again, problem)) {
    problem = "a second report has other bytes";
  }
  if (problem.empty() && (!page.ends_with("</html>\n") || page.size() > bytes_max)) {
    problem = "report.html: expected a whole page of at most 300,000 bytes, found " + std::to_string(page.size());
  }
  if (problem.empty() && !keep.empty() && !write_file(keep, page)) {
    problem = keep + ": expected a file that can be written";
  }
  if (!problem.empty()) {
    problems.push_back(problem);
  }
}

}  // namespace

ScratchFolder::ScratchFolder() : path_(std::filesystem::temp_directory_path() / "replay-log-XXXXXX") {
  if (mkdtemp(path_.data()) == nullptr) {
    std::cerr << path_ << ": expected a temporary folder that can be written\n";
    std::exit(2);
  }
}

ScratchFolder::~ScratchFolder() {
  std::error_code ignored;
  std::filesystem::remove_all(path_, ignored);
}

std::string bytes_of(const std::string& path, std::string& problem) {
  std::ifstream file(path, std::ios::binary);
  std::string bytes{std::istreambuf_iterator<char>(file), std::istreambuf_iterator<char>()};
  if (!file) {
    problem = path + ": expected a file that can be read";
  }
  return bytes;
}

Log log_of(const std::string& base, std::string& problem) {
  namespace fs = std::filesystem;
  const auto part = [&](const std::string& end) {
    const bool plain = fs::exists(base + end);
    const std::string path = plain ? base + end : base + end + ".zst";
    if (!fs::exists(path) || !problem.empty()) {
      return std::string();
    }
    const std::string bytes = bytes_of(path, problem);
    return plain || !problem.empty() ? bytes : unpacked(bytes, path, problem);
  };
  Log log{part(".csv"), part(".can.log")};
  if (problem.empty() && log.edges.empty() && log.frames.empty()) {
    problem = base + ": expected .csv, .csv.zst, .can.log or .can.log.zst";
  }
  return log;
}

bool write_file(const std::string& path, const std::string& bytes) {
  std::ofstream file(path, std::ios::binary);
  file << bytes;
  file.close();
  return static_cast<bool>(file);
}

namespace {

// The words of the command that replays the log's files.
std::vector<std::string> replay_words(const std::string& program, const Expectation& expectation, const Log& log,
                                      const ScratchFolder& scratch) {
  std::vector<std::string> words = {program, "replay"};
  if (!log.edges.empty()) {
    write_file(scratch.path("edges.csv"), log.edges);
    words.push_back(scratch.path("edges.csv"));
  }
  if (!log.frames.empty()) {
    write_file(scratch.path("can.log"), log.frames);
    words.push_back(scratch.path("can.log"));
  }
  if (!log.edges.empty() && !log.frames.empty()) {
    words.emplace_back(expectation.can_shift_s ? "--shift" : "--same-clock");
    if (expectation.can_shift_s) {
      words.push_back(scratch.path("can.log") + "=" + std::to_string(*expectation.can_shift_s));
    }
  }
  return words;
}

}  // namespace

Run replay_twice(const std::string& program, const Expectation& expectation, const std::string& beside, const Log& log,
                 const std::string& keep_report) {
  Run result;
  const ScratchFolder scratch;
  const std::string engine = engine_path(expectation, beside, scratch);
  const std::string first = scratch.path("first");
  const std::string second = scratch.path("second");
  std::vector<std::string> words = replay_words(program, expectation, log, scratch);
  words.insert(words.end(), {"--engine", engine, "--out", first, "--cycles", scratch.path("cycles.csv")});
  must_be_done(run(words, scratch.path("first.log")), "replay of the log", scratch.path("first.log"), result.problems);
  must_be_done(run({program, "replay", first, "--out", second}, scratch.path("second.log")), "replay of the session",
               scratch.path("second.log"), result.problems);
  for (const char* name : {"/events.jsonl", "/trend.csv"}) {
    std::string problem;
    const bool same = bytes_of(first + name, problem) == bytes_of(second + name, problem);
    if (!problem.empty() || !same) {
      result.problems.push_back(problem.empty() ? std::string("a second replay gives other bytes in ") + name
                                                : problem);
    }
  }
  make_report(program, first, scratch, keep_report, result.problems);
  std::string problem;
  if (!log.edges.empty()) {
    count_edges(log.edges, result.outcome);
  }
  result.outcome.frames = static_cast<std::uint64_t>(std::count(log.frames.begin(), log.frames.end(), '\n'));
  read_trend(bytes_of(first + "/trend.csv", problem), result.outcome);
  read_cycles(bytes_of(scratch.path("cycles.csv"), problem), result.outcome);
  result.outcome.findings = read_events(bytes_of(first + "/events.jsonl", problem));
  if (!problem.empty()) {
    result.problems.push_back(problem);
  }
  return result;
}

namespace {

// Packs a file that `simulate` made; an error line, or empty.
std::string pack_part(const std::string& made, const std::string& path) {
  std::string problem;
  const std::string bytes = bytes_of(made, problem);
  if (!problem.empty()) {
    return problem;
  }
  const std::string small = packed(bytes);
  if (!write_file(path, small)) {
    return path + ": expected a file that can be written";
  }
  std::cout << path << ": " << bytes.size() << " bytes, packed " << small.size() << '\n';
  return {};
}

}  // namespace

std::string make_log(const std::string& program, const Expectation& expectation, const std::string& beside,
                     const std::string& base) {
  if (expectation.scenario.empty()) {
    return "expected a scenario to make the log from";
  }
  const ScratchFolder scratch;
  std::string problem;
  const std::string engine = bytes_of(engine_path(expectation, beside, scratch), problem);
  write_file(scratch.path("engine.toml"), engine);
  write_file(scratch.path("scenario.toml"), expectation.scenario);
  std::filesystem::create_directory(scratch.path("made"));
  std::vector<std::string> problems;
  must_be_done(
      run({program, "simulate", scratch.path("scenario.toml"), "--out", scratch.path("made")}, scratch.path("log")),
      "simulate", scratch.path("log"), problems);
  const auto truth = parse_json(bytes_of(scratch.path("made/truth.json"), problem));
  if (!problem.empty() || !problems.empty() || truth.is_discarded()) {
    return problems.empty() ? problem : problems.front();
  }
  problem = expectation.can_only ? "" : pack_part(scratch.path("made/edges.csv"), base + ".csv.zst");
  if (problem.empty() && std::filesystem::exists(scratch.path("made/can.log"))) {
    problem = pack_part(scratch.path("made/can.log"), base + ".can.log.zst");
  }
  std::cout << "faults: " << dump_json(truth["faults"], 1);
  if (truth.contains("ecu")) {
    std::cout << "\necu: " << dump_json(truth["ecu"], 1);
  }
  std::cout << "\nfaults_not_reached: " << dump_json(truth["faults_not_reached"])
            << "\ntdc1_ns = " << dump_json(truth["tdc1_ns"]) << '\n';
  return problem;
}

}  // namespace cw::replay_logs
