// Random numbers that are the same on every machine: the standard fixes std::mt19937_64 to the bit but leaves its
// distributions to the implementation, so the transforms are our own.
#pragma once

#include <cmath>
#include <cstdint>
#include <numbers>
#include <random>

namespace cw::sim {

// A stream of its own for each use: adding a fault must not change the jitter of the teeth.
class Random {
 public:
  Random(std::uint64_t seed, std::uint64_t stream) : bits_(mix(mix(seed) + stream)) {}

  // Uniform in [0, 1), 53 bits.
  double uniform() { return static_cast<double>(bits_() >> 11U) * 0x1p-53; }

  // Standard normal, by Box and Muller, "A note on the generation of random normal deviates", 1958.
  double normal() {
    if (has_spare_) {
      has_spare_ = false;
      return spare_;
    }
    const double radius = std::sqrt(-2.0 * std::log(1.0 - uniform()));
    const double angle_rad = 2.0 * std::numbers::pi * uniform();
    spare_ = radius * std::sin(angle_rad);
    has_spare_ = true;
    return radius * std::cos(angle_rad);
  }

 private:
  // splitmix64's finaliser: neighbouring seeds give unlike states.
  static std::uint64_t mix(std::uint64_t value) {
    value += 0x9e3779b97f4a7c15ULL;
    value = (value ^ (value >> 30U)) * 0xbf58476d1ce4e5b9ULL;
    value = (value ^ (value >> 27U)) * 0x94d049bb133111ebULL;
    return value ^ (value >> 31U);
  }

  std::mt19937_64 bits_;
  double spare_ = 0;
  bool has_spare_ = false;
};

}  // namespace cw::sim
