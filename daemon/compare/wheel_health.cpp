#include "compare/wheel_health.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>
#include <set>
#include <utility>

#include "compare/robust.hpp"
#include "geometry/angle.hpp"

namespace cw {

namespace {

constexpr int harmonics_masked = 4;
constexpr double steady_share = 0.005;
constexpr double averaged_events = 64;
constexpr double events_least = 16;
constexpr double events_to_correct = 32;
constexpr std::size_t spare_teeth = 4;  // beyond what is fitted, and at least a quarter of all
constexpr double speeds_ratio = 1.5;
constexpr double sigmas_95 = 1.96;
constexpr int judge_every = 4;
constexpr double learning_rpm = 600;
constexpr double correction_rpm = 1000;  // faster than this: what a slow crank does within a turn is no pitch error
constexpr double clip_sigmas = 4;
constexpr std::size_t open_teeth_most = 4;

double radians(double deg) {
  return deg * std::numbers::pi / (deg_per_rev / 2);
}

bool fires_evenly(const Engine& engine) {
  const std::vector<double> steps = firing_steps_deg(engine);
  constexpr double same_deg = 0.5;
  return std::all_of(steps.begin(), steps.end(),
                     [&](double step) { return std::fabs(step - steps.front()) < same_deg; });
}

}  // namespace

std::vector<int> masked_orders(const Engine& engine) {
  const double turns = engine.cycle_deg / deg_per_rev;
  const double wheel_turns = engine.crank.period_deg / deg_per_rev;  // crank turns to a turn of the wheel
  const double firings = static_cast<double>(firing_steps_deg(engine).size()) / turns * wheel_turns;
  const double base = fires_evenly(engine) ? firings : 1;
  const int positions = std::max(engine.crank.positions, static_cast<int>(engine.crank.teeth.size()));
  std::set<int> orders;
  for (int k = 1; k * base <= harmonics_masked * firings + 1e-9; ++k) {
    const double order = k * base;
    const int whole = static_cast<int>(std::lround(order));
    if (std::fabs(order - whole) > 1e-6) {
      continue;  // half orders cancel over two turns
    }
    const int alias =
        std::abs(whole - positions * static_cast<int>(std::lround(static_cast<double>(whole) / positions)));
    if (alias > 0) {
      orders.insert(alias);
    }
  }
  return {orders.begin(), orders.end()};
}

WheelHealth::WheelHealth(const Engine& engine, std::uint64_t& next_id)
    : engine_(engine), next_id_(next_id), cycle_(tooth_cycle(engine)), masked_(masked_orders(engine)) {
  const std::size_t teeth = engine.crank.teeth.size();
  teeth_.resize(teeth);
  open_teeth_.resize(teeth);
  run_out_seen_ = std::find(masked_.begin(), masked_.end(), 1) == masked_.end();
  const std::size_t fitted = 1 + 2 * masked_.size() + (run_out_seen_ ? 2 : 0);
  possible_ = teeth >= fitted + std::max(spare_teeth, teeth / 4);
}

bool WheelHealth::steady(const ToothTimesEvent& event) const {
  const std::size_t teeth = cycle_.teeth.size();
  if (event.t_ns.size() != 2 * teeth + 1) {
    return false;
  }
  const auto first = static_cast<double>(event.t_ns[teeth] - event.t_ns[0]);
  const auto second = static_cast<double>(event.t_ns[2 * teeth] - event.t_ns[teeth]);
  return std::fabs(second - first) < steady_share * first &&
         rpm_at(first / cycle_.cycle_deg) > std::max(learning_rpm, engine_.limits.running_rpm);
}

// How late each tooth of the two cycles comes.
std::vector<double> WheelHealth::late_of(const ToothTimesEvent& event) {
  const std::size_t teeth = cycle_.teeth.size();
  const auto first = static_cast<double>(event.t_ns[teeth] - event.t_ns[0]);
  const auto both = static_cast<double>(event.t_ns[2 * teeth] - event.t_ns[0]);
  // t(x) = a x + b x^2 with x in cycles, through (1, first) and (2, both).
  const double b = (both - 2 * first) / 2;
  const double a = first - b;
  rpm_ = rpm_at(both / (2 * cycle_.cycle_deg));
  std::vector<double> late;
  late.reserve(2 * teeth);
  double x = 0;
  std::size_t tooth = event.first;
  for (std::size_t i = 0; i < 2 * teeth; ++i) {
    const auto t = static_cast<double>(event.t_ns[i] - event.t_ns[0]);
    const double ns_per_deg = (a + 2 * b * x) / cycle_.cycle_deg;
    late.push_back((t - (a * x + b * x * x)) / ns_per_deg);
    x += cycle_.teeth[tooth].step_deg / cycle_.cycle_deg;
    tooth = tooth + 1 == teeth ? 0 : tooth + 1;
  }
  return late;
}

// From one cycle to the next each tooth against its neighbours: what the speed does they share.
void WheelHealth::add_scatter(const ToothTimesEvent& event, const std::vector<double>& late_deg) {
  const std::size_t cycle_teeth = cycle_.teeth.size();
  const double follow = 1 / std::min(events_ + 1, averaged_events);
  const auto change = [&](std::size_t i) { return late_deg[i + cycle_teeth] - late_deg[i]; };
  for (std::size_t i = 1; i + 1 < cycle_teeth; ++i) {
    Tooth& tooth = teeth_[(event.first + i) % teeth_.size()];
    // Four readings with weights 1, -1 (two cycles) x 1, -1/2, -1/2: variance 3 of one reading.
    constexpr double variances = 3;
    const double apart = change(i) - (change(i - 1) + change(i + 1)) / 2;
    tooth.scatter_square_deg += follow * (apart * apart / variances - tooth.scatter_square_deg);
    if (!event.duty.empty() && event.duty[i] >= 0) {
      tooth.duties = std::min(tooth.duties + 1, averaged_events);
      tooth.duty += (static_cast<double>(event.duty[i]) - tooth.duty) / tooth.duties;
    }
  }
}

void WheelHealth::average(const ToothTimesEvent& event) {
  const std::vector<double> late = late_of(event);
  std::vector<double> sum(teeth_.size(), 0.0);
  const double repeats = static_cast<double>(late.size()) / static_cast<double>(teeth_.size());
  double mean = 0;
  for (std::size_t i = 0; i < late.size(); ++i) {
    sum[(event.first + i) % teeth_.size()] += late[i] / repeats;
    mean += late[i] / static_cast<double>(late.size());
  }
  add_scatter(event, late);
  events_ += 1;
  const double follow = 1 / std::min(events_, averaged_events);
  for (std::size_t i = 0; i < teeth_.size(); ++i) {
    Tooth& tooth = teeth_[i];
    double off = sum[i] - mean - tooth.late_deg;
    if (events_ > events_least) {
      // One odd turn does not move the mean.
      const double most = std::max(clip_sigmas * std::sqrt(tooth.square_deg), engine_.limits.tooth_error_deg);
      off = std::clamp(off, -most, most);
    }
    tooth.late_deg += follow * off;
    // The first is the mean so far and says nothing of the scatter.
    tooth.square_deg += events_ > 1 ? follow * (off * off - tooth.square_deg) : 0;
    sum[i] -= mean;
  }
  if (run_out_seen_) {
    const Wave wave = fit(sum, std::vector<bool>(teeth_.size(), false)).run_out;
    const double x = (1000 / rpm_) * (1000 / rpm_);
    waves_.count += 1;
    waves_.x += x;
    waves_.xx += x * x;
    waves_.sum.cos_deg += wave.cos_deg;
    waves_.sum.sin_deg += wave.sin_deg;
    waves_.product.cos_deg += x * wave.cos_deg;
    waves_.product.sin_deg += x * wave.sin_deg;
  }
  rpm_least_ = turns_ == 0 ? rpm_ : std::min(rpm_least_, rpm_);
  rpm_greatest_ = std::max(rpm_greatest_, rpm_);
  turns_ += static_cast<std::uint64_t>(repeats);
}

WheelHealth::Fit WheelHealth::fit(const std::vector<double>& late_deg, const std::vector<bool>& left_out) {
  if (!waves_of_teeth_ || waves_of_teeth_->left_out() != left_out) {
    waves_of_teeth_.emplace(wave_rows(), left_out);
  }
  const std::vector<double> solved = waves_of_teeth_->solve(late_deg);
  const std::size_t masked_terms = 1 + 2 * masked_.size();
  Fit result;
  result.error_deg.reserve(teeth_.size());
  if (run_out_seen_) {
    result.run_out = {solved[solved.size() - 2], solved.back()};
  }
  for (std::size_t i = 0; i < teeth_.size(); ++i) {
    const std::span<const double> row = waves_of_teeth_->row(i);
    double hidden = 0;
    for (std::size_t k = 0; k < masked_terms; ++k) {
      hidden += row[k] * solved[k];
    }
    result.error_deg.push_back(late_deg[i] - hidden);
  }
  return result;
}

// Of each tooth the waves a turn of the wheel: a constant, those that are masked, and run-out.
std::vector<std::vector<double>> WheelHealth::wave_rows() const {
  std::vector<std::vector<double>> rows;
  for (std::size_t i = 0; i < teeth_.size(); ++i) {
    const double turn_deg = engine_.crank.teeth[i].angle_deg * deg_per_rev / engine_.crank.period_deg;
    std::vector<double> row = {1};
    for (const int order : masked_) {
      row.push_back(std::cos(radians(order * turn_deg)));
      row.push_back(std::sin(radians(order * turn_deg)));
    }
    if (run_out_seen_) {
      row.push_back(std::cos(radians(turn_deg)));
      row.push_back(std::sin(radians(turn_deg)));
    }
    rows.push_back(std::move(row));
  }
  return rows;
}

bool WheelHealth::speeds_differ() const {
  return rpm_greatest_ > speeds_ratio * rpm_least_;
}

// The part of the wave that is the same at all speeds; as it is where speeds do not differ.
WheelHealth::Wave WheelHealth::lasting_run_out(const Fit& fit) const {
  const double spread = waves_.count * waves_.xx - waves_.x * waves_.x;
  if (!speeds_differ() || spread <= 0) {
    return fit.run_out;
  }
  return {(waves_.xx * waves_.sum.cos_deg - waves_.x * waves_.product.cos_deg) / spread,
          (waves_.xx * waves_.sum.sin_deg - waves_.x * waves_.product.sin_deg) / spread};
}

std::optional<double> WheelHealth::take_correction_change_deg() {
  return std::exchange(correction_change_deg_, std::nullopt);
}

void WheelHealth::take(const ToothTimesEvent& event, std::vector<Finding>& out) {
  if (!possible_ || !steady(event)) {
    return;
  }
  if (events_ == 0) {
    first_ns_ = event.t_ns.front();
  }
  average(event);
  if (events_ >= events_least && std::lround(events_) % judge_every == 0) {
    judge(event, out);
  }
}

void WheelHealth::judge(const ToothTimesEvent& event, std::vector<Finding>& out) {
  std::vector<double> late;
  for (const Tooth& tooth : teeth_) {
    late.push_back(tooth.late_deg);
  }
  std::vector<bool> left_out(teeth_.size(), false);
  Fit now = fit(late, left_out);
  // Teeth far outside are left out of the waves, so that these don't follow them: beyond the outer quartile fences (three
  // interquartile ranges; NIST e-Handbook 7.1.6) of what is left beside run-out, twice.
  for (int round = 0; round < 2; ++round) {
    off_deg_.clear();
    for (std::size_t i = 0; i < teeth_.size(); ++i) {
      const double turn = radians(engine_.crank.teeth[i].angle_deg * deg_per_rev / engine_.crank.period_deg);
      off_deg_.push_back(now.error_deg[i] - now.run_out.cos_deg * std::cos(turn) -
                         now.run_out.sin_deg * std::sin(turn));
    }
    const Fences fences = outer_fences(off_deg_);
    std::size_t out_of_place = 0;
    for (std::size_t i = 0; i < teeth_.size(); ++i) {
      left_out[i] = off_deg_[i] < fences.low || off_deg_[i] > fences.high;
      out_of_place += left_out[i] ? 1 : 0;
    }
    if (out_of_place > open_teeth_most) {
      break;  // a rough wheel, no single teeth
    }
    now = fit(late, left_out);
  }
  const Wave run_out = lasting_run_out(now);
  WheelShape shape;
  shape.turns = turns_;
  shape.rpm_least = rpm_least_;
  shape.rpm_greatest = rpm_greatest_;
  shape.run_out_deg = std::hypot(run_out.cos_deg, run_out.sin_deg);
  shape.run_out_phase_deg =
      wrap_deg(std::atan2(run_out.sin_deg, run_out.cos_deg) * (deg_per_rev / 2) / std::numbers::pi, deg_per_rev);
  shape.masked_orders = masked_;
  for (std::size_t i = 0; i < teeth_.size(); ++i) {
    ToothShape tooth;
    tooth.tooth = engine_.crank.teeth[i].number;
    tooth.error_deg = now.error_deg[i];
    tooth.uncertainty_deg = sigmas_95 * std::sqrt(teeth_[i].square_deg / std::min(events_, averaged_events));
    tooth.scatter_deg = std::sqrt(teeth_[i].scatter_square_deg);
    if (teeth_[i].duties > 0) {
      tooth.duty = teeth_[i].duty;
    }
    shape.teeth.push_back(tooth);
  }
  shape_ = std::move(shape);
  judge_run_out(event, out);
  judge_teeth(event, off_deg_, out);
  correct();
}

Finding WheelHealth::base(FindingKind kind, Circumstance circumstance, const ToothTimesEvent& event) const {
  Finding finding;
  apply(attribute(kind, circumstance), kind, finding);
  finding.phase = FindingPhase::open;
  finding.start_ns = first_ns_;
  finding.end_ns = event.t_ns.back();
  finding.cycle = event.cycle;
  finding.channel = engine_.crank.channel;
  finding.rpm = rpm_;
  return finding;
}

void WheelHealth::judge_run_out(const ToothTimesEvent& event, std::vector<Finding>& out) {
  const double amplitude = shape_->run_out_deg;
  if (open_run_out_ && amplitude < engine_.limits.hysteresis * engine_.limits.run_out_deg) {
    out.push_back(closed(*std::exchange(open_run_out_, std::nullopt), event.t_ns.back()));
    return;
  }
  // A second speed tells whose it is: told again, with the same id.
  const bool known = speeds_differ();
  const bool seen_better = open_run_out_ && known && open_run_out_->attribution == Attribution::undecided;
  if (!run_out_seen_ || amplitude < engine_.limits.run_out_deg || (open_run_out_ && !seen_better)) {
    return;
  }
  Finding finding = base(FindingKind::wheel_run_out, known ? Circumstance::any : Circumstance::order_one_unsure, event);
  finding.id = open_run_out_ ? open_run_out_->id : next_id_++;
  finding.values = {{"run_out_deg", amplitude},
                    {"run_out_phase_deg", shape_->run_out_phase_deg},
                    {"turns", static_cast<double>(turns_)},
                    {"least_rpm", rpm_least_},
                    {"greatest_rpm", rpm_greatest_}};
  open_run_out_ = finding;
  out.push_back(std::move(finding));
}

void WheelHealth::judge_teeth(const ToothTimesEvent& event, const std::vector<double>& off_deg,
                              std::vector<Finding>& out) {
  if (early_deg_.empty() && events_ >= events_to_correct) {
    early_deg_ = off_deg;
  }
  const double limit = engine_.limits.tooth_error_deg;
  std::vector<std::size_t> off;
  for (std::size_t i = 0; i < off_deg.size(); ++i) {
    const bool moved = !early_deg_.empty() && std::fabs(off_deg[i] - early_deg_[i]) > limit;
    if (std::fabs(off_deg[i]) > limit || moved) {
      off.push_back(i);
    } else if (open_teeth_[i] && std::fabs(off_deg[i]) < engine_.limits.hysteresis * limit) {
      out.push_back(closed(*std::exchange(open_teeth_[i], std::nullopt), event.t_ns.back()));
    }
  }
  if (off.size() > open_teeth_most) {
    return;  // no single teeth
  }
  for (const std::size_t i : off) {
    if (open_teeth_[i]) {
      continue;
    }
    const bool moved = !early_deg_.empty() && std::fabs(off_deg[i] - early_deg_[i]) > limit;
    Finding finding =
        base(FindingKind::damaged_tooth, moved ? Circumstance::tooth_moved : Circumstance::tooth_out_of_place, event);
    finding.id = next_id_++;
    finding.tooth = engine_.crank.teeth[i].number;
    finding.values = {{"error_deg", off_deg[i]},
                      {"uncertainty_deg", shape_->teeth[i].uncertainty_deg},
                      {"scatter_deg", shape_->teeth[i].scatter_deg},
                      {"turns", static_cast<double>(turns_)}};
    if (moved) {
      finding.values.emplace_back("before_deg", early_deg_[i]);
    }
    open_teeth_[i] = finding;
    out.push_back(std::move(finding));
  }
}

void WheelHealth::correct() {
  if (events_ < events_to_correct || std::lround(events_) % std::lround(events_least) != 0 ||
      rpm_greatest_ < correction_rpm) {
    return;
  }
  const bool whole = run_out_seen_ && speeds_differ();
  std::vector<double> now;
  double change = 0;
  for (std::size_t i = 0; i < teeth_.size(); ++i) {
    const double turn_deg = engine_.crank.teeth[i].angle_deg * deg_per_rev / engine_.crank.period_deg;
    const double run_out = whole ? shape_->run_out_deg * std::cos(radians(turn_deg - shape_->run_out_phase_deg)) : 0;
    now.push_back(off_deg_[i] + run_out);
    change = std::max(change, std::fabs(now[i] - (correction_deg_.empty() ? 0 : correction_deg_[i])));
  }
  // N teeth off by s each: the cosine and the sine of a wave have the variance 2 s^2 / N each, and at one angle the wave 2 s^2 / N.
  const double seen = static_cast<double>(teeth_.size()) - 1 - 2 * static_cast<double>(masked_.size());
  const double square =
      std::inner_product(off_deg_.begin(), off_deg_.end(), off_deg_.begin(), 0.0) / std::max(seen, 1.0);
  const double waves = 2 * static_cast<double>(masked_.size()) / static_cast<double>(teeth_.size());
  hidden_deg_ = std::hypot(sigmas_95 * std::sqrt(square * waves), whole ? 0 : shape_->run_out_deg);
  correction_deg_ = std::move(now);
  correction_change_deg_ = std::max(change, correction_change_deg_.value_or(0));
}

}  // namespace cw
