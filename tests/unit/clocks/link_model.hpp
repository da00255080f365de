// Devices with known clocks on links with known delays, for the tests of clocks and for the table of clock_table.cpp.
// Shares nothing with the code that it judges. Figures of links: a USB full-speed host asks each millisecond (USB 2.0,
// 5.12.4); a common USB serial adapter holds what it has for up to 16 ms (its data sheets; from memory); a queue that
// empties at random is the usual model of delay measurements (exponential). The rest is common practice, no source.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <random>
#include <string>
#include <vector>

namespace cw::test {

inline constexpr std::int64_t ns_per_s = 1'000'000'000;

// A crystal: how far host time is ahead of what its clock says.
struct Crystal {
  double skew_ppm = 0;     // positive: it runs slow
  double warm_up_ppm = 0;  // so much of it goes away as the device gets warm
  double warm_up_s = 600;  // time constant of that
  double swing_ppm = 0;    // slow swing of temperature, amplitude
  double swing_period_s = 1800;
  std::int64_t began_ns = 5'000 * ns_per_s;  // host time of source time 0

  std::int64_t host_ns(std::int64_t source_ns) const {
    const double s = static_cast<double>(source_ns) * 1e-9;
    const double swing_rad_s = 2 * 3.14159265358979 / swing_period_s;
    const double ahead_us = skew_ppm * s + warm_up_ppm * warm_up_s * (1 - std::exp(-s / warm_up_s)) +
                            swing_ppm / swing_rad_s * (1 - std::cos(swing_rad_s * s));
    return began_ns + source_ns + std::llround(ahead_us * 1000);
  }
};

struct Arrived {
  std::int64_t source_ns = 0;
  std::int64_t host_ns = 0;
};

struct Link {
  std::string name;
  double events_a_second = 1000;
  double jitter = 0.3;              // of the time between events
  std::int64_t least_ns = 300'000;  // that every item takes
  double queue_ns = 0;              // mean of an exponential delay on top
  std::int64_t gather_ns = 0;       // the device sends what it has so often; 0: at once
  std::int64_t poll_ns = 0;         // the host asks so often; 0: at once
  double stall_a_second = 0;        // how often the host is held up, for up to 50 ms
};

// Links as they are, and as they should not be.
inline std::vector<Link> links() {
  return {
      {"queue, 1,000 edges/s, mean wait 2 ms", 1000, 0.3, 300'000, 2e6, 0, 0, 0},
      {"USB device, sends each 5 ms, asked each 1 ms", 3000, 0.3, 100'000, 50e3, 5'000'000, 1'000'000, 0.2},
      {"USB serial adapter, holds for 16 ms", 3000, 0.3, 900'000, 100e3, 16'000'000, 1'000'000, 0.2},
      {"the same, cranking", 150, 0.5, 900'000, 100e3, 16'000'000, 1'000'000, 0.2},
      {"heartbeats only, one a second, mean wait 1 ms", 1, 0.01, 900'000, 1e6, 0, 1'000'000, 0.02},
      {"the same over wireless TCP, mean wait 8 ms", 1, 0.01, 2'000'000, 8e6, 0, 0, 0.02},
      {"CAN, 100 frames/s, mean wait 0.1 ms", 100, 0.05, 50'000, 100e3, 0, 0, 0.5},
      {"wireless TCP, mean wait 8 ms", 1000, 0.3, 2'000'000, 8e6, 20'000'000, 0, 1.0},
  };
}

// Gives out the items of `seconds` of a device, in order of arrival; what arrives together has one host time.
template <typename Take>
void run_link(const Link& link, const Crystal& crystal, double seconds, std::mt19937_64& dice, Take take) {
  std::uniform_real_distribution<double> share(0, 1);
  const auto exponential = [&](double mean) { return mean <= 0 ? 0.0 : -mean * std::log(1 - share(dice)); };
  const double step_ns = 1e9 / link.events_a_second;
  const std::int64_t end_ns = static_cast<std::int64_t>(seconds * 1e9);
  const auto phase = [&](std::int64_t every_ns) {
    return static_cast<std::int64_t>(share(dice) * static_cast<double>(every_ns));
  };
  const std::int64_t gather_phase_ns = phase(link.gather_ns);
  const std::int64_t poll_phase_ns = phase(link.poll_ns);
  const auto next_of = [](std::int64_t t_ns, std::int64_t every_ns, std::int64_t phase_ns) {
    return every_ns == 0 ? t_ns : (t_ns - phase_ns + every_ns - 1) / every_ns * every_ns + phase_ns;
  };
  std::int64_t arrived_ns = INT64_MIN;
  std::int64_t sent_before_ns = INT64_MIN;
  std::int64_t stalled_until_ns = INT64_MIN;
  double next_stall_ns =
      static_cast<double>(crystal.began_ns) + (link.stall_a_second > 0 ? exponential(1e9 / link.stall_a_second) : 1e18);
  double event_ns = step_ns;
  while (event_ns < static_cast<double>(end_ns)) {
    const auto source_ns = static_cast<std::int64_t>(event_ns);
    event_ns += step_ns * (1 + link.jitter * (share(dice) - 0.5));
    const std::int64_t sent_ns = next_of(source_ns, link.gather_ns, gather_phase_ns);  // by the device's clock
    if (sent_ns != sent_before_ns || link.gather_ns == 0) {
      sent_before_ns = sent_ns;
      std::int64_t at_ns = next_of(crystal.host_ns(sent_ns), link.poll_ns, poll_phase_ns) + link.least_ns +
                           static_cast<std::int64_t>(exponential(link.queue_ns));
      while (static_cast<double>(at_ns) > next_stall_ns) {
        stalled_until_ns = static_cast<std::int64_t>(next_stall_ns + 50e6 * share(dice));
        next_stall_ns += exponential(1e9 / link.stall_a_second);
      }
      arrived_ns = std::max({arrived_ns, at_ns, stalled_until_ns});
    }
    take(Arrived{source_ns, arrived_ns});
  }
}

}  // namespace cw::test
