#include "cli/cycles_file.hpp"

#include "record/observation_text.hpp"

namespace cw {

CyclesFile::CyclesFile(const std::string& path, const Engine& engine) : cams_(engine.cams.size()) {
  problem_ = file_.create(path);
  rows_ = cycles_header(engine);
  write();
}

void CyclesFile::on_finding(const Finding& /*finding*/) {}
void CyclesFile::on_second(const Second& /*second*/) {}
void CyclesFile::on_state(const StateChange& /*change*/) {}

void CyclesFile::on_cycle(const Cycle& cycle) {
  constexpr std::size_t write_bytes = 64 * 1024;
  rows_ += cycles_row(cycle, cams_);
  if (rows_.size() >= write_bytes) {
    write();
  }
}

void CyclesFile::write() {
  if (!problem_) {
    problem_ = file_.append(rows_);
  }
  rows_.clear();
}

Problem CyclesFile::finish() {
  write();
  Problem closing = file_.close();
  return problem_ ? problem_ : closing;
}

}  // namespace cw
