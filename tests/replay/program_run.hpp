// Runs the real program on a log, in a scratch folder, as a user would.
#pragma once

#include <string>
#include <variant>
#include <vector>

#include "expectation.hpp"
#include "outcome.hpp"

namespace cw::replay_logs {

// A new folder under the system's temporary folder, removed with all in it at the end.
class ScratchFolder {
 public:
  ScratchFolder();
  ScratchFolder(const ScratchFolder&) = delete;
  ScratchFolder& operator=(const ScratchFolder&) = delete;
  ~ScratchFolder();
  std::string path(const std::string& name) const { return path_ + "/" + name; }

 private:
  std::string path_;
};

// A file's bytes; `problem` gets a line when it can't be read.
std::string bytes_of(const std::string& path, std::string& problem);
// The rows of a log: NAME.csv, or NAME.csv.zst unpacked.
std::string rows_of(const std::string& path, std::string& problem);
bool write_file(const std::string& path, const std::string& bytes);

// Replays `rows` through `program` into a session folder, then that session into another one, which must hold the same
// events.jsonl and trend.csv as bytes. `beside` is the folder that the expectation's paths start from.
struct Run {
  Outcome outcome;
  std::vector<std::string> problems;  // one line each; empty: both replays went through and agree
};
Run replay_twice(const std::string& program, const Expectation& expectation, const std::string& beside,
                 const std::string& rows);

// Makes the log of a new expectation file: simulates its scenario and packs the edges into `log_path` (NAME.csv.zst).
// Prints what went wrong in the run and when TDC1 was, to be written into the file. An error line, or empty.
std::string make_log(const std::string& program, const Expectation& expectation, const std::string& beside,
                     const std::string& log_path);

}  // namespace cw::replay_logs
