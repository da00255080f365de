#include "sync/wheel_look.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numeric>
#include <utility>

#include "geometry/angle.hpp"
#include "sync/speed_model.hpp"

namespace cw {

namespace {

// Half way, in ln, between a tooth and the same tooth with one missing: what differs by less may be the same step.
constexpr double same_ratio = 0.33;
// Even so far: wheels of up to about so many teeth have a gap.
constexpr std::size_t even_steps_min = 130;
constexpr int pitches_max = 6;  // of one step: five missing teeth

// Scatter of a tooth's place, one standard deviation, see fit().
constexpr double pitch_error_share = 0.025;
constexpr double pitch_error_max_deg = 0.15;
constexpr double edge_ns = 1500;  // of an edge's time
constexpr double misfit_max = 12;
constexpr double ripple_same_repeat = 1.4;
constexpr double ripple_other_repeat = 0.5;
constexpr double cranked_rpm_least = 85;
constexpr double step_ns_named_max = 9e6;

double smallest(std::span<const double> values) {
  return *std::min_element(values.begin(), values.end());
}

std::vector<double> logs_of(const std::vector<double>& values) {
  std::vector<double> logs;
  logs.reserve(values.size());
  for (const double value : values) {
    logs.push_back(std::log(value));
  }
  return logs;
}

// ---- after how many edges does it repeat

// ln of each interval's ratio to the one before; nothing when an interval is not positive.
std::optional<std::vector<double>> ratios_of(std::span<const std::int64_t> t_ns) {
  std::vector<double> ratios;
  for (std::size_t i = 1; i + 1 < t_ns.size(); ++i) {
    const auto before = static_cast<double>(t_ns[i] - t_ns[i - 1]);
    const auto after = static_cast<double>(t_ns[i + 1] - t_ns[i]);
    if (before <= 0 || after <= 0) {
      return std::nullopt;
    }
    ratios.push_back(std::log(after / before));
  }
  return ratios;
}

// The greatest difference of a ratio to the one `repeat` before, over the last `compared`; more than same_ratio: at least that.
double worst_difference(std::span<const double> ratios, std::size_t repeat, std::size_t compared) {
  double worst = 0;
  for (std::size_t i = ratios.size() - compared; i < ratios.size() && worst <= same_ratio; ++i) {
    worst = std::max(worst, std::fabs(ratios[i] - ratios[i - repeat]));
  }
  return worst;
}

bool looks_even(std::span<const double> ratios) {
  return std::all_of(ratios.begin(), ratios.end(), [](double ratio) { return std::fabs(ratio) <= same_ratio; });
}

std::size_t compared_for(std::size_t repeat, std::size_t steps_min, std::size_t repeats_more) {
  return std::max(repeats_more * repeat, steps_min);
}

// How many ratios must repeat: more where all looks even so far. Nothing when not so many are there.
std::optional<std::size_t> ratios_to_compare(std::span<const double> ratios, std::size_t repeat, std::size_t steps_min,
                                             std::size_t repeats_more) {
  const std::size_t compared = compared_for(repeat, steps_min, repeats_more);
  if (compared + repeat > ratios.size()) {
    return std::nullopt;
  }
  // After each edge only even teeth repeat.
  if (compared + repeat >= even_steps_min || (repeat > 1 && !looks_even(ratios.last(compared + repeat)))) {
    return compared;
  }
  return ratios.size() >= even_steps_min ? std::optional<std::size_t>(even_steps_min - repeat) : std::nullopt;
}

// One that repeats three times better than a smaller one, which repeats badly, is the right one.
std::optional<std::size_t> smallest_repeat(std::span<const double> ratios, std::size_t steps_min,
                                           std::size_t repeats_more) {
  constexpr double good = 0.1;
  constexpr double better = 3;
  std::optional<std::size_t> found;
  double difference = same_ratio;
  for (std::size_t repeat = 1; repeat <= repeat_max && (!found || difference > good); ++repeat) {
    const auto compared = ratios_to_compare(ratios, repeat, steps_min, repeats_more);
    if (!compared) {
      continue;
    }
    const double worst = worst_difference(ratios, repeat, *compared);
    if (found ? worst * better < difference : worst <= same_ratio) {
      found = repeat;
      difference = worst;
    }
  }
  return found;
}

// ln of each step over one repeat: the mean over the repeats seen, a steady drift of speed taken out.
std::vector<double> folded(std::span<const double> log_ns, std::size_t repeat) {
  const std::size_t whole_repeats = log_ns.size() / repeat;
  const auto repeats = static_cast<double>(whole_repeats);
  double drift = 0;
  for (std::size_t i = repeat; i < log_ns.size(); ++i) {
    drift += log_ns[i] - log_ns[i - repeat];
  }
  drift /= std::max(1.0, static_cast<double>(log_ns.size() - repeat) * static_cast<double>(repeat));
  std::vector<double> folded(repeat, 0.0);
  for (std::size_t i = 0; i < log_ns.size(); ++i) {
    folded[i % repeat] += (log_ns[i] - drift * static_cast<double>(i)) / repeats;
  }
  return folded;
}

// ---- bends of ln(speed) under a description

// How far ln(time per angle) may bend at a step.
struct Bender {
  double deg_per_unit = 1;  // angle of a step of length 1
  double rpm = 0;
  double ripple = 1;      // share of ripple_bend_max that is allowed
  double slow_share = 1;  // times are taken this much shorter
  double ripple_most = std::numeric_limits<double>::infinity();

