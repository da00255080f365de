#include "compare/tdc_from_crank.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <numbers>

#include "compare/robust.hpp"
#include "geometry/angle.hpp"
#include "geometry/tooth_cycle.hpp"

namespace cw {

namespace {

constexpr double rad_per_deg = std::numbers::pi / 180;
constexpr double rpm_least = 200;
constexpr double rpm_most = 1500;
constexpr double cranked_rpm_most = 350;

// The order of a cycle at which all dead centres pull together most, and the angle at which they do.
struct FiringOrder {
  int waves = 1;         // in a cycle
  double ahead_deg = 0;  // of the common phase from TDC1
};

FiringOrder firing_order(const Engine& engine) {
  constexpr int orders = 8;
  constexpr double as_strong = 0.7;
  FiringOrder best;
  double most = 0;
  for (int waves = 1; waves <= orders; ++waves) {
    std::complex<double> sum = 0;
    for (const double tdc_deg : engine.firing_angles_deg) {
      sum += std::polar(1.0, -waves * tdc_deg * deg_per_rev / engine.cycle_deg * rad_per_deg);
    }
    // A higher order only where it is clearly stronger: waves of the gas fall off with their order.
    if (std::abs(sum) * as_strong > most) {
      most = std::abs(sum);
      best = {waves, -std::arg(sum) / rad_per_deg / waves * engine.cycle_deg / deg_per_rev};
    }
  }
  return best;
}

// Least squares by normal equations; nothing when they can't be solved.
constexpr std::size_t terms = 9;  // level, fall, its change, three waves
using Row = std::array<double, terms>;

std::optional<Row> solve(std::array<Row, terms> matrix, Row right) {
  constexpr double least_pivot = 1e-9;
  for (std::size_t i = 0; i < terms; ++i) {
    std::size_t pivot = i;
    for (std::size_t k = i + 1; k < terms; ++k) {
      pivot = std::fabs(matrix[k][i]) > std::fabs(matrix[pivot][i]) ? k : pivot;
    }
    std::swap(matrix[i], matrix[pivot]);
    std::swap(right[i], right[pivot]);
    if (std::fabs(matrix[i][i]) < least_pivot) {
      return std::nullopt;
    }
    for (std::size_t k = i + 1; k < terms; ++k) {
      const double factor = matrix[k][i] / matrix[i][i];
      for (std::size_t j = i; j < terms; ++j) {
        matrix[k][j] -= factor * matrix[i][j];
      }
      right[k] -= factor * right[i];
    }
  }
  for (std::size_t i = terms; i-- > 0;) {
    for (std::size_t j = i + 1; j < terms; ++j) {
      right[i] -= matrix[i][j] * right[j];
    }
    right[i] /= matrix[i][i];
  }
  return right;
}

struct Window {
  std::size_t run = 0;
  double from_deg = 0;
  double rpm = 0;
  double fall = 0;      // of w^2 over the window, as a share of its mean
  double swing = 0;     // of the wave, likewise
  double slow_deg = 0;  // where it is slowest, from the file's TDC
};

// A window of passages.
std::optional<Window> look_at(std::span<const ToothPassage> teeth, const FiringOrder& order, double cycle_deg) {
  std::array<Row, terms> matrix{};
  Row right{};
  const double middle_deg = (teeth.front().crank_deg + teeth.back().crank_deg) / 2;
  double mean = 0;
  for (std::size_t i = 0; i + 1 < teeth.size(); ++i) {
    const double step_deg = teeth[i + 1].crank_deg - teeth[i].crank_deg;
    const auto step_ns = static_cast<double>(teeth[i + 1].t_ns - teeth[i].t_ns);
    if (step_ns <= 0 || step_deg <= 0) {
      return std::nullopt;
    }
    const double rpm = rpm_at(step_ns / step_deg);
    const double at_deg = (teeth[i].crank_deg + teeth[i + 1].crank_deg) / 2;
    const double x = (at_deg - middle_deg) / cycle_deg;
    Row row = {1, x, x * x};
    for (std::size_t k = 0; k < 3; ++k) {
      const double phase = static_cast<double>(k + 1) * order.waves * at_deg * deg_per_rev / cycle_deg * rad_per_deg;
      row[3 + 2 * k] = std::cos(phase);
      row[4 + 2 * k] = std::sin(phase);
    }
    mean += rpm * rpm / static_cast<double>(teeth.size() - 1);
    for (std::size_t a = 0; a < terms; ++a) {
      for (std::size_t b = 0; b < terms; ++b) {
        matrix[a][b] += row[a] * row[b] * step_deg;
      }
      right[a] += row[a] * rpm * rpm * step_deg;
    }
  }
  const auto fit = solve(matrix, right);
  if (!fit) {
    return std::nullopt;
  }
  const double crank_per_wave = cycle_deg / deg_per_rev / order.waves;
  // Slowest where the wave is least: half a wave from its crest.
  const double slow_deg = (std::atan2((*fit)[4], (*fit)[3]) / rad_per_deg + deg_per_rev / 2) * crank_per_wave;
  return Window{0,
                teeth.front().crank_deg,
                std::sqrt(mean),
                -(*fit)[1] / mean,
                std::hypot((*fit)[3], (*fit)[4]) / mean,
                wrap_signed_deg(slow_deg - order.ahead_deg, cycle_deg / order.waves)};
}

// Two waves, but at most a cycle: a run-down has few cycles.
double window_deg(const FiringOrder& order, double cycle_deg) {
  return std::min(cycle_deg, 2 * cycle_deg / order.waves);
}

// Windows, each half a wave further on.
std::vector<Window> windows_of(std::span<const std::vector<ToothPassage>> runs, const FiringOrder& order,
                               double cycle_deg) {
  std::vector<Window> windows;
  for (const std::vector<ToothPassage>& run : runs) {
    double next_deg = run.empty() ? 0 : run.front().crank_deg;
    const double long_deg = window_deg(order, cycle_deg);
    std::size_t last = 0;
    for (std::size_t first = 0; first < run.size(); ++first) {
      if (run[first].crank_deg < next_deg) {
        continue;
      }
      while (last < run.size() && run[last].crank_deg < run[first].crank_deg + long_deg - 1e-6) {
        ++last;
      }
      if (last >= run.size()) {
        break;
      }
      if (const auto window = look_at(std::span(run).subspan(first, last - first + 1), order, cycle_deg)) {
        windows.push_back(*window);
        windows.back().run = static_cast<std::size_t>(&run - runs.data());
      }
      next_deg = run[first].crank_deg + cycle_deg / order.waves / 2;
    }
  }
  return windows;
}

// Windows in a row that fall, from the fuel cut down to where the engine is about to stop; less those in which something may
// still have burnt: a cylinder that had closed before the cut has burnt out 250 degrees later.
std::vector<Window> run_downs(const std::vector<Window>& windows, double long_deg, double cycle_deg) {
  constexpr double falls_a_cycle = 0.08;  // of w^2
  constexpr double swings = 0.004;
  constexpr double burnt_out_deg = 250;
  constexpr double stops_below_rpm = 500;
  std::vector<Window> found;
  for (std::size_t begin = 0; begin < windows.size();) {
    std::size_t end = begin;
    while (end < windows.size() && windows[end].run == windows[begin].run &&
           windows[end].fall * cycle_deg / long_deg > falls_a_cycle) {
      ++end;
    }
    if (end > begin && windows[end - 1].rpm < stops_below_rpm) {
      for (std::size_t i = begin; i < end; ++i) {
        const bool burnt_out = windows[i].from_deg > windows[begin].from_deg + burnt_out_deg;
        if (burnt_out && windows[i].rpm > rpm_least && windows[i].rpm < rpm_most && windows[i].swing > swings) {
          found.push_back(windows[i]);
        }
      }
    }
    begin = std::max(end, begin + 1);
  }
  return found;
}

// Line over 1 / rpm through the slow spots, taken at none.
void fit_run_down(const std::vector<Window>& windows, double wave_deg, TdcFromCrank& found) {
  constexpr double floor_deg = 2.0;  // what is not in the picture
  constexpr double sigmas = 2;
  const auto count = static_cast<double>(windows.size());
  double x_mean = 0;
  double turn_x = 0;
  double turn_y = 0;
  for (const Window& window : windows) {
    x_mean += 100 / window.rpm / count;
    turn_x += std::cos(window.slow_deg * deg_per_rev / wave_deg * rad_per_deg);
    turn_y += std::sin(window.slow_deg * deg_per_rev / wave_deg * rad_per_deg);
  }
  const double about_deg = std::atan2(turn_y, turn_x) / rad_per_deg * wave_deg / deg_per_rev;
  const auto off = [&](const Window& window) { return wrap_signed_deg(window.slow_deg - about_deg, wave_deg); };
  double y_mean = 0;
  for (const Window& window : windows) {
    y_mean += off(window) / count;
  }
  double xx = 0;
  double xy = 0;
  for (const Window& window : windows) {
    const double x = 100 / window.rpm - x_mean;
    xx += x * x;
    xy += x * (off(window) - y_mean);
  }
  // A slope that the windows can't tell is held near none: as if it had been 0 with a standard deviation of 6 degrees at 100 rpm
  // (our own; of the size that the crank model gives).
  constexpr double slope_sd = 6;
  double squares = 0;
  for (const Window& window : windows) {
    const double left = off(window) - y_mean - xy / std::max(xx, 1e-9) * (100 / window.rpm - x_mean);
    squares += left * left;
  }
  // Windows overlap: four in a row have the same teeth.
  constexpr double overlap = 4;
  const double variance = std::max(0.01, squares / std::max(1.0, count - 2)) * overlap;
  const double slope = xy / (xx + variance / (slope_sd * slope_sd));
  const double slope_variance = variance / (xx + variance / (slope_sd * slope_sd));
  found.deg = wrap_signed_deg(about_deg + y_mean - slope * x_mean, wave_deg);
  found.half_width_deg = floor_deg + sigmas * std::sqrt(variance / count + slope_variance * x_mean * x_mean);
}

std::string too_coarse(const Engine& engine, const FiringOrder& order) {
  constexpr double teeth_a_wave = 8;
  const double teeth = static_cast<double>(tooth_cycle(engine).teeth.size()) / order.waves;
  return teeth >= teeth_a_wave ? ""
                               : "the wheel has too few teeth: " + std::to_string(static_cast<int>(teeth)) +
                                     " in each wave of the firings, at least 8 are needed";
}

// Counts on behind the last top dead centre that was told, to where the engine is about to stand or an edge does not fit: the
// last turns of a run-down are the ones that show most, and no further dead centre confirms them.
void count_on(std::span<const std::int64_t> crank_ns, std::span<const CycleTooth> teeth, double cycle_deg,
              std::vector<ToothPassage>& run) {
  constexpr double stands_below_rpm = 120;
  constexpr double most_change = 1.5;  // of speed from step to step; an odd edge is beyond
  constexpr std::size_t cycles_most = 2;
  const std::size_t count = teeth.size();
  if (run.size() < count) {
    return;
  }
  const double from_deg = run[run.size() - count].crank_deg - teeth.front().crank_deg + cycle_deg;
  double before_rpm = 0;
  for (std::size_t i = 0; i < std::min(crank_ns.size(), cycles_most * count); ++i) {
    const double cycles_on = std::floor(static_cast<double>(i) / static_cast<double>(count));
    const double at_deg = from_deg + cycles_on * cycle_deg + teeth[i % count].crank_deg;
    const auto step_ns = static_cast<double>(crank_ns[i] - run.back().t_ns);
    const double rpm = step_ns > 0 ? rpm_at(step_ns / (at_deg - run.back().crank_deg)) : 0;
    const bool fits = before_rpm == 0 || (rpm < before_rpm * most_change && rpm > before_rpm / most_change);
    if (rpm < stands_below_rpm || !fits) {
      return;
    }
    before_rpm = rpm;
    run.push_back({crank_ns[i], at_deg});
  }
}

}  // namespace

std::vector<std::vector<ToothPassage>> locate_teeth(std::span<const std::int64_t> crank_ns,
                                                    std::span<const Cycle> cycles, const Engine& engine) {
  std::vector<std::vector<ToothPassage>> runs(1);
  std::vector<CycleTooth> teeth = tooth_cycle(engine).teeth;
  std::sort(teeth.begin(), teeth.end(),
            [](const CycleTooth& a, const CycleTooth& b) { return a.crank_deg < b.crank_deg; });
  double cycle_from_deg = 0;
  for (std::size_t i = 0; i + 1 < cycles.size(); ++i) {
    const auto from = std::lower_bound(crank_ns.begin(), crank_ns.end(), cycles[i].tdc_ns);
    const auto to = std::lower_bound(from, crank_ns.end(), cycles[i + 1].tdc_ns);
    const bool whole = cycles[i + 1].number == cycles[i].number + 1 && cycles[i].state == LockState::cycle_locked &&
                       static_cast<std::size_t>(to - from) == teeth.size();
    if (!whole) {
      if (!runs.back().empty()) {
        count_on({from, crank_ns.end()}, teeth, engine.cycle_deg, runs.back());
        runs.emplace_back();
      }
      continue;
    }
    for (std::size_t tooth = 0; tooth < teeth.size(); ++tooth) {
      runs.back().push_back({from[static_cast<std::ptrdiff_t>(tooth)], cycle_from_deg + teeth[tooth].crank_deg});
    }
    cycle_from_deg += engine.cycle_deg;
  }
  if (!runs.back().empty()) {
    const auto rest = std::lower_bound(crank_ns.begin(), crank_ns.end(), cycles.back().tdc_ns);
    count_on({rest, crank_ns.end()}, teeth, engine.cycle_deg, runs.back());
  }
  return runs;
}

TdcFromCrank tdc_from_crank(std::span<const std::vector<ToothPassage>> runs, const Engine& engine) {
  constexpr std::size_t windows_least = 4;
  TdcFromCrank found;
  const FiringOrder order = firing_order(engine);
  found.modulo_deg = engine.cycle_deg / order.waves;
  found.why_not = too_coarse(engine, order);
  if (!found.why_not.empty()) {
    return found;
  }
  const std::vector<Window> windows = windows_of(runs, order, engine.cycle_deg);
  const std::vector<Window> down = run_downs(windows, window_deg(order, engine.cycle_deg), engine.cycle_deg);
  std::vector<double> cranked;
  double cranked_rpm = 0;
  for (const Window& window : windows) {
    constexpr double steady = 0.05;
    if (window.rpm < cranked_rpm_most && std::fabs(window.fall) < steady) {
      cranked.push_back(window.slow_deg);
      cranked_rpm += window.rpm;
    }
  }
  if (cranked.size() >= windows_least) {
    found.cranking = SlowSpot{median(cranked), cranked_rpm / static_cast<double>(cranked.size())};
  }
  found.run_down_windows = static_cast<int>(down.size());
  if (down.size() < windows_least) {
    found.why_not =
        "no run-down was found: speed must fall freely from idle to a stop, fuel cut, with the position known";
    return found;
  }
  const auto by_rpm = [](const Window& a, const Window& b) { return a.rpm < b.rpm; };
  found.rpm_least = std::min_element(down.begin(), down.end(), by_rpm)->rpm;
  found.rpm_most = std::max_element(down.begin(), down.end(), by_rpm)->rpm;
  fit_run_down(down, found.modulo_deg, found);
  constexpr double widest_deg = 8;
  if (found.half_width_deg > std::min(widest_deg, found.modulo_deg / 4)) {
    found.why_not = "the run-down is too short or too rough: top dead centre can't be told better than to within " +
                    std::to_string(std::lround(found.half_width_deg)) + " degrees";
  }
  return found;
}

}  // namespace cw
