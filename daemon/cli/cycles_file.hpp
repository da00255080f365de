// The table of `replay --cycles` (SESSION_FORMAT.md).
#pragma once

#include <string>

#include "geometry/engine.hpp"
#include "items/observation.hpp"
#include "record/disk_file.hpp"

namespace cw {

class CyclesFile final : public Observer {
 public:
  // Creates `path`, which must not exist, and writes the header line. Problems are kept until finish().
  CyclesFile(const std::string& path, const Engine& engine);
  void on_finding(const Finding& finding) override;
  void on_cycle(const Cycle& cycle) override;
  void on_second(const Second& second) override;
  void on_state(const StateChange& change) override;
  const Problem& problem() const { return problem_; }
  // Writes what is left; the first problem met, if any.
  Problem finish();

 private:
  void write();

  std::size_t cams_;
  DiskFile file_;
  std::string rows_;
  Problem problem_;
};

}  // namespace cw
