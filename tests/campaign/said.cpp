// One line a seed: a checksum of everything that the monitor says of the campaign's runs, doubles bit by bit. Two builds
// that print the same say the same: for changes that must not change what comes out.
//
//   build/release/tests/campaign/said FROM TO     seeds, both included
//
// Each seed is run as drawn, with an engine file that is not the engine's, with an ECU beside it, and once as a live
// capture would have recorded it (host times of their own, several items read at once).
#include <charconv>
#include <cstdint>
#include <cstdio>
#include <cstring>
#include <span>
#include <string>
#include <utility>
#include <vector>

#include "campaign/feed.hpp"
#include "campaign/runs.hpp"
#include "monitor/monitor.hpp"
#include "record/crc32c.hpp"
#include "record/observation_text.hpp"

namespace {

using namespace cw;
using namespace cw::campaign;

class Checksum final : public Observer {
 public:
  void on_finding(const Finding& finding) override {
    add(finding_json(finding, std::nullopt));
    for (const auto& [name, value] : finding.values) {
      add(value);
    }
  }
  void on_cycle(const Cycle& cycle) override {
    add(cycles_row(cycle, cycle.cam_phase_deg.size()));
    add(cycle.rpm);
    add(cycle.uncertainty_deg);
    add(cycle.sync_margin.value_or(0));
    add(cycle.reference_deviation_deg.value_or(0));
    add(cycle.reference_uncertainty_deg.value_or(0));
    for (const std::optional<double>& phase_deg : cycle.cam_phase_deg) {
      add(phase_deg.value_or(0));
    }
  }
  void on_second(const Second& second) override {
    add(trend_row(second, second.cam_phase_deg.size()));
    add(second.rpm.value_or(0));
    add(second.tdc_deviation_deg.value_or(0));
  }
  void on_state(const StateChange& change) override {
    add(std::to_string(static_cast<int>(change.to)) + " " + std::to_string(change.source_ns));
  }
  void on_wheel(const WheelShape& shape) override {
    for (const ToothShape& tooth : shape.teeth) {
      add(tooth.error_deg);
      add(tooth.scatter_deg);
    }
  }

  std::uint32_t sum() const { return sum_; }
  std::uint64_t bytes() const { return bytes_; }

 private:
  void add(const std::string& text) { add(std::as_bytes(std::span(text))); }
  void add(double value) { add(std::as_bytes(std::span(&value, 1))); }
  void add(std::span<const std::byte> bytes) {
    const std::uint32_t before = sum_;
    sum_ = crc32c(std::as_bytes(std::span(&before, 1)), bytes);
    bytes_ += bytes.size();
  }
  std::uint32_t sum_ = 0;
  std::uint64_t bytes_ = 0;
};

// As a device would have sent it: in reads of some milliseconds, with ticks of the host alone.
Stream as_live(Stream stream, Dice& dice) {
  std::int64_t read_ns = 0;
  for (Item& item : stream.items) {
    if (item.source_ns >= read_ns) {
      read_ns = item.source_ns + static_cast<std::int64_t>(dice.log_range(1e5, 2e7));
    }
    item.host_ns = read_ns + 5'000'000'000;
    item.source_ns = item.kind == ItemKind::tick ? 0 : item.source_ns;
  }
  return stream;
}

void tell(std::uint64_t seed, const char* what, const Engine& engine, const Stream& stream, Dice dice,
          std::vector<BusMap> maps = {}) {
  Checksum sum;
  Monitor monitor(engine, sum, std::move(maps));
  std::span<const Item> rest(stream.items);
  while (!rest.empty()) {
    const auto size = std::min(rest.size(), static_cast<std::size_t>(dice.log_range(1, 20000)));
    monitor.push({rest.first(size), stream.payload});
    rest = rest.subspan(size);
  }
  monitor.finish();
  std::printf("%llu %s %08x %llu\n", static_cast<unsigned long long>(seed), what, static_cast<unsigned>(sum.sum()),
              static_cast<unsigned long long>(sum.bytes()));
}

void tell_seed(std::uint64_t seed) {
  const Case drawn = draw_case(seed);
  if (drawn.problem.empty()) {
    const Stream stream = stream_of(sim::simulate(drawn.engine, drawn.scenario));
    tell(seed, "drawn", drawn.engine, stream, Dice(seed, 5));
    Dice reads(seed, 6);
    tell(seed, "live", drawn.engine, as_live(stream, reads), Dice(seed, 7));
  }
  const MismatchCase other = draw_mismatch(seed);
  if (other.drawn.problem.empty()) {
    tell(seed, "mismatch", other.file, stream_of(sim::simulate(other.drawn.engine, other.drawn.scenario)),
         Dice(seed, 15));
  }
  const TwoSidedCase both = draw_two_sided(seed);
  if (both.drawn.problem.empty()) {
    tell(seed, "two-sided", both.drawn.engine, stream_of(sim::simulate(both.drawn.engine, both.drawn.scenario)),
         Dice(seed, 25), both.maps);
  }
}

}  // namespace

int main(int argc, char** argv) {
  const auto number = [](const char* text, std::uint64_t& value) {
    const char* end = text + std::strlen(text);
    return std::from_chars(text, end, value) == std::from_chars_result{end, std::errc()};
  };
  std::uint64_t from = 0;
  std::uint64_t to = 0;
  if (argc != 3 || !number(argv[1], from) || !number(argv[2], to) || to < from) {
    std::fprintf(stderr, "usage: said FROM TO, two numbers of seeds\n");
    return 2;
  }
  for (std::uint64_t seed = from; seed <= to; ++seed) {
    tell_seed(seed);
  }
  return 0;
}
