#include "simulate/ecu_counter.hpp"

#include <algorithm>
#include <cmath>
#include <deque>
#include <optional>

#include "geometry/angle.hpp"

namespace cw::sim {

namespace {

constexpr double mark_ratio_least = 1.3;  // of two neighbouring steps, to be told apart on a rippling crank
constexpr double silence_steps = 6;       // longest steps without an edge
constexpr double silence_least_s = 0.005;
constexpr int losses_wrap = 256;

// The wheel as such an ECU is told it: teeth, and the marks after which it counts.
struct WheelPlan {
  double period_deg = 360;
  std::vector<double> step_deg;  // into tooth i from the one before
  std::vector<int> marks;        // indices of teeth that a gap comes before
  double gap_ratio = 2;
  double pitch_deg = 6;
  double longest_deg = 6;
  int positions = 60;

  int teeth() const { return static_cast<int>(step_deg.size()); }
  // Teeth from one mark to the next.
  int count_after(std::size_t mark) const {
    const int from = marks[mark];
    const int to = marks[(mark + 1) % marks.size()];
    return to > from ? to - from : to - from + teeth();
  }
};

WheelPlan plan_of(const Engine& engine, double gap_ratio) {
  const Wheel& wheel = engine.crank;
  WheelPlan plan;
  plan.period_deg = wheel.period_deg;
  plan.positions = wheel.positions;
  const std::size_t n = wheel.teeth.size();
  for (std::size_t i = 0; i < n; ++i) {
    const double before_deg = i > 0 ? wheel.teeth[i - 1].angle_deg : wheel.teeth[n - 1].angle_deg - wheel.period_deg;
    plan.step_deg.push_back(wheel.teeth[i].angle_deg - before_deg);
  }
  double least_ratio = 0;
  for (std::size_t i = 0; i < n; ++i) {
    const double ratio = plan.step_deg[i] / plan.step_deg[i > 0 ? i - 1 : n - 1];
    if (ratio > mark_ratio_least) {
      plan.marks.push_back(static_cast<int>(i));
      least_ratio = least_ratio == 0 ? ratio : std::min(least_ratio, ratio);
    }
  }
  constexpr double way = 0.6;
  plan.gap_ratio = gap_ratio > 0 ? gap_ratio : 1 + way * (least_ratio - 1);
  plan.pitch_deg = *std::min_element(plan.step_deg.begin(), plan.step_deg.end());
  plan.longest_deg = *std::max_element(plan.step_deg.begin(), plan.step_deg.end());
  return plan;
}

double value_at(const std::vector<TimedStep>& steps, double t_s, double otherwise) {
  for (auto step = steps.rbegin(); step != steps.rend(); ++step) {
    if (t_s >= step->from_s && t_s < step->to_s) {
      return step->value;
    }
  }
  return otherwise;
}

// Speed over the last part of a turn, filtered.
class SpeedMeter {
 public:
  SpeedMeter(double over_deg, double filter_s) : over_deg_(over_deg), filter_s_(filter_s) {}

  double take(double t_s, double step_deg) {
    turned_deg_ += step_deg;
    edges_.push_back({t_s, turned_deg_});
    while (edges_.size() > 2 && turned_deg_ - edges_[1].value >= over_deg_) {
      edges_.pop_front();
    }
    if (edges_.size() > 1) {
      const double over_s = t_s - edges_.front().t_s;
      const double now = over_s > 0 ? (turned_deg_ - edges_.front().value) / over_s / deg_per_s_per_rpm : rpm_;
      const double since_s = t_s - edges_[edges_.size() - 2].t_s;
      rpm_ += (now - rpm_) * (filter_s_ > 0 && rpm_ > 0 ? 1 - std::exp(-since_s / filter_s_) : 1.0);
    }
    return rpm_;
  }
  void stop() {
    edges_.clear();
    rpm_ = 0;
  }
  double rpm() const { return rpm_; }

 private:
  double over_deg_;
  double filter_s_;
  std::deque<EcuReading> edges_;
  double turned_deg_ = 0;
  double rpm_ = 0;
};

class Counter {
 public:
  Counter(const Engine& engine, const EcuCounter& rules, const std::vector<TimedStep>& speed_teeth)
      : engine_(engine),
        rules_(rules),
        speed_teeth_(speed_teeth),
        plan_(plan_of(engine, rules.gap_ratio)),
        speed_(rules.speed_over_deg, rules.speed_filter_ms * 1e-3) {
    history_.cam_deg.resize(engine.cams.size());
  }

