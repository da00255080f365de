// The clocks of all sources against the host's, from their items (clocks/source_clock.hpp).
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "clocks/source_clock.hpp"
#include "geometry/engine.hpp"
#include "items/item.hpp"
#include "items/observation.hpp"

namespace cw {

class ClockWatch {
 public:
  // `sources` in the order of their numbers: their least delays. A source beyond them counts as a pipe.
  explicit ClockWatch(const std::vector<SourceSpec>& sources);

  // An edge came. Cheap: most calls are a comparison.
  void edge(const Item& item) { clocks_[item.source].arrival(item.source_ns, item.host_ns); }
  // Edges of one source came.
  void edges(std::span<const Item> items) {
    SourceClock& clock = clocks_[items.front().source];
    for (std::size_t i = 0; i < items.size() && !clock.is_settled(); ++i) {
      clock.arrival(items[i].source_ns, items[i].host_ns);
    }
  }
  // Any other item. A tick that has a source time says that host times were made from source times: then clocks are
  // exact, as far as the shifts of the files are, and nothing is fitted.
  void take(const Item& item);

  // When something happened by the host's clock. Nothing as long as that is not known. `source_ns` must be of the time
  // since the source's latest epoch began.
  std::optional<ClockReading> at(std::uint8_t source, std::int64_t source_ns) const {
    return clocks_[source].at(source_ns);
  }
  // The same without its uncertainty, also in the first seconds (source_clock.hpp).
  std::optional<std::int64_t> host_of(std::uint8_t source, std::int64_t source_ns) const {
    return clocks_[source].host_of(source_ns);
  }
  // Whether at() rests on a fit of arrivals; false: on files that were put on one clock, or on nothing yet.
  bool is_fitted(std::uint8_t source) const { return !clocks_[source].is_exact(); }

  struct Step {
    std::uint8_t source = 0;
    ClockStep step;
  };
  // The steps since this was last asked, at most one a source.
  std::vector<Step> take_steps();

  // The columns of trend.csv, where the clock of `source` is fitted: at `source_ns`.
  void fill(int source, std::int64_t source_ns, Second& row) const;
  // For the end of a session: each clock that is fitted, at its newest item.
  std::vector<ClockFit> fits() const;

 private:
  std::array<SourceClock, 256> clocks_;     // by source
  std::array<std::uint32_t, 256> steps_{};  // told, by source
  std::size_t sources_ = 0;                 // one more than the greatest number of which anything but edges came
  bool exact_ = false;
};

}  // namespace cw
