#include "campaign/expectations.hpp"

#include <algorithm>
#include <array>

namespace cw::campaign {

namespace {

using F = sim::FaultKind;
using K = FindingKind;

// A burst hides teeth among its edges, and enough of it takes the position away.
constexpr std::array burst = {Consequence{K::extra_edge, 3}, Consequence{K::missed_edge, 3},
                              Consequence{K::sync_lost, 3}};
// Contact breaks and comes back in the middle of teeth; the ECU is without its crank too.
constexpr std::array dead_crank = {Consequence{K::sync_lost, 3}, Consequence{K::missed_edge, 2},
                                   Consequence{K::extra_edge, 2}, Consequence{K::reference_missing, 8}};
constexpr std::array dead_cam = {Consequence{K::cam_edge_missing, 2}, Consequence{K::cam_extra_edge, 2}};
constexpr std::array belt = {Consequence{K::cam_deviation, for_ever}, Consequence{K::cam_edge_missing, 3},
                             Consequence{K::cam_extra_edge, 3}};
// A wheel that slips by many degrees while teeth pass spoils a turn's worth of them.
constexpr std::array slip = {Consequence{K::cam_deviation, for_ever}, Consequence{K::cam_edge_missing, 3},
                             Consequence{K::cam_extra_edge, 3},       Consequence{K::sync_lost, 3},
                             Consequence{K::extra_edge, 2},           Consequence{K::missed_edge, 2},
                             Consequence{K::noise_burst, 2}};

const std::array table = {
    Expectation{F::extra_edge, K::extra_edge, 1, {}},
    Expectation{F::noise_burst, K::noise_burst, 1, burst},
    Expectation{F::missed_edge, K::missed_edge, 1, {}},
    Expectation{F::crank_signal_stopped, K::crank_signal_stopped, 1, dead_crank},
    Expectation{F::cam_edge_missing, K::cam_edge_missing, 1, {}},
    Expectation{F::cam_signal_dead, K::cam_signal_dead, 1, dead_cam},
    Expectation{F::cam_extra_edge, K::cam_extra_edge, 1, {}},
    Expectation{F::cam_step, K::cam_step, step_cycles, belt},
    Expectation{F::crank_wheel_step, K::crank_wheel_step, step_cycles, slip},
    Expectation{F::reference_error, K::tdc_deviation, for_ever, {}},
    Expectation{F::reference_delay, K::tdc_deviation, for_ever, {}},
    Expectation{F::reference_missing, K::reference_missing, 1, {}},
};

}  // namespace

const Expectation& expectation_of(sim::FaultKind kind) {
  return *std::find_if(table.begin(), table.end(), [kind](const Expectation& row) { return row.fault == kind; });
}

}  // namespace cw::campaign