  void switch_off(double t_s) {
    forget();
    speed_.stop();
    history_.rpm.push_back({t_s, 0});
    last_s_.reset();
    losses_ = 0;
    go(t_s, EcuState::off);
  }
  void switch_on(double t_s) { go(t_s, EcuState::no_signal); }

  // Time goes on without an edge.
  void wait(double t_s);
  void take(const EcuEdge& edge) {
    wait(edge.t_s);
    if (edge.input == crank_input) {
      take_crank(edge.t_s);
    } else {
      take_cam(edge);
    }
  }
  EcuHistory finish() { return std::move(history_); }

 private:
  bool locked() const { return state_ == EcuState::revolution || state_ == EcuState::cycle; }
  void go(double t_s, EcuState state, const std::string& reason = {}) {
    if (state != state_ || !reason.empty() || history_.moments.empty()) {
      history_.moments.push_back({std::llround(t_s * 1e9), state, losses_, reason});
    }
    state_ = state;
  }
  void forget() {
    marks_left_.clear();
    since_mark_ = -1;
    good_marks_ = 0;
    cam_votes_ = 0;
  }
  void lose(double t_s, const std::string& reason) {
    losses_ = (losses_ + 1) % losses_wrap;
    forget();
    go(t_s, EcuState::lost, reason);
  }
  void stop(double t_s);
  void take_crank(double t_s);
  void search(double t_s, bool gap);
  void follow(double t_s, bool gap);
  void arrive(std::size_t mark);
  void take_cam(const EcuEdge& edge);
  void vote(double t_s, bool for_this_turn);
  // Tooth of the latest edge, while the place in the turn is known.
  int tooth() const { return (plan_.marks[mark_] + since_mark_) % plan_.teeth(); }
  double step_now(bool gap) const {
    if (locked()) {
      return plan_.step_deg[static_cast<std::size_t>(tooth())];
    }
    return gap ? plan_.longest_deg : plan_.pitch_deg;
  }
  double next_step_deg() const { return plan_.step_deg[static_cast<std::size_t>((tooth() + 1) % plan_.teeth())]; }
  double crank_deg(double t_s) const;

