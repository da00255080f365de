// A cam whose edges are not those of the engine file: from CamPatternEvent to findings.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "geometry/engine.hpp"
#include "items/observation.hpp"
#include "sync/sync.hpp"

namespace cw {

// For each cam one finding opens when its pattern is seen to be another than the file's, and closes when it is seen to fit
// or looks otherwise.
class CamPatternReport {
 public:
  // `next_id` counts the findings of all watches.
  CamPatternReport(const Engine& engine, std::uint64_t& next_id)
      : engine_(engine), next_id_(next_id), open_(engine.cams.size()) {}

  void take(const CamPatternEvent& event, std::vector<Finding>& out);

 private:
  Finding finding_of(const CamPatternEvent& event) const;

  const Engine& engine_;
  std::uint64_t& next_id_;
  std::vector<std::optional<Finding>> open_;
};

}  // namespace cw