  // `bend` where ln(time per length) is `slow`, with neighbours `units` away: more than 1 is no engine's doing.
  double share(double bend, double units, double slow) const {
    constexpr double sigmas = 5;
    const double dt_ns = std::exp(slow) * units * slow_share;
    const double rough = std::min(pitch_error_share, pitch_error_max_deg / (units * deg_per_unit)) + edge_ns / dt_ns;
    const double by_ripple = std::min(ripple_most, ripple * ripple_bend_max(dt_ns, rpm, bend > 0));
    return std::fabs(bend) / (sigmas * std::sqrt(20.0) * rough + by_ripple);
  }
};

// `slow`: ln(time per length) of the three steps, `length` their lengths. Bends are second differences; where steps differ in
// length, of a curve through their middles, scaled to their mean distance.
double bend_of(const std::array<double, 3>& slow, const std::array<double, 3>& length) {
  const double before = (length[0] + length[1]) / 2;
  const double after = (length[1] + length[2]) / 2;
  return ((slow[2] - slow[1]) / after - (slow[1] - slow[0]) / before) * (before + after) / 2;
}

double distance_of(const std::array<double, 3>& length) {
  return (length[0] + 2 * length[1] + length[2]) / 4;
}

// Whether the steps seen can be those of `file_deg` from its tooth `first` on.
bool explains_from(std::span<const double> file_deg, std::size_t first, std::span<const double> log_ns,
                   const Bender& bender) {
  std::array<double, 3> slow{};
  std::array<double, 3> length{};
  std::size_t tooth = first;
  for (std::size_t i = 0; i < log_ns.size(); ++i) {
    slow = {slow[1], slow[2], log_ns[i] - std::log(file_deg[tooth])};
    length = {length[1], length[2], file_deg[tooth]};
    if (i >= 2 && bender.share(bend_of(slow, length), distance_of(length), slow[1]) > 1) {
      return false;
    }
    tooth = tooth + 1 == file_deg.size() ? 0 : tooth + 1;
  }
  return true;
}

bool explains(std::span<const double> file_deg, std::span<const double> log_ns, const Bender& bender) {
  for (std::size_t first = 0; first < file_deg.size(); ++first) {
    if (explains_from(file_deg, first, log_ns, bender)) {
      return true;
    }
  }
  return false;
}

// ---- steps as whole multiples of a pitch

// The lengths in pitches under which ln(speed) bends least, over some repeats in a row. Two neighbouring steps that differ
// cost something, so that even teeth stay even.
class PitchPath {
 public:
  PitchPath(std::span<const double> log_ns, const Bender& bender) : log_ns_(log_ns), bender_(bender) {}

