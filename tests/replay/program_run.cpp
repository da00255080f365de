#include "program_run.hpp"
#include "text/json.hpp"

#include <fcntl.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>
#include <zstd.h>

#include <array>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <iterator>

namespace cw::replay_logs {

namespace {

bool ends_with(const std::string& text, const std::string& end) {
  return text.size() >= end.size() && text.compare(text.size() - end.size(), end.size(), end) == 0;
}

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

// The engine file as a path; an inline one is written into the scratch folder.
std::string engine_path(const Expectation& expectation, const std::string& beside, const ScratchFolder& scratch) {
  if (expectation.engine_text.empty()) {
    return beside + "/" + expectation.engine_file;
  }
  write_file(scratch.path("engine.toml"), expectation.engine_text);
  return scratch.path("engine.toml");
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

std::string rows_of(const std::string& path, std::string& problem) {
  const std::string bytes = bytes_of(path, problem);
  return problem.empty() && ends_with(path, ".zst") ? unpacked(bytes, path, problem) : bytes;
}

bool write_file(const std::string& path, const std::string& bytes) {
  std::ofstream file(path, std::ios::binary);
  file << bytes;
  file.close();
  return static_cast<bool>(file);
}

Run replay_twice(const std::string& program, const Expectation& expectation, const std::string& beside,
                 const std::string& rows) {
  Run result;
  const ScratchFolder scratch;
  const std::string engine = engine_path(expectation, beside, scratch);
  write_file(scratch.path("edges.csv"), rows);
  const std::string first = scratch.path("first");
  const std::string second = scratch.path("second");
  must_be_done(run({program, "replay", scratch.path("edges.csv"), "--engine", engine, "--out", first, "--cycles",
                    scratch.path("cycles.csv")},
                   scratch.path("first.log")),
               "replay of the log", scratch.path("first.log"), result.problems);
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
  std::string problem;
  count_edges(rows, result.outcome);
  read_trend(bytes_of(first + "/trend.csv", problem), result.outcome);
  read_cycles(bytes_of(scratch.path("cycles.csv"), problem), result.outcome);
  result.outcome.findings = read_events(bytes_of(first + "/events.jsonl", problem));
  if (!problem.empty()) {
    result.problems.push_back(problem);
  }
  return result;
}

std::string make_log(const std::string& program, const Expectation& expectation, const std::string& beside,
                     const std::string& log_path) {
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
  const std::string rows = bytes_of(scratch.path("made/edges.csv"), problem);
  const auto truth = parse_json(bytes_of(scratch.path("made/truth.json"), problem));
  if (!problem.empty() || !problems.empty() || truth.is_discarded()) {
    return problems.empty() ? problem : problems.front();
  }
  const std::string small = packed(rows);
  if (!write_file(log_path, small)) {
    return log_path + ": expected a file that can be written";
  }
  std::cout << log_path << ": " << rows.size() << " bytes, packed " << small.size()
            << "\nfaults: " << dump_json(truth["faults"], 1)
            << "\nfaults_not_reached: " << dump_json(truth["faults_not_reached"])
            << "\ntdc1_ns = " << dump_json(truth["tdc1_ns"]) << '\n';
  return {};
}

}  // namespace cw::replay_logs
