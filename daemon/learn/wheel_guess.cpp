#include "learn/wheel_guess.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>
#include <optional>
#include <utility>

#include "geometry/angle.hpp"

namespace cw::learn {

namespace {

// Angle of each edge from the first, with `pitches` between them.
std::vector<double> angles_of(const std::vector<int>& pitches) {
  const double pitch_deg = deg_per_rev / std::accumulate(pitches.begin(), pitches.end(), 0.0);
  std::vector<double> angles;
  int at = 0;
  for (const int step : pitches) {
    angles.push_back(at * pitch_deg);
    at += step;
  }
  return angles;
}

double log_evidence(const SmoothTurning& turning, const std::vector<double>& angles, const std::vector<double>& times) {
  std::vector<double> ahead(angles.size());
  for (std::size_t i = 0; i < angles.size(); ++i) {
    ahead[i] = angles[i] - times[i];
  }
  return turning.log_evidence(ahead);
}

struct Candidate {
  std::vector<int> pitches;
  double worth = 0;  // log evidence less what makes it unlikely
  Turning turning;
};

double worth_of(const SmoothTurning& turning, const std::vector<int>& pitches, const std::vector<double>& times) {
  return log_evidence(turning, angles_of(pitches), times) - unlikely(pitches);
}

// The best that comes of one more (or one fewer) missing tooth at one step.
std::optional<Candidate> best_change(const SmoothTurning& turning, const Candidate& from,
                                     const std::vector<double>& times, int change) {
  std::vector<int> pitches = from.pitches;
  const int positions = std::accumulate(pitches.begin(), pitches.end(), 0) + change;
  if (positions < static_cast<int>(pitches.size())) {
    return std::nullopt;
  }
  const double pitch_deg = deg_per_rev / positions;
  std::vector<double> ahead(times.size());
  int at = 0;
  for (std::size_t i = 0; i < times.size(); ++i) {
    ahead[i] = at * pitch_deg - times[i];
    at += pitches[i];
  }
  const std::vector<double> evidence = turning.log_evidences(ahead, change * pitch_deg);
  std::optional<Candidate> best;
  for (std::size_t i = 0; i < pitches.size(); ++i) {
    pitches[i] += change;
    const double worth = evidence[i] - unlikely(pitches);
    if (pitches[i] >= 1 && (!best || worth > best->worth)) {
      best = {pitches, worth, from.turning};
    }
    pitches[i] -= change;
  }
  return best;
}

// Puts missing teeth in for as long as that explains more. A gap of several may not pay before its second.
Candidate grown(const SmoothTurning& turning, Candidate best, const std::vector<double>& times) {
  const std::size_t most = std::max<std::size_t>(2, times.size() / 2);
  constexpr int patience = 2;
  Candidate now = best;
  int without = 0;
  for (std::size_t i = 0; i < most && without < patience && times.size() > 1; ++i) {
    now = *best_change(turning, now, times, 1);
    without = now.worth > best.worth ? 0 : without + 1;
    best = now.worth > best.worth ? now : best;
  }
  for (int i = 0; i < patience; ++i) {
    const auto less = best_change(turning, best, times, -1);
    if (less && less->worth > best.worth) {
      best = *less;
    }
  }
  return best;
}

// Any angles at all: each tooth anywhere within the mean distance to either side.
double worth_of_list(std::size_t teeth) {
  const auto count = static_cast<double>(teeth);
  return -count * std::log(2 * deg_per_rev / count);
}

std::vector<Turning> turnings(double firings, double rpm, double pitch_deg) {
  constexpr std::array<double, 4> shares = {2.0, 0.7, 0.2, 0.04};
  constexpr std::array<std::pair<double, double>, 3> edges = {{{0.04, 0.002}, {0.12, 0.01}, {0.3, 0.04}}};
  std::vector<Turning> out;
  for (const bool uneven : {false, true}) {
    for (const double share : shares) {
      for (const auto& [fixed_deg, of_pitch] : edges) {
        out.push_back({firings, uneven, share * usual_scale(rpm), fixed_deg + of_pitch * pitch_deg});
      }
    }
  }
  return out;
}

// The best wheel that is another than `best`.
double rival_worth(const Candidate& best, const std::vector<Candidate>& all, const std::vector<double>& times) {
  double worth = times.size() > 1 ? worth_of_list(times.size()) : -1e9;
  for (const Candidate& other : all) {
    if (other.pitches != best.pitches) {
      worth = std::max(worth, other.worth);
    }
  }
  const SmoothTurning turning(times, best.turning);
  for (const int change : {-1, 1}) {
    if (const auto other = best_change(turning, best, times, change); other && times.size() > 1) {
      worth = std::max(worth, other->worth);
    }
  }
  return worth;
}

WheelGuess as_list(const Fold& fold, double firings, double rpm) {
  WheelGuess guess;
  guess.turning = {firings, false, usual_scale(rpm), 0.1};
  guess.tooth_deg = fold.at_deg;
  return guess;
}

}  // namespace

int WheelGuess::positions() const {
  return std::accumulate(pitches.begin(), pitches.end(), 0);
}

double WheelGuess::uncertain_from(std::size_t tooth, std::size_t to) const {
  constexpr double sigmas = 2;
  if (pitched) {
    return 0;
  }
  return sigmas * (apart_sd_deg.empty() ? free_sd_deg(turning, tooth_deg[tooth], tooth_deg[to])
                                        : apart_sd_deg[tooth * tooth_deg.size() + to]);
}

// Each gap may stand anywhere, and gaps of many are rare.
double unlikely(const std::vector<int>& pitches) {
  constexpr double a_gap = 1.0;
  constexpr double a_tooth = 1.2;
  double cost = 0;
  for (const int step : pitches) {
    cost += step > 1 ? a_gap + std::log(static_cast<double>(pitches.size())) + a_tooth * (step - 1) : 0.0;
  }
  return cost;
}

WheelGuess guess_wheel(const Fold& fold, double firings, double rpm) {
  const std::vector<double>& times = fold.at_deg;
  const double pitch_deg = deg_per_rev / static_cast<double>(times.size());
  std::vector<Candidate> all;
  for (const Turning& how : turnings(firings, rpm, pitch_deg)) {
    const SmoothTurning turning(times, how);
    const std::vector<int> even(times.size(), 1);
    all.push_back(grown(turning, {even, worth_of(turning, even, times), how}, times));
  }
  const Candidate best = *std::max_element(all.begin(), all.end(),
                                           [](const Candidate& a, const Candidate& b) { return a.worth < b.worth; });
  const double rival = rival_worth(best, all, times);
  const double list = worth_of_list(times.size());
  std::vector<std::vector<int>> tried;
  for (const Candidate& one : all) {
    if (std::find(tried.begin(), tried.end(), one.pitches) == tried.end()) {
      tried.push_back(one.pitches);
    }
  }
  if (best.worth <= list && times.size() > 1) {
    WheelGuess guess = as_list(fold, firings, rpm);
    guess.log_evidence = list;
    guess.margin = list - best.worth;
    guess.tried = tried;
    return guess;
  }
  WheelGuess guess;
  guess.pitched = true;
  guess.pitches = best.pitches;
  guess.tooth_deg = angles_of(best.pitches);
  guess.log_evidence = best.worth;
  guess.margin = best.worth - rival;
  guess.turning = best.turning;
  guess.tried = tried;
  return guess;
}

}  // namespace cw::learn