  // Over one repeat.
  std::vector<int> best() {
    constexpr std::size_t steps_least = 12;
    const std::size_t repeat = log_ns_.size();
    const std::size_t repeats = std::max<std::size_t>(3, (steps_least + repeat - 1) / repeat);
    costs_.fill(0);
    for (std::size_t i = 2; i < repeats * repeat; ++i) {
      advance(i);
    }
    std::vector<int> path = back();
    const std::size_t middle = repeats / 2 * repeat;
    return {path.begin() + static_cast<std::ptrdiff_t>(middle),
            path.begin() + static_cast<std::ptrdiff_t>(middle + repeat)};
  }

 private:
  static constexpr std::size_t states = static_cast<std::size_t>(pitches_max) * static_cast<std::size_t>(pitches_max);
  static std::size_t index(int before, int now) {
    return static_cast<std::size_t>((before - 1) * pitches_max + now - 1);
  }

  double slow(std::size_t i, int pitches) const {
    return log_ns_[i % log_ns_.size()] - std::log(static_cast<double>(pitches));
  }

  void advance(std::size_t i) {
    std::array<double, states> next;
    next.fill(std::numeric_limits<double>::infinity());
    std::array<std::int8_t, states> from{};
    for (int a = 1; a <= pitches_max; ++a) {
      for (int b = 1; b <= pitches_max; ++b) {
        for (int c = 1; c <= pitches_max; ++c) {
          const double cost = costs_[index(a, b)] + step_cost(i, a, b, c);
          if (cost < next[index(b, c)]) {
            next[index(b, c)] = cost;
            from[index(b, c)] = static_cast<std::int8_t>(a);
          }
        }
      }
    }
    costs_ = next;
    from_.push_back(from);
  }

  double step_cost(std::size_t i, int a, int b, int c) const {
    constexpr double change = 4;
    constexpr double length = 0.02;
    const std::array<double, 3> lengths = {double(a), double(b), double(c)};
    const std::array<double, 3> slowness = {slow(i - 2, a), slow(i - 1, b), slow(i, c)};
    const double bend = bend_of(slowness, lengths);
    constexpr double allowed_sigmas = 3;
    const double sigmas = allowed_sigmas * bender_.share(bend, distance_of(lengths), slowness[1]);
    return std::min(sigmas * sigmas / 2, misfit_max) + (b != c ? change : 0) + length * c;
  }

  std::vector<int> back() const {
    const auto last = static_cast<int>(std::min_element(costs_.begin(), costs_.end()) - costs_.begin());
    std::vector<int> path = {last % pitches_max + 1, last / pitches_max + 1};
    for (auto from = from_.rbegin(); from != from_.rend(); ++from) {
      const std::size_t n = path.size();
      path.push_back((*from)[index(path[n - 1], path[n - 2])]);
    }
    std::reverse(path.begin(), path.end());
    return path;
  }

