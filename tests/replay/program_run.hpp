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
// What a log holds; a part that it has not is empty.
struct Log {
  std::string edges;   // the rows of NAME.csv, or of NAME.csv.zst unpacked
  std::string frames;  // the lines of NAME.can.log, or of NAME.can.log.zst
};
// `base`: path without the endings. A log with neither part is a problem.
Log log_of(const std::string& base, std::string& problem);
bool write_file(const std::string& path, const std::string& bytes);

// Replays `log` through `program` into a session folder, then that session into another one, which must hold the same
// events.jsonl and trend.csv as bytes. `beside` is the folder that the expectation's paths start from; those of the
// engine's text do too.
struct Run {
  Outcome outcome;
  std::vector<std::string> problems;  // one line each; empty: both replays went through and agree
};
//
// A report is made of the first session, twice, and must be one whole page, the same as bytes; with `keep_report` it is
// kept there.
Run replay_twice(const std::string& program, const Expectation& expectation, const std::string& beside, const Log& log,
                 const std::string& keep_report = {});

// Makes the log of a new expectation file: simulates its scenario and packs edges and frames into NAME.csv.zst and
// NAME.can.log.zst, `base` being all before the endings.
// Prints what went wrong in the run and when TDC1 was, to be written into the file. An error line, or empty.
std::string make_log(const std::string& program, const Expectation& expectation, const std::string& beside,
                     const std::string& base);

}  // namespace cw::replay_logs
