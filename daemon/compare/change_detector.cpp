#include "compare/change_detector.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "compare/allan.hpp"
#include "compare/robust.hpp"

namespace cw {

namespace {

constexpr double s_per_ns = 1e-9;
constexpr double block_s = 1;
constexpr std::size_t block_readings = 8;
constexpr double block_s_most = 20;
constexpr std::size_t block_readings_most = 1000;
constexpr double steady_ratio = 1.05;  // greatest to least speed within a block

constexpr double speed_least_rpm = 50;
constexpr double speed_step = 1.1;
constexpr std::size_t speeds = 66;  // to 26,000 rpm
constexpr double slope_speeds_ratio = 1.3;

constexpr int level_blocks = 10;
constexpr double anchor_follow = 0.2;

constexpr std::size_t noise_blocks = 480;
constexpr std::size_t noise_blocks_least = 10;
constexpr int noise_every = 60;
constexpr double noise_spreads = 4;
constexpr double noise_least_share = 1e-3;  // of the change: what is quieter is a made-up signal

constexpr double false_alarm_blocks = 3.6e8;  // 100,000 hours of a block a second, to one side
constexpr double blocks_least = 5;            // allowances to add up; one block adds two at most
constexpr double block_most = 3;              // allowances
constexpr int settle_blocks = 5;
constexpr double told_share = 0.75;      // of the change, that the latest blocks must stand away by
constexpr std::size_t blocks_after = 3;  // of a step, at least

constexpr std::size_t history_most = 512;
constexpr std::size_t history_old = 384;  // of them
constexpr std::size_t history_thinned = 256;
constexpr std::size_t recent_blocks = 5;
constexpr std::size_t open_most = 8;
constexpr double quiet_s_least = 60;
constexpr double quiet_s_most = 7200;
constexpr double quiet_changes = 3;
constexpr double sigmas_95 = 1.96;

std::size_t speed_index(double rpm) {
  const double steps = std::log(std::max(rpm, speed_least_rpm) / speed_least_rpm) / std::log(speed_step);
  return std::min(speeds - 1, static_cast<std::size_t>(steps));
}

}  // namespace

void ChangeDetector::take(const Reading& reading, std::vector<Change>& out) {
  const bool late =
      !readings_.empty() && static_cast<double>(reading.t_ns - readings_.front().t_ns) * s_per_ns > block_s_most;
  if (late || (!readings_.empty() && reading.t_ns < readings_.back().t_ns)) {
    break_off();
  }
  readings_.push_back(reading);
  const double span_s = static_cast<double>(reading.t_ns - readings_.front().t_ns) * s_per_ns;
  if ((span_s >= block_s && readings_.size() >= block_readings) || readings_.size() >= block_readings_most) {
    close_block(out);
  }
}

void ChangeDetector::break_off() {
  readings_.clear();
}

void ChangeDetector::close_block(std::vector<Change>& out) {
  std::vector<double> values;
  values.reserve(readings_.size());
  double rpm = 0;
  for (const Reading& reading : readings_) {
    values.push_back(reading.value);
    rpm += reading.rpm / static_cast<double>(readings_.size());
  }
  const auto [least, most] = std::minmax_element(readings_.begin(), readings_.end(),
                                                 [](const Reading& a, const Reading& b) { return a.rpm < b.rpm; });
  const bool steady = least->rpm > 0 && most->rpm <= steady_ratio * least->rpm;
  now_.first_ns = readings_.front().t_ns;
  now_.last_ns = readings_.back().t_ns;
  now_.rpm = readings_.front().rpm;
  readings_.clear();
  if (steady) {
    judge(robust_mean(values).mean, rpm, out);
  }
}

void ChangeDetector::judge(double value, double rpm, std::vector<Change>& out) {
  levels_.resize(speeds);
  Level& level = levels_[speed_index(rpm)];
  const double seen = value - allowed_;
  ++blocks_;
  if (!learn(level, seen, rpm)) {
    return;
  }
  const double base = level_at(level, rpm);
  const double residual = seen - base - told_;
  anchor_ += anchor_follow * (residual - anchor_);
  remember(residual);
  if (!noise_) {
    if (blocks_ >= limits_.learn_s) {
      learn_noise();
    }
    return;
  }
  watch_quiet(static_cast<double>(now_.last_ns - now_.first_ns) * s_per_ns, out);
  if (settling_ > 0) {
    if (--settling_ == 0) {
      decide(rpm, base, out);
    }
    return;
  }
  if (cusum_.take(residual, plan_) != 0) {
    settling_ = settle_blocks;
  }
  if (++noise_due_ >= noise_every) {
    learn_noise();
  }
}

// Whether the level of this speed was known before this block.
bool ChangeDetector::learn(Level& level, double seen, double rpm) {
  if (level.known) {
    return true;
  }
  if (settling_ > 0 || std::max(cusum_.high, cusum_.low) > plan_.allowance) {
    return false;  // what it would be learned against may be changing
  }
  level.seen.push_back(seen - told_ - anchor_);
  level.rpm += (rpm - level.rpm) / static_cast<double>(level.seen.size());
  if (level.seen.size() < level_blocks) {
    return false;
  }
  level.mean = robust_mean(level.seen).mean;
  level.known = true;
  level.known_ns = now_.last_ns;
  if (!noise_) {
    for (const double one : level.seen) {
      recent_.push_back(one - level.mean);
    }
  }
  level.seen = {};
  learn_slope();
  return false;
}

// Least squares through the known levels.
void ChangeDetector::learn_slope() {
  double count = 0;
  double rpm = 0;
  double mean = 0;
  double least = 1e300;
  double most = 0;
  for (const Level& level : levels_) {
    if (level.known) {
      ++count;
      rpm += level.rpm;
      mean += level.mean;
      least = std::min(least, level.rpm);
      most = std::max(most, level.rpm);
    }
  }
  slope_ = 0;
  if (count < 2 || most < slope_speeds_ratio * least) {
    return;
  }
  double squares = 0;
  double products = 0;
  for (const Level& level : levels_) {
    if (level.known) {
      squares += (level.rpm - rpm / count) * (level.rpm - rpm / count);
      products += (level.rpm - rpm / count) * (level.mean - mean / count);
    }
  }
  slope_ = products / squares;
}

void ChangeDetector::learn_noise() {
  noise_due_ = 0;
  if (recent_.size() < noise_blocks_least) {
    return;
  }
  const RobustMean usual = robust_mean(recent_);
  std::vector<double> kept = recent_;
  const double spread = std::max(usual.spread, noise_least_share * limits_.change);
  for (double& one : kept) {
    one = std::clamp(one, usual.mean - noise_spreads * spread, usual.mean + noise_spreads * spread);
  }
  // Few blocks tell the noise badly: taken as large as it may well be.
  constexpr double unsure = 3;
  const double seen = std::max(long_run_deviation(kept).value_or(spread), noise_least_share * limits_.change);
  noise_ = seen * (1 + unsure / std::sqrt(static_cast<double>(kept.size())));
  plan_cusum();
}

void ChangeDetector::plan_cusum() {
  if (!noise_) {
    return;
  }
  plan_.allowance = std::max(limits_.change / 2, *noise_);
  plan_.threshold = std::max(blocks_least * plan_.allowance,
                             *noise_ * cusum_threshold(plan_.allowance / *noise_, false_alarm_blocks));
  plan_.value_most = block_most * plan_.allowance;
}

void ChangeDetector::remember(double residual) {
  const double length_s = static_cast<double>(now_.last_ns - now_.first_ns) * s_per_ns;
  running_s_ += length_s;
  now_.at_s = running_s_ - length_s / 2;
  now_.residual = residual;
  now_.weight = 1;
  history_.push_back(now_);
  recent_.push_back(residual);
  if (recent_.size() > noise_blocks) {
    recent_.erase(recent_.begin());
  }
  if (history_.size() >= history_most) {
    thin_history();
  }
}

// What is long past is kept more coarsely, but all of it about alike, so that a drift of hours keeps its shape.
void ChangeDetector::thin_history() {
  std::vector<Block> kept;
  for (double weight_most = 2; kept.empty() || kept.size() > history_thinned; weight_most *= 2) {
    kept.clear();
    for (std::size_t i = 0; i < history_old; ++i) {
      const Block& next = history_[i];
      if (kept.empty() || kept.back().weight + next.weight > weight_most) {
        kept.push_back(next);
        continue;
      }
      Block& last = kept.back();
      const double weight = last.weight + next.weight;
      last.at_s = (last.at_s * last.weight + next.at_s * next.weight) / weight;
      last.residual = (last.residual * last.weight + next.residual * next.weight) / weight;
      last.weight = weight;
      last.last_ns = next.last_ns;
    }
  }
  kept.insert(kept.end(), history_.begin() + history_old, history_.end());
  history_ = std::move(kept);
}

std::optional<double> ChangeDetector::unsaid() const {
  if (history_.size() < recent_blocks) {
    return std::nullopt;
  }
  std::vector<double> last;
  for (std::size_t i = history_.size() - recent_blocks; i < history_.size(); ++i) {
    last.push_back(history_[i].residual);
  }
  return median(std::move(last));
}

std::optional<double> ChangeDetector::offset() const {
  return noise_ ? std::optional(told_ + unsaid().value_or(0)) : std::nullopt;
}

// Nothing, then a level: what is left of the squares is least where (sum after)^2 / (weight after) is greatest.
ChangeDetector::Fit ChangeDetector::best_step() const {
  Fit best;
  double weight = 0;
  double sum = 0;
  for (std::size_t i = history_.size(); i-- > 0;) {
    weight += history_[i].weight;
    sum += history_[i].weight * history_[i].residual;
    const double gain = sum * sum / weight;
    if (gain > best.gain && history_.size() - i >= blocks_after) {
      best = {gain, sum / weight, i};
    }
  }
  return best;
}

// Nothing, then a slope from the middle of some block on.
ChangeDetector::Fit ChangeDetector::best_hinge() const {
  Fit best;
  double weight = 0;
  double x = 0;
  double xx = 0;
  double y = 0;
  double xy = 0;
  for (std::size_t i = history_.size(); i-- > 0;) {
    const Block& block = history_[i];
    weight += block.weight;
    x += block.weight * block.at_s;
    xx += block.weight * block.at_s * block.at_s;
    y += block.weight * block.residual;
    xy += block.weight * block.at_s * block.residual;
    const double from = block.at_s;
    const double squares = xx - 2 * from * x + from * from * weight;
    const double products = xy - from * y;
    if (squares > 0 && products * products / squares > best.gain && history_.size() - i > blocks_after) {
      best = {products * products / squares, products / squares, i};
    }
  }
  return best;
}

void ChangeDetector::decide(double rpm, double level, std::vector<Change>& out) {
  cusum_ = {};
  const double now = unsaid().value_or(0);
  // It has gone back by itself, or is less than what is to be reported: a level learned from few seconds that hang together
  // may be off by half of that.
  if (history_.empty() || std::fabs(now) < std::max(plan_.allowance, told_share * limits_.change)) {
    return;
  }
  if (slow_change_ > 0) {
    decide_slowly(rpm, level, now, out);
    return;
  }
  const Fit step = best_step();
  const Fit hinge = best_hinge();
  const ChangeKind kind = step.gain >= hinge.gain ? ChangeKind::step : ChangeKind::drift;
  const Fit& fit = kind == ChangeKind::step ? step : hinge;
  Change change;
  change.kind = kind;
  change.from = level + told_ + allowed_;
  change.to = change.from + now;
  change.uncertainty = sigmas_95 * *noise_ / std::sqrt(static_cast<double>(recent_blocks));
  change.rate_per_s = kind == ChangeKind::drift ? fit.size : 0;
  change.begin_ns = kind == ChangeKind::step && fit.at > 0 ? history_[fit.at - 1].last_ns : history_[fit.at].first_ns;
  change.end_ns = kind == ChangeKind::step ? history_[fit.at].first_ns : now_.last_ns;
  change.rpm = rpm;
  if (kind == ChangeKind::step) {
    // The blocks of the step say nothing of the noise.
    recent_.resize(recent_.size() - std::min(recent_.size(), history_.size() - fit.at));
  }
  forget_levels_since(change.begin_ns);
  told_ += now;
  anchor_ = 0;
  history_.clear();
  tell(change, level + allowed_, out);
}

// A speed that was learned since then was learned changed.
void ChangeDetector::forget_levels_since(std::int64_t t_ns) {
  for (Level& one : levels_) {
    if (!one.known || one.known_ns >= t_ns) {
      one = {};
    }
  }
}

ChangeDetector::Jump ChangeDetector::jump_at(std::size_t at) const {
  constexpr std::int64_t between_ns = 5'000'000'000;
  constexpr std::int64_t together_ns = 60'000'000'000;
  constexpr double sigmas = 6;  // many places are looked at
  constexpr double same_speed = 1.05;
  const std::size_t first = at - std::min(at, recent_blocks);
  const std::size_t end = std::min(at + recent_blocks, history_.size());
  const auto [slowest, fastest] = std::minmax_element(history_.begin() + static_cast<std::ptrdiff_t>(first),
                                                      history_.begin() + static_cast<std::ptrdiff_t>(end),
                                                      [](const Block& a, const Block& b) { return a.rpm < b.rpm; });
  if (fastest->rpm > same_speed * slowest->rpm) {
    return {};
  }
  // Over a stretch of unsteady speed what came little by little would look so.
  if (history_[at].first_ns - history_[at - 1].last_ns > between_ns ||
      history_[end - 1].last_ns - history_[first].first_ns > together_ns) {
    return {};
  }
  const auto mean = [this](std::size_t from, std::size_t to) {
    double sum = 0;
    for (std::size_t i = from; i < to; ++i) {
      sum += history_[i].residual;
    }
    return sum / static_cast<double>(to - from);
  };
  const double before = mean(first, at);
  const double after = mean(at, end);
  double squares = 0;
  for (std::size_t i = first; i < end; ++i) {
    const double off = history_[i].residual - (i < at ? before : after);
    squares += off * off;
  }
  const double sd = std::sqrt(squares / static_cast<double>(end - first - 2));
  const double noise = sd * std::sqrt(1 / static_cast<double>(at - first) + 1 / static_cast<double>(end - at));
  return std::fabs(after - before) > sigmas * noise ? Jump{after - before, at} : Jump{};
}

ChangeDetector::Jump ChangeDetector::greatest_jump() const {
  constexpr std::size_t blocks_least = 3;
  Jump greatest;
  for (std::size_t at = blocks_least; at + blocks_least <= history_.size(); ++at) {
    const Jump jump = jump_at(at);
    greatest = std::fabs(jump.size) > std::fabs(greatest.size) ? jump : greatest;
  }
  return greatest;
}

// What came at once is told, the rest is followed in silence until it has come to much.
void ChangeDetector::decide_slowly(double rpm, double level, double now, std::vector<Change>& out) {
  const Jump jump = greatest_jump();
  const bool at_once = std::fabs(jump.size) >= limits_.change;
  const double slow = at_once ? now - jump.size : now;
  Change change;
  change.rpm = rpm;
  change.to = level + told_ + allowed_ + now;
  change.uncertainty = sigmas_95 * *noise_ / std::sqrt(static_cast<double>(recent_blocks));
  change.begin_ns = at_once ? history_[jump.at - 1].last_ns : history_.front().first_ns;
  change.end_ns = at_once ? history_[jump.at].first_ns : now_.last_ns;
  followed_ += slow;
  const bool much = !at_once && std::fabs(followed_) >= slow_change_;
  forget_levels_since(change.begin_ns);
  anchor_ = 0;
  history_.clear();
  if (much) {
    change.kind = ChangeKind::drift;
    change.from = change.to - followed_;
    change.rate_per_s = slow / std::max(1e-9 * static_cast<double>(change.end_ns - change.begin_ns), 1.0);
    allowed_ -= followed_ - slow;
    told_ += followed_;
    followed_ = 0;
  } else {
    change.from = change.to - jump.size;
    allowed_ += slow;
    told_ += at_once ? jump.size : 0;
  }
  if (at_once || much) {
    tell(change, level + allowed_, out);
  }
}

void ChangeDetector::tell(Change change, double base, std::vector<Change>& out) {
  if (!open_.empty() && std::fabs(told_) < limits_.hysteresis * limits_.change) {
    end_all(ChangePhase::came_back, out);
    return;
  }
  const double by = change.to - change.from;
  const auto same = std::find_if(open_.begin(), open_.end(), [&](const Open& open) {
    return open.change.kind == ChangeKind::drift && open.change.rate_per_s * by > 0;
  });
  // It goes on. Seen at other speeds in between, a drift may look like small steps.
  if (same != open_.end() && (change.kind == ChangeKind::drift || std::fabs(by) < 2 * limits_.change)) {
    same->quiet_s = 0;
    same->change.rate_per_s = change.rate_per_s != 0 ? change.rate_per_s : same->change.rate_per_s;
    return;
  }
  if (open_.size() >= open_most) {
    end_all(ChangePhase::stopped, out);
  }
  change.number = next_number_++;
  open_.push_back({change, base, 0});
  out.push_back(change);
}

void ChangeDetector::end(const Open& open, ChangePhase phase, std::vector<Change>& out) const {
  Change change = open.change;
  change.phase = phase;
  change.to = open.base + told_ + unsaid().value_or(0);
  change.end_ns = now_.last_ns;
  out.push_back(change);
}

void ChangeDetector::end_all(ChangePhase phase, std::vector<Change>& out) {
  for (const Open& open : open_) {
    end(open, phase, out);
  }
  open_.clear();
}

void ChangeDetector::watch_quiet(double length_s, std::vector<Change>& out) {
  for (std::size_t i = 0; i < open_.size();) {
    Open& open = open_[i];
    open.quiet_s += length_s;
    const double again_s = quiet_changes * limits_.change / std::max(std::fabs(open.change.rate_per_s), 1e-12);
    if (open.change.kind == ChangeKind::drift && open.quiet_s > std::clamp(again_s, quiet_s_least, quiet_s_most)) {
      end(open, ChangePhase::stopped, out);
      open_.erase(open_.begin() + static_cast<std::ptrdiff_t>(i));
    } else {
      ++i;
    }
  }
}

void ChangeDetector::accept() {
  told_ += unsaid().value_or(0);
  anchor_ = 0;
  begin_anew();
}

void ChangeDetector::begin_anew() {
  readings_.clear();
  history_.clear();
  cusum_ = {};
  settling_ = 0;
}

void ChangeDetector::allow_for(double by) {
  allowed_ += by;
  begin_anew();
}

void ChangeDetector::set_change(double change, bool anew) {
  limits_.change = change;
  if (anew) {
    levels_.clear();
    recent_.clear();
    noise_.reset();
    blocks_ = 0;
    slope_ = 0;
    anchor_ = 0;
  }
  plan_cusum();
  begin_anew();
}

void ChangeDetector::set_slow_change(double slow_change) {
  slow_change_ = slow_change;
  followed_ = 0;
}

}  // namespace cw