  std::span<const double> log_ns_;
  Bender bender_;
  std::array<double, states> costs_{};
  std::vector<std::array<std::int8_t, states>> from_;
};

std::vector<int> smallest_part(std::vector<int> pitches) {
  const int divisor = std::accumulate(pitches.begin(), pitches.end(), 0, [](int a, int b) { return std::gcd(a, b); });
  for (int& pitch : pitches) {
    pitch /= divisor;
  }
  for (std::size_t length = 1; length < pitches.size(); ++length) {
    if (pitches.size() % length == 0 &&
        std::equal(pitches.begin() + static_cast<std::ptrdiff_t>(length), pitches.end(), pitches.begin())) {
      pitches.resize(length);
    }
  }
  return pitches;
}

// For naming a wheel, with the repeat taken for a turn.
Bender bender_of(double units_a_repeat, double ns_per_repeat, double ripple_most) {
  return {deg_per_rev / units_a_repeat, rpm_at(ns_per_repeat / deg_per_rev), 1, 1, ripple_most};
}

// ---- the file with one thing changed

// A step of the file that a tooth is missing from: longer than half as much again as the shortest.
bool is_gap(std::span<const double> file_deg, std::size_t step) {
  constexpr double gap_ratio = 1.5;
  return file_deg[step % file_deg.size()] > gap_ratio * smallest(file_deg);
}

// Which steps of a pattern are put together with the one before; the first is not.
using Joins = std::vector<bool>;

// `steps` from `begin` on, which is the first of a pattern; each joined to those before where `joins` says so.
std::vector<double> joined(std::span<const double> steps, std::size_t begin, const Joins& joins) {
  std::vector<double> sums;
  std::size_t at = 0;
  for (std::size_t i = begin; i < steps.size(); ++i) {
    if (joins[at]) {
      sums.back() += steps[i];
    } else {
      sums.push_back(steps[i]);
    }
    at = at + 1 == joins.size() ? 0 : at + 1;
  }
  sums.pop_back();  // it may be incomplete
  return sums;
}

std::vector<double> rotated(std::span<const double> steps, std::size_t first) {
  std::vector<double> turned(steps.begin(), steps.end());
  std::rotate(turned.begin(), turned.begin() + static_cast<std::ptrdiff_t>(first), turned.end());
  return turned;
}

bool fits_with_a_tooth_missing(std::span<const double> log_ns, std::span<const double> file_deg, const Bender& bender) {
  for (std::size_t step = 0; step < file_deg.size(); ++step) {
    if (is_gap(file_deg, step) || is_gap(file_deg, step + 1)) {
      continue;
    }
    std::vector<double> less = rotated(file_deg, step);
    less[1] += less[0];
    less.erase(less.begin());
    if (explains(less, log_ns, bender)) {
      return true;
    }
  }
  return false;
}

bool fits_with_an_edge_less(std::span<const double> step_ns, std::span<const double> file_deg, const Bender& bender) {
  Joins joins(file_deg.size() + 1, false);
  joins[1] = true;
  for (std::size_t begin = 0; begin < joins.size(); ++begin) {
    const std::vector<double> log_ns = logs_of(joined(step_ns, begin, joins));
    for (std::size_t first = 0; first < file_deg.size(); ++first) {
      if (!is_gap(file_deg, first) && explains_from(file_deg, first, log_ns, bender)) {
        return true;
      }
    }
  }
  return false;
}

// Whether the second of the first two steps of a pattern begins, each time it comes, where a tooth a little out of its place
// may stand. `deg`: these two steps.
bool stands_near(std::span<const double> step_ns, std::size_t begin, std::size_t repeat,
                 std::span<const double, 2> deg) {
  for (std::size_t i = begin; i + 1 < step_ns.size(); i += repeat) {
    const double at_deg = step_ns[i] / (step_ns[i] + step_ns[i + 1]) * (deg[0] + deg[1]);
    if (std::fabs(at_deg - deg[0]) > displaced_share_max * std::min(deg[0], deg[1])) {
      return false;
    }
  }
  return true;
}

bool fits_with_a_tooth_displaced(std::span<const double> step_ns, std::span<const double> file_deg,
                                 const Bender& bender) {
  const std::size_t count = file_deg.size();
  Joins joins(count, false);
  joins[1] = true;
  for (std::size_t first = 0; first < count; ++first) {
    if (is_gap(file_deg, first) || is_gap(file_deg, first + 1)) {
      continue;
    }
    std::vector<double> file_joined = rotated(file_deg, first);
    const std::array deg{file_joined[0], file_joined[1]};
    file_joined[1] += file_joined[0];
    file_joined.erase(file_joined.begin());
    for (std::size_t begin = 0; begin < count; ++begin) {
      if (stands_near(step_ns, begin, count, deg) &&
          explains_from(file_joined, 0, logs_of(joined(step_ns, begin, joins)), bender)) {
        return true;
      }
    }
  }
  return false;
}

// Whether among the steps of each join, the shortest is clearly longer than a pitch, by the mean speed over them.
bool long_ones_in_a_row(std::span<const double> step_ns, std::size_t begin, std::span<const double> file_deg,
                        const Joins& joins) {
  constexpr double shorter_pitches_min = 1.2;
  const double least_deg = shorter_pitches_min * smallest(file_deg);
  const std::size_t count = joins.size();
  for (std::size_t from = 0; from < count;) {
    std::size_t to = from + 1;
    double expected_deg = file_deg[from];
    double found_ns = step_ns[begin + from];
    double shortest_ns = found_ns;
    for (; to < count && joins[to]; ++to) {
      expected_deg += file_deg[to];
      found_ns += step_ns[begin + to];
      shortest_ns = std::min(shortest_ns, step_ns[begin + to]);
    }
    if (to > from + 1 && shortest_ns / found_ns * expected_deg < least_deg) {
      return false;
    }
    from = to;
  }
  return true;
}

bool fits_backwards(std::span<const double> step_ns, std::span<const double> file_deg, const Bender& bender) {
  const std::size_t count = file_deg.size();
  std::size_t first = 0;
  while (first < count && !(is_gap(file_deg, first) && !is_gap(file_deg, first + count - 1))) {
    ++first;
  }
  if (first == count || step_ns.size() < 2 * count) {
    return false;
  }
  const std::vector<double> file_from_gap = rotated(file_deg, first);
  Joins joins(count, false);
  for (std::size_t step = 1; step < count; ++step) {
    joins[step] = is_gap(file_from_gap, step - 1);
  }
  std::vector<double> pattern = file_from_gap;
  pattern.insert(pattern.end(), file_from_gap.begin(), file_from_gap.begin() + 1);
  Joins once = joins;
  once.push_back(false);
  const std::vector<double> file_joined = joined(pattern, 0, once);
  for (std::size_t begin = 0; begin < count; ++begin) {
    if (long_ones_in_a_row(step_ns, begin, file_from_gap, joins) &&
        explains_from(file_joined, 0, logs_of(joined(step_ns, begin, joins)), bender)) {
      return true;
    }
  }
  return false;
}

// Ripple comes again with the engine's cycle, so what is seen repeats when the file's pattern does and fits into the cycle;
// and it has no more waves than an engine has cylinders.
bool can_come_from_ripple(std::size_t repeat, const ToothCycle& file) {
  constexpr std::size_t cylinders_max = 12;
  const std::size_t teeth = file.teeth.size();
  return repeat % static_cast<std::size_t>(file.repeat_teeth) == 0 && teeth % repeat == 0 &&
         (repeat == 1 || repeat * cylinders_max >= teeth);
}

// ---- words

std::vector<int> gaps_in(const std::vector<int>& pitches) {
  std::vector<int> missing;
  for (const int pitch : pitches) {
    if (pitch > 1) {
      missing.push_back(pitch - 1);
    }
  }
  return missing;
}

bool is_gap_wheel(const std::vector<int>& pitches) {
  const std::vector<int> missing = gaps_in(pitches);
  return !missing.empty() && missing.size() * 3 <= pitches.size();
}

// Even teeth of `pitches` pitches each and one edge between two of them: their number, else nothing.
std::optional<int> even_teeth_and_one(const std::vector<int>& pitches) {
  const int tooth = *std::max_element(pitches.begin(), pitches.end());
  std::vector<std::size_t> parts;
  for (std::size_t i = 0; i < pitches.size(); ++i) {
    if (pitches[i] != tooth) {
      parts.push_back(i);
    }
  }
  const bool one_pair = parts.size() == 2 && (parts[1] == parts[0] + 1 || parts[1] + 1 == parts[0] + pitches.size()) &&
                        pitches[parts[0]] + pitches[parts[1]] == tooth;
  return one_pair && pitches.size() > 3 ? std::optional<int>(static_cast<int>(pitches.size()) - 1) : std::nullopt;
}

// From after the longest step.
std::string list_words(const std::vector<double>& step_deg) {
  constexpr std::size_t shown_max = 12;
  std::string text = "a pattern that repeats every " + std::to_string(step_deg.size()) + " edges";
  if (step_deg.size() > shown_max) {
    return text;
  }
  const auto longest = std::max_element(step_deg.begin(), step_deg.end()) - step_deg.begin();
  text += ", at 0";
  double at_deg = 0;
  for (std::size_t i = 1; i < step_deg.size(); ++i) {
    at_deg += step_deg[(static_cast<std::size_t>(longest) + i) % step_deg.size()];
    text += ", " + std::to_string(std::lround(at_deg));
  }
  return text + " of 360 degrees as time tells";
}

}  // namespace

double ripple_bend_max(double step_ns, double rpm, bool at_peak) {
  constexpr double cranked_dip_per_s2 = 2300;
  constexpr double cranked_peak_per_s2 = 1550;
  constexpr double running_per_s2 = 9000;
  constexpr double cranked_rpm_max = 350;
  constexpr double cranked_most = 2.0;
  constexpr double running_most = 0.75;
  const bool cranked = rpm < cranked_rpm_max;
  const double per_s2 = !cranked ? running_per_s2 : at_peak ? cranked_peak_per_s2 : cranked_dip_per_s2;
  const double step_s = step_ns * 1e-9;
  return std::min(per_s2 * step_s * step_s, cranked ? cranked_most : running_most);
}

std::optional<WheelLook> look_at_wheel(std::span<const std::int64_t> t_ns, std::size_t steps_min,
                                       std::size_t repeats_more) {
  const std::optional<std::vector<double>> ratios = ratios_of(t_ns);
  const std::optional<std::size_t> repeat = ratios ? smallest_repeat(*ratios, steps_min, repeats_more) : std::nullopt;
  if (!repeat) {
    return std::nullopt;
  }
  const std::size_t steps = (compared_for(*repeat, steps_min, repeats_more) + *repeat) / *repeat * *repeat;
  WheelLook look;
  for (std::size_t i = t_ns.size() - steps; i < t_ns.size(); ++i) {
    look.step_ns.push_back(static_cast<double>(t_ns[i] - t_ns[i - 1]));
  }
  const std::vector<double> seen = logs_of(look.step_ns);
  const std::vector<double> log_ns = folded(seen, *repeat);
  double ns_per_repeat = 0;
  for (const double log : log_ns) {
    ns_per_repeat += std::exp(log);
  }
  for (const double log : log_ns) {
    look.step_deg.push_back(std::exp(log) * deg_per_rev / ns_per_repeat);
  }
  return look;
}

// Over long steps a gap and a compression dip can be taken for each other: then only what leaves next to no dip is told.
std::vector<int> pitches_of(const WheelLook& look) {
  if (look.step_deg.size() == 1) {
    return {1};
  }
  constexpr double some_ripple = 0.35;
  constexpr double no_ripple = 0.15;
  const auto steps = static_cast<double>(look.step_deg.size());
  const double seen_ns = std::accumulate(look.step_ns.begin(), look.step_ns.end(), 0.0);
  const double ns_per_repeat = seen_ns * steps / static_cast<double>(look.step_ns.size());
  std::vector<double> log_ns;
  for (const double step : look.step_deg) {
    log_ns.push_back(std::log(step / deg_per_rev * ns_per_repeat));
  }
  const std::vector<int> found = PitchPath(log_ns, bender_of(steps, ns_per_repeat, some_ripple)).best();
  const std::vector<double> lengths(found.begin(), found.end());
  const double units = std::accumulate(lengths.begin(), lengths.end(), 0.0);
  const bool much = ns_per_repeat > step_ns_named_max * steps;
  const Bender bender = bender_of(units, ns_per_repeat, much ? no_ripple : some_ripple);
  if (!explains_from(lengths, 0, logs_of(look.step_ns), bender)) {
    return {};
  }
  // And only what is simple: anything can come out as a wheel with enough gaps.
  constexpr std::size_t steps_a_gap = 6;
  const auto gaps = static_cast<std::size_t>(std::count_if(found.begin(), found.end(), [](int p) { return p > 1; }));
  return much && gaps * steps_a_gap > found.size() ? std::vector<int>{} : smallest_part(found);
}

std::string words_of(const WheelLook& look, const std::vector<int>& pitches) {
  if (pitches.size() == 1) {
    return "even teeth, no gap";
  }
  if (is_gap_wheel(pitches)) {
    std::string text = std::to_string(std::accumulate(pitches.begin(), pitches.end(), 0));
    std::vector<int> missing = gaps_in(pitches);
    std::sort(missing.rbegin(), missing.rend());
    for (const int teeth : missing) {
      text += "-" + std::to_string(teeth);
    }
    return text;
  }
  if (!pitches.empty()) {
    if (const std::optional<int> teeth = even_teeth_and_one(pitches)) {
      return std::to_string(*teeth) + " even teeth + 1";
    }
  }
  return list_words(look.step_deg);
}

std::string words_of(const ToothCycle& wheel) {
  constexpr double some_rpm = 1000;
  WheelLook look;
  look.step_deg = wheel.steps_deg(wheel.repeat_teeth);
  const double repeat_deg = std::accumulate(look.step_deg.begin(), look.step_deg.end(), 0.0);
  for (double& step : look.step_deg) {
    step *= deg_per_rev / repeat_deg;
    look.step_ns.push_back(step * ns_per_deg_at(some_rpm));
  }
  return words_of(look, pitches_of(look));
}

std::vector<std::size_t> explaining_starts(std::span<const std::int64_t> t_ns, const ToothCycle& file) {
  std::vector<double> log_ns;
  for (std::size_t i = 1; i < t_ns.size(); ++i) {
    log_ns.push_back(std::log(static_cast<double>(std::max<std::int64_t>(1, t_ns[i] - t_ns[i - 1]))));
  }
  const auto seen_ns = static_cast<double>(t_ns.back() - t_ns.front());
  const double rpm = rpm_at(seen_ns / (static_cast<double>(log_ns.size()) * file.mean_step_deg()));
  const std::vector<double> file_deg = file.steps_deg(file.repeat_teeth);
  std::vector<std::size_t> starts;
  for (std::size_t first = 0; first < file_deg.size(); ++first) {
    if (explains_from(file_deg, first, log_ns, {1, rpm, ripple_same_repeat})) {
      starts.push_back(first);
    }
  }
  return starts;
}

bool can_explain(std::span<const std::int64_t> t_ns, const ToothCycle& file) {
  return !explaining_starts(t_ns, file).empty();
}

bool can_explain_backwards(std::span<const std::int64_t> t_ns, const ToothCycle& file) {
  const std::optional<std::vector<double>> ratios = ratios_of(t_ns);
  if (!ratios || looks_even(*ratios)) {
    return false;  // a longer look will tell
  }
  std::vector<double> step_ns;
  for (std::size_t i = 1; i < t_ns.size(); ++i) {
    step_ns.push_back(static_cast<double>(std::max<std::int64_t>(1, t_ns[i] - t_ns[i - 1])));
  }
  const auto seen_ns = static_cast<double>(t_ns.back() - t_ns.front());
  const double rpm = rpm_at(seen_ns / (static_cast<double>(step_ns.size()) * file.mean_step_deg()));
  return fits_backwards(step_ns, file.steps_deg(file.repeat_teeth), {1, rpm, 1});
}

WheelFit fit(const WheelLook& look, const ToothCycle& file) {
  const std::vector<double> file_deg = file.steps_deg(file.repeat_teeth);
  const std::vector<double> log_ns = logs_of(look.step_ns);
  const double seen_ns = std::accumulate(look.step_ns.begin(), look.step_ns.end(), 0.0);
  const double rpm = rpm_at(seen_ns / (static_cast<double>(look.step_ns.size()) * file.mean_step_deg()));
  const Bender bender = can_come_from_ripple(look.step_deg.size(), file)
                            ? Bender{1, rpm, ripple_same_repeat}
                            : Bender{1, rpm, ripple_other_repeat, std::min(1.0, rpm / cranked_rpm_least)};
  if (explains(file_deg, log_ns, bender)) {
    return WheelFit::fits;
  }
  const Bender tight{1, rpm, 1};
  if (look.step_deg.size() % file_deg.size() == 0 && fits_backwards(look.step_ns, file_deg, tight)) {
    return WheelFit::wired_backwards;
  }
  constexpr std::size_t damage_told_from_steps = 8;
  if (file_deg.size() < damage_told_from_steps) {
    return WheelFit::other_wheel;
  }
  if (look.step_deg.size() % (file_deg.size() - 1) == 0 && fits_with_a_tooth_missing(log_ns, file_deg, tight)) {
    return WheelFit::tooth_missing;
  }
  if (look.step_deg.size() % file_deg.size() == 0 && fits_with_a_tooth_displaced(look.step_ns, file_deg, tight)) {
    return WheelFit::tooth_displaced;
  }
  if (look.step_deg.size() % (file_deg.size() + 1) == 0 && fits_with_an_edge_less(look.step_ns, file_deg, tight)) {
    return WheelFit::edge_added;
  }
  return WheelFit::other_wheel;
}

}  // namespace cw
