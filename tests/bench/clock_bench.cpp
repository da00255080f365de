// What it costs to keep one source's clock: a second's fit over the last 128 s, an arrival, an item read with others.
#include <array>
#include <cstdint>
#include <random>

#include <benchmark/benchmark.h>

#include "clocks/source_clock.hpp"

namespace {

using namespace cw;

constexpr std::int64_t ns_per_s = 1'000'000'000;

// A source whose arrivals wait 2 ms in the mean on a link that needs 1 ms at least.
class Link {
 public:
  Link() {
    std::mt19937_64 dice(1);
    std::exponential_distribution<double> wait_ns(1.0 / 2e6);
    for (std::int64_t& wait : waits_ns_) {
      wait = 1'000'000 + static_cast<std::int64_t>(wait_ns(dice));
    }
  }
  // `arrivals` of the next second, each of `items` that are read together.
  void feed_second(int arrivals, int items, SourceClock& clock) {
    const std::int64_t step_ns = ns_per_s / arrivals;
    for (int i = 0; i < arrivals; ++i) {
      source_ns_ += step_ns;
      const std::int64_t host_ns = source_ns_ + waits_ns_[next_++ % waits_ns_.size()];
      host_ns_ = host_ns > host_ns_ ? host_ns : host_ns_ + 1;  // nothing overtakes, and each is an arrival of its own
      for (int item = items; item > 0; --item) {
        clock.arrival(source_ns_ - item, host_ns_);
      }
    }
  }

 private:
  std::array<std::int64_t, 4096> waits_ns_{};
  std::size_t next_ = 0;
  std::int64_t source_ns_ = 0;
  std::int64_t host_ns_ = 0;
};

// A second of source time, when the clock has been kept for 200 s.
void clock_second(benchmark::State& state) {
  const auto arrivals = static_cast<int>(state.range(0));
  const auto items = static_cast<int>(state.range(1));
  SourceClock clock;
  Link link;
  for (int second = 0; second < 200; ++second) {
    link.feed_second(arrivals, items, clock);
  }
  for (auto _ : state) {
    link.feed_second(arrivals, items, clock);
    benchmark::DoNotOptimize(clock);
  }
  if (!clock.at(0)) {
    state.SkipWithError("nothing was fitted");
  }
}
BENCHMARK(clock_second)->ArgNames({"arrivals", "items"})->Args({1, 1})->Args({1000, 1})->Args({1000, 10});

}  // namespace
