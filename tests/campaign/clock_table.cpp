// How far the clock of a source is known, over links and crystals with known truth: a table for people, by seeds.
//
//     build/release/tests/campaign/clock_table [SEEDS [SECONDS]]
#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <random>
#include <vector>

#include "clocks/source_clock.hpp"
#include "tests/unit/clocks/link_model.hpp"

namespace {

struct Tally {
  std::vector<double> error_us;  // absolute
  std::vector<double> stated_us;
  std::uint64_t readings = 0;
  std::uint64_t covered = 0;
  std::uint64_t steps = 0;

  void add(double error, double stated) {
    error_us.push_back(error);
    stated_us.push_back(stated);
    ++readings;
    covered += error <= stated ? 1 : 0;
  }
};

double quantile(std::vector<double>& values, double share) {
  if (values.empty()) {
    return 0;
  }
  const auto at = values.begin() + static_cast<std::ptrdiff_t>(share * static_cast<double>(values.size() - 1));
  std::nth_element(values.begin(), at, values.end());
  return *at;
}

cw::test::Crystal drawn_crystal(std::mt19937_64& dice) {
  std::uniform_real_distribution<double> share(-1, 1);
  cw::test::Crystal crystal;
  crystal.skew_ppm = 200 * share(dice);
  crystal.warm_up_ppm = 10 * share(dice);
  crystal.swing_ppm = 3 * share(dice);
  return crystal;
}

void run(const cw::test::Link& link, std::uint64_t seed, double seconds, Tally& tally) {
  std::mt19937_64 dice(seed);
  const cw::test::Crystal crystal = drawn_crystal(dice);
  cw::SourceClock clock({link.least_ns, 0});  // the least delay known: what the fit adds is judged
  std::int64_t due_ns = 0;
  cw::test::run_link(link, crystal, seconds, dice, [&](const cw::test::Arrived& item) {
    clock.arrival(item.source_ns, item.host_ns);
    if (item.source_ns >= due_ns) {
      due_ns += cw::test::ns_per_s;
      if (const auto reading = clock.at(item.source_ns)) {
        tally.add(std::abs(static_cast<double>(reading->host_ns - crystal.host_ns(item.source_ns))) * 1e-3,
                  static_cast<double>(reading->uncertainty_ns) * 1e-3);
      }
      tally.steps += clock.take_step() ? 1 : 0;
    }
  });
}

}  // namespace

int main(int argc, char** argv) {
  const int seeds = argc > 1 ? std::atoi(argv[1]) : 20;
  const double seconds = argc > 2 ? std::atof(argv[2]) : 1800;
  std::printf("%-50s %9s %9s %12s %9s %6s\n", "link", "p50 us", "p95 us", "stated p50", "covered", "steps");
  for (const cw::test::Link& link : cw::test::links()) {
    Tally tally;
    for (int seed = 0; seed < seeds; ++seed) {
      run(link, 2'000'000 + static_cast<std::uint64_t>(seed), seconds, tally);
    }
    std::printf(
        "%-50s %9.1f %9.1f %12.1f %8.2f%% %6llu\n", link.name.c_str(), quantile(tally.error_us, 0.5),
        quantile(tally.error_us, 0.95), quantile(tally.stated_us, 0.5),
        100.0 * static_cast<double>(tally.covered) / static_cast<double>(std::max<std::uint64_t>(tally.readings, 1)),
        static_cast<unsigned long long>(tally.steps));
  }
}
