// What wheel gives a fold: equal pitches with teeth missing, or teeth at angles of their own.
//
// Each wheel of equal pitches that could be is held against the times by how probable they are of a crank that turns as
// smooth_turning says; the ripple of the firings is so told from gaps wherever it can be: waves repeat with the firings, a gap
// comes once. Gaps are put in one missing tooth at a time, where they explain most, and each has to earn its place.
#pragma once

#include <vector>

#include "learn/fold.hpp"
#include "learn/smooth_turning.hpp"

namespace cw::learn {

struct WheelGuess {
  bool pitched = false;
  // Pitched: each step in pitches, from the fold's first edge on.
  std::vector<int> pitches;
  std::vector<double> tooth_deg;  // fold degrees of each edge from the first; of a list as time tells
  double log_evidence = 0;
  double margin = 0;                 // log evidence over the best wheel that is another
  Turning turning;                   // under which it was found
  std::vector<double> apart_sd_deg;  // of a list by both flanks: of the angle from tooth to tooth, row by row; or empty
  std::vector<std::vector<int>> tried;  // the best of equal pitches under each size of ripple, each once
  int positions() const;
  // What ripple may be in the angle between two teeth, fold degrees, 95 %; 0 of a pitched wheel.
  double uncertain_from(std::size_t tooth, std::size_t to) const;
};

// How much less probable a wheel of equal pitches is before anything is seen, in ln.
double unlikely(const std::vector<int>& pitches);

// `firings` in a fold: as Turning::firings. `rpm` of what turns once in a fold: how much ripple there may be.
WheelGuess guess_wheel(const Fold& fold, double firings, double rpm);

}  // namespace cw::learn
