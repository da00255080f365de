// Cam angles that the ECU broadcasts, and the targets that it steers for, against where the cam's edges stand.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <utility>
#include <vector>

#include "compare/attribution.hpp"
#include "compare/ecu_values.hpp"
#include "compare/held_condition.hpp"
#include "compare/recent.hpp"
#include "compare/witness_past.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"

namespace cw {

class EcuCamWatch {
 public:
  EcuCamWatch(const Engine& engine, std::uint64_t& next_id);

  // `phases_deg`: of each cam as the witness sees it now, deviation from park.
  void tick(std::int64_t now_ns, const EcuValues& values, const std::vector<std::optional<double>>& phases_deg,
            const WitnessPast& past, std::vector<Finding>& out);

  bool open() const;
  bool take_compared() { return std::exchange(compared_, false); }

 private:
  struct Cam {
    Recent<64> phase_deg{0, 0};
    Recent<64> target_deg{50'000'000, 0.5};
    HeldCondition angle;
    HeldCondition target;
    std::optional<Finding> told_angle;
    std::optional<Finding> told_target;
  };
  struct Reading {
    double said_deg = 0;
    ValueSpan seen_deg;
  };
  void judge_one(std::size_t cam, bool target, const Reading& reading, std::int64_t now_ns, double rpm,
                 std::vector<Finding>& out);

  const Engine& engine_;
  std::uint64_t& next_id_;
  std::vector<Cam> cams_;
  bool compared_ = false;
};

}  // namespace cw
