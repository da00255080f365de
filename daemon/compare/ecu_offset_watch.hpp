// The trigger offset that the ECU broadcasts: whether it is changed while it runs. How an ECU counts it is its own affair,
// so it is not held against the engine file's.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "compare/ecu_values.hpp"
#include "items/observation.hpp"

namespace cw {

class EcuOffsetWatch {
 public:
  explicit EcuOffsetWatch(std::uint64_t& next_id) : next_id_(next_id) {}

  // A change counts when it is said twice in a row.
  void take(const EcuValue& offset, std::optional<double> rpm, std::vector<Finding>& out);
  void forget() {
    known_.reset();
    next_.reset();
  }

 private:
  std::uint64_t& next_id_;
  std::optional<EcuValue> known_;
  std::optional<EcuValue> next_;  // said once
};

}  // namespace cw
