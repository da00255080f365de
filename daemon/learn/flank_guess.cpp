#include "learn/flank_guess.hpp"

#include <algorithm>
#include <array>
#include <utility>

#include "geometry/angle.hpp"

namespace cw::learn {

namespace {

struct Candidate {
  std::vector<int> pitches;  // empty: a list
  EqualWidth equal = EqualWidth::none;
  Turning turning;
  double worth = 0;
};

bool better(const Candidate& a, const Candidate& b) {
  return a.worth < b.worth;
}

// How unevenly a crank may turn and how exact flanks may be. Waves that are not of the firing order may be far weaker than
// usual (cylinders that are alike) without those of it being weak.
std::vector<Turning> ways_to_turn(const Flanks& flanks, double firings, double rpm) {
  constexpr std::array<double, 4> shares = {2.0, 0.7, 0.2, 0.04};
  // Of a turn, and of the distance of teeth.
  constexpr std::array<std::pair<double, double>, 4> edges = {{{0.015, 0}, {0.04, 0.002}, {0.12, 0.01}, {0.3, 0.04}}};
  constexpr double weak = 0.1;
  constexpr int orders_a_turn = 24;
  const double pitch_deg = deg_per_rev / static_cast<double>(flanks.lead_deg.size());
  const auto turns = static_cast<int>(flanks.turns());
  std::vector<Turning> ways;
  for (const double share : shares) {
    for (const auto& [fixed_deg, of_pitch] : edges) {
      Turning way{firings, false, share * usual_scale(rpm), fixed_deg / turns + of_pitch * pitch_deg};
      way.orders = turns * orders_a_turn;
      ways.push_back(way);
      way.others = weak;
      ways.push_back(way);
      way.uneven = true;
      ways.push_back(way);
    }
  }
  return ways;
}

// Teeth at any angles. With widths of their own nothing tells how unevenly the crank turns: then it may as unevenly as is usual,
// and what is told is as doubtful as that makes it. Equal widths must explain clearly more, or they are none.
std::vector<Candidate> lists(const Flanks& flanks, const std::vector<Turning>& ways, double rpm) {
  constexpr double clearly = 6;
  constexpr double least_share = 0.5;
  const double usual = usual_scale(rpm);
  Candidate any{{}, EqualWidth::none, ways.front(), -1e12};
  for (const Turning& turning : ways) {
    if (turning.scale > least_share * usual) {
      const double worth = FlankFit(flanks, {{}, EqualWidth::none, turning}).log_evidence();
      any = worth > any.worth ? Candidate{{}, EqualWidth::none, turning, worth} : any;
    }
  }
  any.turning.scale = std::max(any.turning.scale, usual);
  any.turning.others = 1;
  std::vector<Candidate> all = {any};
  for (const Turning& turning : ways) {
    for (const EqualWidth equal : {EqualWidth::teeth, EqualWidth::spaces}) {
      const double worth = FlankFit(flanks, {{}, equal, turning}).log_evidence();
      if (worth > any.worth + clearly) {
        all.push_back({{}, equal, turning, worth});
      }
    }
  }
  return all;
}

// Teeth of equal pitches are cut alike, so they, or the spaces, are equally wide. With widths of their own too much would do.
std::vector<Candidate> candidates(const Flanks& flanks, const std::vector<Turning>& ways, double rpm,
                                  const std::vector<std::vector<int>>& tried) {
  std::vector<Candidate> all = flanks.teeth > 1 ? lists(flanks, ways, rpm) : std::vector<Candidate>{};
  for (const Turning& turning : ways) {
    for (const EqualWidth equal : {EqualWidth::teeth, EqualWidth::spaces}) {
      const FlankFit fit(flanks, {tried.front(), equal, turning});
      for (const std::vector<int>& pitches : tried) {
        all.push_back({pitches, equal, turning, fit.log_evidence_of(pitches) - unlikely(pitches)});
      }
    }
  }
  return all;
}

// The best wheel that has a missing tooth more or fewer at one step.
Candidate best_change(const Flanks& flanks, const Candidate& from) {
  const FlankFit fit(flanks, {from.pitches, from.equal, from.turning});
  Candidate best = from;
  best.worth = -1e12;
  std::vector<int> pitches = from.pitches;
  for (int& step : pitches) {
    for (const int change : {-1, 1}) {
      step += change;
      if (step >= 1) {
        const double worth = fit.log_evidence_of(pitches) - unlikely(pitches);
        if (worth > best.worth) {
          best.pitches = pitches;
          best.worth = worth;
        }
      }
      step -= change;
    }
  }
  return best;
}

// Of the ways to turn that explain a list nearly as well as the best that which leaves its teeth most doubtful.
Candidate most_doubtful(const Flanks& flanks, const std::vector<Candidate>& all, const Candidate& best) {
  constexpr double nearly = 4;
  Candidate chosen = best;
  double most_deg = 0;
  for (const Candidate& one : all) {
    if (!one.pitches.empty() || one.equal != best.equal || one.worth < best.worth - nearly) {
      continue;
    }
    const FlankFit fit(flanks, {{}, one.equal, one.turning});
    for (std::size_t tooth = 1; tooth < flanks.teeth; ++tooth) {
      const double sd_deg = fit.tooth(0, tooth).sd_deg;
      if (sd_deg > most_deg) {
        most_deg = sd_deg;
        chosen.turning = one.turning;
      }
    }
  }
  return chosen;
}

}  // namespace

FlankGuess guess_by_flanks(const Flanks& flanks, double firings, double rpm, const WheelGuess& by_one_flank) {
  constexpr std::size_t changes_most = 12;
  constexpr double only_one = 100;  // of a single tooth there is no other wheel
  const std::vector<Candidate> all = candidates(flanks, ways_to_turn(flanks, firings, rpm), rpm, by_one_flank.tried);
  Candidate best = *std::max_element(all.begin(), all.end(), better);
  double rival = best.worth - only_one;
  for (std::size_t i = 0; i < changes_most && !best.pitches.empty() && flanks.teeth > 1; ++i) {
    Candidate changed = best_change(flanks, best);
    const bool gains = changed.worth > best.worth;
    if (gains) {
      std::swap(changed, best);
    }
    rival = changed.worth;
    if (!gains) {
      break;
    }
  }
  for (const Candidate& other : all) {
    if (other.pitches != best.pitches) {
      rival = std::max(rival, other.worth);
    }
  }
  const double worth = best.worth;
  if (best.pitches.empty()) {
    best = most_doubtful(flanks, all, best);
  }
  return {FlankFit(flanks, {best.pitches, best.equal, best.turning}), worth, worth - rival};
}

double list_evidence(const Flanks& flanks, double firings, double rpm) {
  const std::vector<Candidate> all = lists(flanks, ways_to_turn(flanks, firings, rpm), rpm);
  return std::max_element(all.begin(), all.end(), better)->worth;
}

WheelGuess wheel_of(const FlankGuess& guess, const Flanks& flanks) {
  const auto turns = static_cast<double>(flanks.turns());
  WheelGuess wheel;
  wheel.pitches = guess.fit.wheel().pitches;
  wheel.pitched = !wheel.pitches.empty();
  wheel.turning = guess.fit.wheel().turning;
  wheel.log_evidence = guess.log_evidence;
  wheel.margin = guess.margin;
  for (std::size_t from = 0; from < flanks.teeth; ++from) {
    wheel.tooth_deg.push_back(turns * guess.fit.tooth(0, from).ahead_deg);
    for (std::size_t to = 0; to < flanks.teeth && !wheel.pitched; ++to) {
      wheel.apart_sd_deg.push_back(turns * guess.fit.tooth(from, to).sd_deg);
    }
  }
  return wheel;
}

}  // namespace cw::learn
