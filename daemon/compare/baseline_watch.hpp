// The finding differs-from-baseline: steady running that is not as it was when the baseline was saved.
#pragma once

#include <cstdint>
#include <deque>
#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "compare/baseline_compare.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"

namespace cw {

// Each steady stretch is held against the baseline of its band, each parked cam against its own. Three in a row beyond what both
// are unsure of open a finding for that quantity, three within it close it. Without a baseline it does nothing.
class BaselineWatch {
 public:
  // `next_id` counts the findings of all watches.
  BaselineWatch(const Engine& engine, std::uint64_t& next_id) : engine_(engine), next_id_(next_id), samples_(engine) {}

  void take(const Cycle& cycle, std::vector<Finding>& out);
  void take(const StateChange& change) { samples_.take(change); }

 private:
  using Key = std::pair<BaselineItem, std::string>;
  struct Quantity {
    std::deque<BaselinePair> beyond;  // in a row, newest last
    int within = 0;                   // in a row
    std::int64_t since_ns = 0;
    std::optional<Finding> open;
  };

  void judge(const BaselinePair& pair, const Cycle& cycle, std::vector<Finding>& out);
  Finding finding_of(const BaselinePair& pair, const Quantity& quantity, const Cycle& cycle) const;

  const Engine& engine_;
  std::uint64_t& next_id_;
  SteadySamples samples_;
  std::map<Key, Quantity> quantities_;
};

}  // namespace cw