  const Engine& engine_;
  const EcuCounter& rules_;
  const std::vector<TimedStep>& speed_teeth_;
  WheelPlan plan_;
  SpeedMeter speed_;
  EcuHistory history_;
  EcuState state_ = EcuState::no_signal;
  int losses_ = 0;
  std::optional<double> last_s_;
  double interval_s_ = 0;         // 0 = not known
  std::vector<char> marks_left_;  // search: which marks the last gap may be; empty = none seen yet
  std::size_t mark_ = 0;          // locked: the last gap
  int since_mark_ = -1;           // teeth since it; -1 = no gap seen
  int good_marks_ = 0;
  bool second_turn_ = false;  // at the last mark: the wheel has gone past its first tooth an odd number of times
  int cam_votes_ = 0;         // in a row, below 0 = for the other turn
};

void Counter::wait(double t_s) {
  if (!last_s_ || state_ == EcuState::no_signal || state_ == EcuState::off) {
    return;
  }
  const double rpm = speed_.rpm();
  if (locked() && rpm > rules_.loss_above_rpm) {
    const double longest_s = plan_.longest_deg / (rpm * deg_per_s_per_rpm);
    const double until_s = *last_s_ + std::max(silence_steps * longest_s, silence_least_s);
    if (t_s > until_s) {
      lose(until_s, "teeth ended at speed");
    }
  }
  const double stopped_s = *last_s_ + rules_.stopped_s;
  if (t_s > stopped_s) {
    stop(stopped_s);
  }
}

void Counter::stop(double t_s) {
  losses_ = (losses_ + (locked() && rules_.counts_stops ? 1 : 0)) % losses_wrap;
  forget();
  go(t_s, EcuState::no_signal);
  speed_.stop();
  history_.rpm.push_back({t_s, 0});
  last_s_.reset();
}

void Counter::take_crank(double t_s) {
  if (locked() && last_s_ && (t_s - *last_s_) * rules_.least_rpm * deg_per_s_per_rpm > next_step_deg()) {
    stop(t_s);
  }
  if (state_ == EcuState::no_signal) {
    go(t_s, EcuState::searching);
  }
  const double before_s = interval_s_;
  interval_s_ = last_s_ ? t_s - *last_s_ : 0;
  const bool first = !last_s_;
  last_s_ = t_s;
  if (first) {
    interval_s_ = 0;
    return;
  }
  const bool gap = before_s > 0 && interval_s_ > plan_.gap_ratio * before_s;
  since_mark_ += since_mark_ >= 0 ? 1 : 0;
  if (locked()) {
    follow(t_s, gap);
  } else {
    search(t_s, gap);
  }
  const double told = value_at(speed_teeth_, t_s, rules_.speed_teeth > 0 ? rules_.speed_teeth : plan_.positions);
  history_.rpm.push_back({t_s, speed_.take(t_s, step_now(gap)) * plan_.positions / told});
}

// Not locked: from gap to gap, which gaps the counts leave.
void Counter::search(double t_s, bool gap) {
  const std::size_t n = plan_.marks.size();
  if (!gap) {
    if (since_mark_ > plan_.teeth()) {
      forget();
    }
    return;
  }
  if (state_ == EcuState::lost) {
    go(t_s, EcuState::searching);
  }
  std::vector<char> now(n, 0);
  bool any = false;
  for (std::size_t i = 0; i < n && !marks_left_.empty() && since_mark_ >= 0; ++i) {
    if (marks_left_[i] != 0 && plan_.count_after(i) == since_mark_) {
      now[(i + 1) % n] = 1;
      any = true;
    }
  }
  good_marks_ = any ? good_marks_ + 1 : 0;
  marks_left_ = any ? now : std::vector<char>(n, 1);
  since_mark_ = 0;
  const auto left = std::count(marks_left_.begin(), marks_left_.end(), 1);
  if (left == 1 && good_marks_ >= rules_.good_turns * static_cast<int>(n)) {
    mark_ = static_cast<std::size_t>(std::find(marks_left_.begin(), marks_left_.end(), 1) - marks_left_.begin());
    second_turn_ = false;
    cam_votes_ = 0;
    const bool whole = plan_.period_deg >= engine_.cycle_deg;
    go(t_s, whole ? EcuState::cycle : EcuState::revolution);
  }
}

void Counter::arrive(std::size_t mark) {
  const int from = plan_.marks[mark_];
  second_turn_ = second_turn_ != (plan_.marks[mark] <= from);
  mark_ = mark;
  since_mark_ = 0;
}

void Counter::follow(double t_s, bool gap) {
  const std::size_t next = (mark_ + 1) % plan_.marks.size();
  const int expected = plan_.count_after(mark_);
  const int off = since_mark_ - expected;
  const bool lenient = rules_.tolerate_teeth > 0;
  if (gap && std::abs(off) <= rules_.tolerate_teeth) {
    arrive(next);
  } else if (gap && !lenient) {
    lose(t_s, "a gap after " + std::to_string(since_mark_) + " teeth, expected after " + std::to_string(expected));
  } else if (off >= rules_.tolerate_teeth && !gap) {
    lose(t_s, "no gap after " + std::to_string(expected) + " teeth");
  } else if (off > rules_.tolerate_teeth) {
    lose(t_s, "no gap near the tooth where it should be");
  }
}

double Counter::crank_deg(double t_s) const {
  const int raw = plan_.marks[mark_] + since_mark_;
  const bool past = raw >= plan_.teeth();
  const auto at = static_cast<std::size_t>(raw % plan_.teeth());
  const auto next = (at + 1) % plan_.step_deg.size();
  const double rate = interval_s_ > 0 ? plan_.step_deg[at] / interval_s_ : 0;
  const double since_deg = std::min((t_s - last_s_.value_or(t_s)) * rate, plan_.step_deg[next]);
  const double turn_deg = second_turn_ != past ? plan_.period_deg : 0;
  return wrap_deg(engine_.crank.teeth[at].angle_deg - engine_.crank.trigger_offset_deg + turn_deg + since_deg,
                  engine_.cycle_deg);
}

void Counter::take_cam(const EcuEdge& edge) {
  const CamPattern& cam = engine_.cams[static_cast<std::size_t>(edge.input)];
  if (!locked() || cam.turns_with_crank) {
    return;
  }
  const double here_deg = crank_deg(edge.t_s);
  // Which edge of a phased cam it is, the phase before tells: that hardly changes from edge to edge.
  std::vector<EcuReading>& readings = history_.cam_deg[static_cast<std::size_t>(edge.input)];
  const double before_deg = readings.empty() ? 0 : readings.back().value;
  const auto off_before = [&](double away_deg) { return std::fabs(away_deg - before_deg); };
  const auto nearest = [&](double at_deg) {
    std::optional<double> best;
    for (const CamEdge& known : cam.edges) {
      const double away = wrap_signed_deg(at_deg - known.angle_deg, engine_.cycle_deg);
      const bool fits = away > cam.phaser_min_deg - cam.tolerance_deg && away < cam.phaser_max_deg + cam.tolerance_deg;
      if ((known.edge == ActiveEdge::rising) == edge.rising && fits &&
          (!best || off_before(away) < off_before(*best))) {
        best = away;
      }
    }
    return best;
  };
  const std::optional<double> this_turn = nearest(here_deg);
  const std::optional<double> other_turn = nearest(wrap_deg(here_deg + deg_per_rev, engine_.cycle_deg));
  if (state_ == EcuState::cycle && this_turn) {
    readings.push_back({edge.t_s, *this_turn});
  }
  if (plan_.period_deg < engine_.cycle_deg && this_turn.has_value() != other_turn.has_value()) {
    vote(edge.t_s, this_turn.has_value());
  }
}

void Counter::vote(double t_s, bool for_this_turn) {
  const bool same_way = for_this_turn ? cam_votes_ >= 0 : cam_votes_ <= 0;
  cam_votes_ = (same_way ? cam_votes_ : 0) + (for_this_turn ? 1 : -1);
  cam_votes_ = std::clamp(cam_votes_, -rules_.cam_edges, rules_.cam_edges);
  if (std::abs(cam_votes_) < rules_.cam_edges) {
    return;
  }
  if (state_ == EcuState::cycle && cam_votes_ < 0) {
    lose(t_s, "cam edges say the other turn");
  } else if (state_ == EcuState::revolution) {
    second_turn_ = second_turn_ != (cam_votes_ < 0);
    cam_votes_ = rules_.cam_edges;
    go(t_s, EcuState::cycle);
  }
}

}  // namespace

bool can_count(const Engine& engine) {
  return engine.crank.teeth.size() > 1 && !plan_of(engine, 0).marks.empty();
}

std::vector<EcuEdge> ecu_edges(const Engine& engine, const Wires& wires) {
  std::vector<EcuEdge> edges;
  const bool crank_rising = engine.crank.active_edge == ActiveEdge::rising;
  for (const Toggle& toggle : wires.crank.toggles) {
    if (toggle.keep == Keep::yes && toggle.rising == crank_rising) {
      edges.push_back({toggle.t_s, crank_input, toggle.rising});
    }
  }
  for (std::size_t i = 0; i < wires.cams.size(); ++i) {
    for (const Toggle& toggle : wires.cams[i].toggles) {
      if (toggle.keep == Keep::yes) {
        edges.push_back({toggle.t_s, static_cast<int>(i), toggle.rising});
      }
    }
  }
  std::stable_sort(edges.begin(), edges.end(), [](const EcuEdge& a, const EcuEdge& b) { return a.t_s < b.t_s; });
  return edges;
}

EcuHistory count_teeth(const Engine& engine, const EcuCounter& counter, std::span<const EcuEdge> edges, double end_s,
                       const std::vector<TimedStep>& off, const std::vector<TimedStep>& speed_teeth) {
  Counter ecu(engine, counter, speed_teeth);
  ecu.switch_on(0);
  std::size_t dip = 0;
  bool is_off = false;
  const auto supply_until = [&](double t_s) {
    while (dip < off.size() && (is_off ? off[dip].to_s : off[dip].from_s) <= t_s) {
      if (is_off) {
        ecu.switch_on(off[dip].to_s);
        ++dip;
      } else {
        ecu.wait(off[dip].from_s);
        ecu.switch_off(off[dip].from_s);
      }
      is_off = !is_off;
    }
  };
  for (const EcuEdge& edge : edges) {
    supply_until(edge.t_s);
    if (!is_off) {
      ecu.take(edge);
    }
  }
  supply_until(end_s);
  ecu.wait(end_s);
  return ecu.finish();
}

}  // namespace cw::sim
