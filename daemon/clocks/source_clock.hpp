// The clock of one source against the host's: a fold over the items of that source in sequence order.
//
// Each arrival is late by the difference of the clocks and a delay that is never negative. Of each stretch of source
// time only the least late arrival is kept, and the line below those of the last two minutes is the clock
// (lower_line.hpp). Queues, batches of a UART or of USB, and a busy host make arrivals late, never early, so they do not
// move it. The least delay of all, which even the quickest arrival has, cannot be seen: it is a setting, is taken off, and
// its uncertainty is part of each reading.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

#include "clocks/lower_line.hpp"

namespace cw {

struct ClockSettings {
  std::int64_t least_delay_ns = 1'000'000;              // from the event to the quickest arrival there can be
  std::int64_t least_delay_uncertainty_ns = 1'000'000;  // of that, 95 % half width
};

// When something happened by the host's clock, from its time on the source's.
struct ClockReading {
  std::int64_t host_ns = 0;
  double skew_ppm = 0;              // positive: the source's clock runs slow
  std::int64_t uncertainty_ns = 0;  // of host_ns, 95 % half width, the least delay's part included
};

// The source's clock, or the delay of its link, was suddenly another: the fit began anew.
struct ClockStep {
  std::int64_t source_ns = 0;  // of the first arrival that fits no more
  std::int64_t host_ns = 0;
  std::int64_t step_ns = 0;  // by how much host - source became greater: a clock set back, or a link that became slower
};

class SourceClock {
 public:
  SourceClock() = default;
  explicit SourceClock(const ClockSettings& settings) : settings_(settings) {}

  // An item of the source, in sequence order. Items that arrive together (one read of a port) are one arrival, that of
  // the youngest. Source times that fall by more than a second start the fit afresh (frames of two interfaces in one log
  // may be out of order by less).
  void arrival(std::int64_t source_ns, std::int64_t host_ns) {
    if (settled_) {
      return;
    }
    if (host_ns != newest_host_ns_ || !any_) {
      next_arrival(source_ns, host_ns);
    }
    newest_source_ns_ = source_ns;
  }

  // The source's clock begins anew: a new epoch, a device that was restarted. All is forgotten but the settings.
  void restart();

  // Host time is no arrival: it was made from source time (files replayed without a recording, which have been shifted
  // to one clock). Then a reading is exact as far as that shift is, and there is no delay to take off and nothing to fit.
  void host_is_made_from_source();
  bool is_exact() const { return exact_; }
  // Arrivals tell nothing any more.
  bool is_settled() const { return settled_; }

  // Of the newest arrival; 0 before the first.
  std::int64_t newest_source_ns() const { return newest_source_ns_; }

  // Nothing until some seconds were seen. Beyond what was seen the uncertainty grows.
  std::optional<ClockReading> at(std::int64_t source_ns) const;

  // The same without its uncertainty, and before there is a fit by the least late of the last arrivals: late by what the
  // quickest of those waited. Nothing before the first arrival.
  std::optional<std::int64_t> host_of(std::int64_t source_ns) const;

  // The latest step since this was last asked.
  std::optional<ClockStep> take_step();

 private:
  struct Arrival {
    std::int64_t source_ns = 0;
    std::int64_t host_ns = 0;
  };

  void next_arrival(std::int64_t source_ns, std::int64_t host_ns);
  void take_newest();
  void begin_stretch(const Arrival& arrival);
  void end_stretch();
  void fit();
  void begin_after_step(const Arrival& arrival);
  bool is_late_step(const DelayPoint& point) const;
  double beyond_line_ns(const Arrival& arrival) const;  // only with a line
  double early_limit_ns(double source_ns) const;        // likewise
  double uncertainty_ns(double source_ns) const;        // of the line, likewise
  double delay_ns(const Arrival& arrival) const;        // host - source, from the origin's
  double source_ns(const Arrival& arrival) const;       // from the origin's

  ClockSettings settings_;
  bool exact_ = false;
  bool settled_ = false;  // exact_, and the first arrival of the epoch is known: later ones tell nothing new
  // The newest arrival; taken up when a later one shows that it is complete.
  bool any_ = false;
  std::int64_t newest_host_ns_ = 0;
  std::int64_t newest_source_ns_ = 0;
  // The stretch that goes on.
  bool in_stretch_ = false;
  std::int64_t stretch_start_ns_ = 0;
  Arrival last_;
  Arrival least_;
  double least_delay_ns_ = 0;  // of least_, the fitted slope taken off
  // The least late arrival of each stretch; times of points_ and line_ count from that of origin_.
  Arrival origin_;
  std::vector<DelayPoint> points_;
  std::optional<DelayLine> line_;
  double fit_uncertainty_ns_ = 0;
  double slope_uncertainty_ = 0;
  std::optional<ClockStep> step_;
};

}  // namespace cw
