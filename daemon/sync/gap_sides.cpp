#include "sync/gap_sides.hpp"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <numbers>
#include <optional>
#include <utility>

#include "geometry/angle.hpp"
#include "sync/wheel_look.hpp"

namespace cw {

namespace {

constexpr double rad_per_deg = std::numbers::pi / 180.0;
constexpr std::size_t trend_terms = 5;
constexpr std::size_t spare_edges_min = 8;  // more than there are terms
constexpr std::size_t side_edges = 3;       // to either side of a tooth that is judged
constexpr double gap_ratio = 1.5;           // as in wheel_look

// Weighted least squares: the normal equations, solved by Cholesky's decomposition.
class LeastSquares {
 public:
  explicit LeastSquares(std::size_t terms) : terms_(terms), matrix_(terms * terms), solution_(terms) {}

  void add(const std::vector<double>& row, double value, double weight) {
    for (std::size_t i = 0; i < terms_; ++i) {
      for (std::size_t j = 0; j <= i; ++j) {
        matrix_[i * terms_ + j] += weight * weight * row[i] * row[j];
      }
      solution_[i] += weight * weight * row[i] * value;
    }
  }

  // False when the values do not determine all terms.
  bool solve() {
    constexpr double singular = 1e-12;
    for (std::size_t i = 0; i < terms_; ++i) {
      const double diagonal = at(i, i);
      for (std::size_t j = 0; j <= i; ++j) {
        double sum = at(i, j);
        for (std::size_t k = 0; k < j; ++k) {
          sum -= at(i, k) * at(j, k);
        }
        if (i == j && sum <= singular * diagonal) {
          return false;
        }
        matrix_[i * terms_ + j] = i == j ? std::sqrt(sum) : sum / at(j, j);
      }
    }
    solution_ = solved_forward(std::move(solution_));
    for (std::size_t i = terms_; i-- > 0;) {
      for (std::size_t k = i + 1; k < terms_; ++k) {
        solution_[i] -= at(k, i) * solution_[k];
      }
      solution_[i] /= at(i, i);
    }
    return true;
  }

  double value_at(const std::vector<double>& row) const {
    double sum = 0;
    for (std::size_t i = 0; i < terms_; ++i) {
      sum += row[i] * solution_[i];
    }
    return sum;
  }

  // Of value_at(), when the values have variance 1 over their weight squared.
  double variance_at(const std::vector<double>& row) const {
    double sum = 0;
    for (const double part : solved_forward(row)) {
      sum += part * part;
    }
    return sum;
  }

 private:
  double at(std::size_t i, std::size_t j) const { return matrix_[i * terms_ + j]; }
  std::vector<double> solved_forward(std::vector<double> y) const {
    for (std::size_t i = 0; i < terms_; ++i) {
      for (std::size_t k = 0; k < i; ++k) {
        y[i] -= at(i, k) * y[k];
      }
      y[i] /= at(i, i);
    }
    return y;
  }

