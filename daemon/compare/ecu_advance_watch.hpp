// The spark advance that the ECU broadcasts, at the time of a pulse that marks the spark.
#pragma once

#include <cstdint>
#include <optional>
#include <utility>
#include <vector>

#include "compare/fixed_queue.hpp"
#include "compare/held_condition.hpp"
#include "compare/recent.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"
#include "sync/sync.hpp"

namespace cw {

// Keeps pulses until what the ECU says of their time has come too, and pairs them with it.
class AdvancePairing {
 public:
  explicit AdvancePairing(const Engine& engine) : engine_(engine) {}

  void note_advance(std::int64_t host_ns, double advance_deg) { advance_.add(host_ns, advance_deg); }
  // A cut, of spark or fuel, is on: the spark may stand anywhere meanwhile and for a second after.
  void note_cut(std::int64_t host_ns) { cut_until_ns_ = host_ns + after_cut_ns; }
  void note_pulse(const ReferenceEvent& pulse, std::int64_t host_ns);

  struct Pair {
    ReferenceEvent pulse;
    std::int64_t host_ns = 0;
    double least_deg = 0;  // of the advance around that time
    double greatest_deg = 0;
  };
  // The next pulse that can be judged; passes over those of cuts and of fast changes, and those of which the ECU said
  // nothing. Nothing when there is none yet.
  std::optional<Pair> next(std::int64_t now_ns);
  bool cut(std::int64_t now_ns) const { return now_ns < cut_until_ns_; }
  void break_off();

 private:
  static constexpr std::int64_t after_cut_ns = 1'000'000'000;
  struct Pulse {
    ReferenceEvent event;
    std::int64_t host_ns = 0;
    bool in_cut = false;
  };
  const Engine& engine_;
  Recent<256> advance_{5'000'000, 0.05};
  FixedQueue<Pulse, 256> pulses_;
  std::int64_t cut_until_ns_ = 0;
};

class EcuAdvanceWatch {
 public:
  EcuAdvanceWatch(const Engine& engine, std::uint64_t& next_id) : engine_(engine), next_id_(next_id) {}

  void take(const AdvancePairing::Pair& pair, std::vector<Finding>& out);
  void suspend() { condition_.suspend(); }
  bool open() const { return condition_.open(); }
  bool take_compared() { return std::exchange(compared_, false); }

 private:
  const Engine& engine_;
  std::uint64_t& next_id_;
  HeldCondition condition_;
  std::optional<Finding> told_;
  double sum_deg_ = 0;  // of the deviations since the condition began
  int count_ = 0;
  bool compared_ = false;
};

}  // namespace cw
