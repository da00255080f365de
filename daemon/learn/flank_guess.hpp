// Which wheel it is by both flanks of its teeth, where one flank does not tell it from ripple.
#pragma once

#include "learn/flank_fit.hpp"
#include "learn/wheel_guess.hpp"

namespace cw::learn {

struct FlankGuess {
  FlankFit fit;
  double log_evidence = 0;
  double margin = 0;  // log evidence over the best wheel that is another
};

// `firings`: in a cycle; `rpm` of the crank. Of equal pitches those that one flank found are tried, and what is a missing tooth
// more or less.
FlankGuess guess_by_flanks(const Flanks& flanks, double firings, double rpm, const WheelGuess& by_one_flank);

// Of teeth at any angles: how well the best of them explains the edges.
double list_evidence(const Flanks& flanks, double firings, double rpm);

// The wheel of it, in fold degrees of a turn.
WheelGuess wheel_of(const FlankGuess& guess, const Flanks& flanks);

}  // namespace cw::learn
