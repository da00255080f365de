// Tooth times by arithmetic for the tests of sync/: wheels, how the crank moves, and a watch on a CrankTracker that
// compares every decided tooth with the truth. No simulator.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <iterator>
#include <map>
#include <numbers>
#include <optional>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include "geometry/engine.hpp"
#include "geometry/tooth_cycle.hpp"
#include "sync/crank_tracker.hpp"

namespace cw::test {

inline Engine engine_with(std::vector<WheelTooth> teeth, int positions) {
  Engine engine;
  engine.name = "trial";
  engine.crank.teeth = std::move(teeth);
  engine.crank.positions = positions;
  return engine;
}
inline Engine n_minus_m(int n, int m) {
  return engine_with(pitched_teeth(n, m > 0 ? std::vector<WheelGap>{{n - m, m}} : std::vector<WheelGap>{}, 360), n);
}

struct NamedWheel {
  std::string name;
  ToothCycle cycle;
};
inline NamedWheel wheel(int n, int m) {
  return {std::to_string(n) + "-" + std::to_string(m), tooth_cycle(n_minus_m(n, m))};
}
inline std::vector<NamedWheel> gap_wheels() {
  return {wheel(60, 2), wheel(36, 1), wheel(36, 2), wheel(24, 1), wheel(12, 3)};
}
inline ToothCycle listed_wheel(const std::vector<double>& angles_deg) {
  return tooth_cycle(engine_with(listed_teeth(angles_deg), static_cast<int>(angles_deg.size())));
}
inline std::vector<double> steps_of_turn(const ToothCycle& cycle) {
  return cycle.steps_deg(cycle.repeat_teeth);
}
inline int teeth_a_turn(const ToothCycle& cycle) {
  return static_cast<int>(cycle.teeth.size()) / 2;
}

// A tooth that passes. `deg` goes on rising from the wheel angle of the first.
struct Passage {
  std::int64_t t_ns = 0;
  int tooth = 0;
  double deg = 0;
};

// `count` teeth from `first_tooth` on; `ns_at(deg)`: time at which the crank has turned `deg` since the first.
template <typename NsAt>
std::vector<Passage> passages(const ToothCycle& cycle, int first_tooth, int count, NsAt ns_at) {
  std::vector<Passage> all;
  const int teeth = static_cast<int>(cycle.teeth.size());
  double deg = 0;
  for (int i = 0; i < count; ++i) {
    const int tooth = (first_tooth + i) % teeth;
    const double start_deg = cycle.teeth[static_cast<std::size_t>(first_tooth)].wheel_deg;
    all.push_back({std::llround(ns_at(deg)), tooth, start_deg + deg});
    deg += cycle.teeth[static_cast<std::size_t>(tooth)].step_deg;
  }
  return all;
}

// 1 rpm is 6 degrees a second.
inline auto steady(double rpm, double start_ns = 0) {
  return [=](double deg) { return start_ns + deg * 1e9 / (6 * rpm); };
}

// Constant angular acceleration: angle = w0 t + a t^2 / 2.
inline auto speeding_up(double from_rpm, double rpm_per_s) {
  return [=](double deg) {
    const double w = 6 * from_rpm;
    const double a = 6 * rpm_per_s;
    return 1e9 * (std::sqrt(w * w + 2 * a * deg) - w) / a;
  };
}

// Cranking as published: mean 150, least 85, greatest 225 rpm, main component 10 Hz, which is 4 a revolution (Tech
// Briefs, test and measurement 21269). 150 + 70 cos x + 5 cos 2x has that mean and those extremes.
inline auto cranking(double phase) {
  return [=](double deg) {
    const double w = 2 * std::numbers::pi * 10;
    const auto angle_at = [=](double t_s) {
      const auto swing = [=](double t) {
        return 70 / w * std::sin(w * t + phase) + 5 / (2 * w) * std::sin(2 * (w * t + phase));
      };
      return 6 * (150 * t_s + swing(t_s) - swing(0));
    };
    double low = 0;
    double high = deg / (6 * 85) + 1e-3;
    for (int i = 0; i < 80; ++i) {
      const double middle = (low + high) / 2;
      (angle_at(middle) < deg ? low : high) = middle;
    }
    return 1e9 * low;
  };
}

// The same numbers everywhere: the engine's output is fixed by the C++ standard, and the shaping is our own.
class Dice {
 public:
  explicit Dice(std::uint64_t seed) : engine_(seed) {}
  // In (0, 1).
  double uniform() { return (static_cast<double>(engine_() >> 11) + 0.5) / 9007199254740992.0; }
  double normal() { return std::sqrt(-2 * std::log(uniform())) * std::cos(2 * std::numbers::pi * uniform()); }
  double exponential() { return -std::log(uniform()); }

