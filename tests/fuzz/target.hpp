// What a fuzz target is: tests/fuzz/NAME.cpp defines run(), seeds() and words(); main.cpp makes a libFuzzer program of it.
#pragma once

#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <functional>
#include <span>
#include <string>
#include <string_view>

namespace cw::fuzz {

// Ends the process, which libFuzzer takes for a find, unless `holds`.
inline void expect(bool holds, std::string_view what) {
  if (!holds) {
    std::fprintf(stderr, "expected: %.*s\n", static_cast<int>(what.size()), what.data());
    std::abort();
  }
}

// The end of an input decides how the rest of it is used, so that a file with a few bytes behind it is a seed.
class Choices {
 public:
  static constexpr std::size_t bytes = 8;

  explicit Choices(std::string_view input) {
    const std::size_t size = std::min(bytes, input.size());
    for (const char byte : input.substr(input.size() - size)) {
      bits_ = (bits_ << 8U) | static_cast<std::uint8_t>(byte);
    }
    rest_ = input.substr(0, input.size() - size);
  }

  // The input without the choices.
  std::string_view rest() const { return rest_; }
  // The next bits, as a number.
  std::uint32_t take(unsigned bits) {
    const auto value = static_cast<std::uint32_t>(bits_ & ((std::uint64_t{1} << bits) - 1));
    bits_ >>= bits;
    return value;
  }
  bool flag() { return take(1) != 0; }

 private:
  std::uint64_t bits_ = 0;
  std::string_view rest_;
};

// Numbers that look random, from a seed; xorshift (Marsaglia 2003).
class Dice {
 public:
  explicit Dice(std::uint32_t seed) : state_(seed == 0 ? 1 : seed) {}
  std::uint32_t next() {
    state_ ^= state_ << 13U;
    state_ ^= state_ >> 17U;
    state_ ^= state_ << 5U;
    return state_;
  }

 private:
  std::uint32_t state_;
};

// Takes one seed; choices are put behind it: none set, and some.
using AddSeed = std::function<void(std::string_view bytes)>;

// To be defined by each target.
void run(std::string_view input);
void seeds(const AddSeed& add);
std::span<const std::string_view> words();  // of the format, for the dictionary; may be empty

}  // namespace cw::fuzz
