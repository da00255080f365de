// Draws for the campaign, the same on every machine.
#pragma once

#include <cmath>
#include <cstdint>
#include <initializer_list>
#include <vector>

#include "simulate/random.hpp"

namespace cw::campaign {

// A stream of its own for each use, apart from the simulator's streams (which stay below 10,000).
class Dice {
 public:
  Dice(std::uint64_t seed, std::uint64_t stream) : random_(seed, 1'000'000 + stream) {}

  bool chance(double share) { return random_.uniform() < share; }
  double range(double from, double to) { return from + (to - from) * random_.uniform(); }
  // Each factor of the same size is as likely; both bounds above 0.
  double log_range(double from, double to) { return from * std::pow(to / from, random_.uniform()); }
  // Both ends included.
  int whole(int from, int to) {
    return from + static_cast<int>(random_.uniform() * (static_cast<double>(to - from) + 1.0));
  }
  int sign() { return chance(0.5) ? 1 : -1; }
  template <class T>
  T pick(std::initializer_list<T> choices) {
    return *(choices.begin() + whole(0, static_cast<int>(choices.size()) - 1));
  }
  template <class T>
  void shuffle(std::vector<T>& values) {
    for (std::size_t i = values.size(); i > 1; --i) {
      std::swap(values[i - 1], values[static_cast<std::size_t>(whole(0, static_cast<int>(i) - 1))]);
    }
  }

 private:
  sim::Random random_;
};

}  // namespace cw::campaign