 private:
  std::mt19937_64 engine_;
};

inline std::vector<Passage> with_jitter(std::vector<Passage> teeth, double sd_ns, std::uint64_t seed) {
  Dice dice(seed);
  for (Passage& tooth : teeth) {
    tooth.t_ns += std::llround(sd_ns * dice.normal());
  }
  for (std::size_t i = 1; i < teeth.size(); ++i) {
    teeth[i].t_ns = std::max(teeth[i].t_ns, teeth[i - 1].t_ns);
  }
  return teeth;
}

inline std::vector<Passage> without(const std::vector<Passage>& teeth, std::size_t first, std::size_t count) {
  std::vector<Passage> rest;
  for (std::size_t i = 0; i < teeth.size(); ++i) {
    if (i < first || i >= first + count) {
      rest.push_back(teeth[i]);
    }
  }
  return rest;
}

// A tracker that is fed and watched. Teeth are compared modulo the repeat of the pattern: more is not the crank's to say.
class TrackerWatch {
 public:
  explicit TrackerWatch(const ToothCycle& cycle) : cycle_(cycle), tracker_(cycle) {}

  void tooth(const Passage& passage) {
    truth_[passage.t_ns] = passage.tooth % cycle_.repeat_teeth;
    feed(passage.t_ns);
  }
  void teeth(const std::vector<Passage>& all) {
    for (const Passage& passage : all) {
      tooth(passage);
    }
  }
  // An edge too many.
  void odd(std::int64_t t_ns) { feed(t_ns); }

  // Teeth and odd edges in order of time.
  void mixed(const std::vector<Passage>& all, const std::vector<std::int64_t>& odd_ns) {
    std::size_t next = 0;
    for (const Passage& passage : all) {
      for (; next < odd_ns.size() && odd_ns[next] < passage.t_ns; ++next) {
        odd(odd_ns[next]);
      }
      tooth(passage);
    }
  }

  // Locked, and not in doubt whether the crank has turned back.
  bool claims_position() const { return tracker_.locked() && !doubted_; }
  const CrankTracker& tracker() const { return tracker_; }
  // Edges fed when the first lock was taken, the deciding one included; 0 = never.
  int acquired_after() const { return acquired_after_; }
  int locks() const { return locks_; }
  int losses() const { return losses_; }
  int rejoined() const { return rejoined_; }
  LossReason last_reason() const { return last_reason_; }
  int wrong_marks() const { return wrong_marks_; }
  int right_marks() const { return right_marks_; }
  const std::vector<CrankFault>& faults() const { return faults_; }

 private:
  void feed(std::int64_t t_ns) {
    ++edges_;
    const CrankEvent event = tracker_.edge(t_ns);
    if (event == CrankEvent::acquired) {
      ++locks_;
      acquired_after_ = acquired_after_ == 0 ? edges_ : acquired_after_;
    }
    rejoined_ += event == CrankEvent::rejoined ? 1 : 0;
    doubted_ = event == CrankEvent::doubted || (doubted_ && event == CrankEvent::none);
    if (event == CrankEvent::lost) {
      ++losses_;
      last_reason_ = tracker_.loss_reason();
    }
    for (const CrankFault& fault : tracker_.take_faults()) {
      faults_.push_back(fault);
    }
    for (; checked_ < tracker_.final_marks(); ++checked_) {
      const CrankMark& mark = tracker_.mark(checked_);
      ++(is_right(mark) ? right_marks_ : wrong_marks_);
    }
  }

  // An edge too many that stands within a quarter of a step of a tooth may be taken for it: the position stays right.
  bool is_right(const CrankMark& mark) const {
    const int tooth = mark.tooth % cycle_.repeat_teeth;
    const auto next = truth_.lower_bound(mark.t_ns);
    if (next != truth_.end() && next->first == mark.t_ns) {
      return next->second == tooth;
    }
    if (next == truth_.end() || next == truth_.begin()) {
      return false;
    }
    const auto before = std::prev(next);
    const std::int64_t near_ns = (next->first - before->first) / 4;
    return (next->second == tooth && next->first - mark.t_ns <= near_ns) ||
           (before->second == tooth && mark.t_ns - before->first <= near_ns);
  }

  ToothCycle cycle_;
  CrankTracker tracker_;
  std::map<std::int64_t, int> truth_;
  std::vector<CrankFault> faults_;
  bool doubted_ = false;
  int edges_ = 0;
  int acquired_after_ = 0;
  int locks_ = 0;
  int losses_ = 0;
  int rejoined_ = 0;
  LossReason last_reason_ = LossReason::none;
  int wrong_marks_ = 0;
  int right_marks_ = 0;
  std::uint64_t checked_ = 0;
};

}  // namespace cw::test