  std::size_t terms_;
  std::vector<double> matrix_;
  std::vector<double> solution_;
};

// The edges laid upon the file's wheel, from one start.
struct Laid {
  std::vector<double> t_ns;     // since the first edge
  std::vector<double> per_ns;   // pitches a nanosecond, over the teeth around
  std::vector<bool> after_gap;  // is the first tooth after a gap
  std::vector<bool> before_gap;
  std::vector<std::vector<double>> terms;  // trend and waves at the tooth
};

std::vector<double> terms_at(double deg, double all_deg, std::span<const double> orders) {
  std::vector<double> terms;
  const double arc = std::acos(std::clamp(2 * deg / all_deg - 1, -1.0, 1.0));
  for (std::size_t n = 0; n < trend_terms; ++n) {
    terms.push_back(std::cos(static_cast<double>(n) * arc));  // Chebyshev's polynomials
  }
  for (const double order : orders) {
    terms.push_back(std::cos(order * deg * rad_per_deg));
    terms.push_back(std::sin(order * deg * rad_per_deg));
  }
  return terms;
}

Laid laid_on(std::span<const std::int64_t> t_ns, const std::vector<double>& file_deg, std::size_t start,
             std::span<const double> orders) {
  const double pitch_deg = *std::min_element(file_deg.begin(), file_deg.end());
  const std::size_t count = t_ns.size();
  Laid laid;
  std::vector<double> deg = {0};
  for (std::size_t i = 0; i < count; ++i) {
    const double step_deg = file_deg[(start + i) % file_deg.size()];
    laid.t_ns.push_back(static_cast<double>(t_ns[i] - t_ns.front()));
    laid.after_gap.push_back(i > 0 && laid.before_gap.back());
    laid.before_gap.push_back(step_deg > gap_ratio * pitch_deg);
    deg.push_back(deg.back() + step_deg);
  }
  for (std::size_t i = 0; i < count; ++i) {
    const std::size_t from = i - std::min(i, side_edges);
    const std::size_t to = std::min(count - 1, i + side_edges);
    laid.per_ns.push_back((deg[to] - deg[from]) / pitch_deg / std::max(1.0, laid.t_ns[to] - laid.t_ns[from]));
    laid.terms.push_back(terms_at(deg[i], deg[count - 1], orders));
  }
  return laid;
}

struct Side {
  double off_pitches = 0;
  double doubt_pitches = 0;  // one standard deviation
  double clear_pitches = 0;  // farther off is more than doubt
};

// The teeth `beside` the gaps against the fit through all others; empty when these are too few.
std::vector<Side> sides(const Laid& laid, const std::vector<bool>& beside) {
  const std::size_t terms = laid.terms.front().size();
  LeastSquares fit(terms);
  std::size_t used = 0;
  for (std::size_t i = 0; i < beside.size(); ++i) {
    if (!beside[i]) {
      fit.add(laid.terms[i], laid.t_ns[i], laid.per_ns[i]);
      ++used;
    }
  }
  if (used < terms + spare_edges_min || !fit.solve()) {
    return {};
  }
  const auto off = [&](std::size_t i) { return laid.per_ns[i] * (laid.t_ns[i] - fit.value_at(laid.terms[i])); };
  // What a tooth would be off, about, had it been left out as the sides are.
  const double spare_share = 1 - static_cast<double>(terms) / static_cast<double>(used);
  double squares = 0;
  double most_left = 0;
  for (std::size_t i = 0; i < beside.size(); ++i) {
    const double left = beside[i] ? 0 : std::fabs(off(i)) / spare_share;
    squares += left * left;
    most_left = std::max(most_left, left);
  }
  constexpr double sigmas = 4;
  constexpr double rough_pitches = 0.05;
  constexpr double of_most_left = 2;
  const double variance = squares / static_cast<double>(used);
  std::vector<Side> found;
  for (std::size_t i = side_edges; i + side_edges < beside.size(); ++i) {
    if (beside[i]) {
      const double gain = 1 + laid.per_ns[i] * laid.per_ns[i] * fit.variance_at(laid.terms[i]);
      const double doubt = std::sqrt(variance * gain);
      found.push_back({off(i), doubt, std::max(sigmas * doubt + rough_pitches, of_most_left * most_left)});
    }
  }
  return found;
}

GapSides judge(const Laid& laid) {
  constexpr double clear_max = 0.3;
  GapSides now;
  double worst = 0;
  double clear = 0;
  for (const bool before : {true, false}) {
    for (const Side& side : sides(laid, before ? laid.before_gap : laid.after_gap)) {
      const double off = std::fabs(side.off_pitches);
      if (off > side.clear_pitches && off > worst * side.doubt_pitches) {
        worst = off / std::max(side.doubt_pitches, 1e-9);
        now = {GapSidesVerdict::off, before, side.off_pitches};
      }
      clear = std::max(clear, side.clear_pitches);
    }
  }
  if (now.verdict != GapSidesVerdict::off && clear > 0) {
    now.verdict = clear < clear_max ? GapSidesVerdict::in_place : GapSidesVerdict::unclear;
  }
  return now;
}

}  // namespace

std::vector<double> ripple_orders(const Engine& engine) {
  constexpr double even_deg = 1;
  constexpr double multiples = 3;
  constexpr double order_least_most = 8;
  constexpr double of_teeth = 0.4;  // more waves a turn can't be seen
  const std::vector<double> steps_deg = firing_steps_deg(engine);
  const double widest = steps_deg.empty() ? engine.cycle_deg : *std::max_element(steps_deg.begin(), steps_deg.end());
  const double least = steps_deg.empty() ? engine.cycle_deg : *std::min_element(steps_deg.begin(), steps_deg.end());
  const double firings = deg_per_rev / widest;
  const double base = widest - least < even_deg ? firings : deg_per_rev / engine.cycle_deg;
  const double most = std::max(order_least_most, multiples * firings);
  const double teeth_a_turn = static_cast<double>(engine.crank.teeth.size()) * deg_per_rev / engine.crank.period_deg;
  std::vector<double> orders;
  for (int k = 1; k * base <= most && k * base < of_teeth * teeth_a_turn; ++k) {
    orders.push_back(k * base);
  }
  return orders;
}

GapSides look_at_gap_sides(std::span<const std::int64_t> t_ns, const ToothCycle& file, std::span<const double> orders) {
  const std::vector<double> file_deg = file.steps_deg(file.repeat_teeth);
  std::optional<GapSides> found;
  for (const std::size_t start : explaining_starts(t_ns, file)) {
    const GapSides now = judge(laid_on(t_ns, file_deg, start, orders));
    if (now.verdict == GapSidesVerdict::in_place) {
      return now;
    }
    found = found && found->verdict != GapSidesVerdict::off ? found : now;
  }
  return found.value_or(GapSides{});
}

}  // namespace cw
