#include "items/observation.hpp"

#include <array>

namespace cw {

namespace {

template <typename Enum, std::size_t N>
std::string_view name_of(Enum value, const std::array<std::string_view, N>& names) {
  const auto index = static_cast<std::size_t>(value);
  return index < N ? names.at(index) : std::string_view("unknown");
}

}  // namespace

std::string_view to_string(LockState state) {
  static constexpr std::array<std::string_view, 5> names = {"no-signal", "searching", "revolution-locked",
                                                            "cycle-locked", "lost"};
  return name_of(state, names);
}

bool is_lock(LockState state) {
  return state == LockState::revolution_locked || state == LockState::cycle_locked;
}

Finding closed(const Finding& opened, std::int64_t end_ns) {
  Finding closing = opened;
  closing.phase = FindingPhase::close;
  closing.end_ns = end_ns;
  return closing;
}

std::string_view to_string(FindingKind kind) {
  static constexpr std::array<std::string_view, 43> names = {"sync-lost",
                                                             "sync-regained",
                                                             "extra-edge",
                                                             "missed-edge",
                                                             "noise-burst",
                                                             "crank-signal-stopped",
                                                             "engine-stopped",
                                                             "cam-edge-missing",
                                                             "cam-extra-edge",
                                                             "cam-signal-dead",
                                                             "cam-deviation",
                                                             "cam-step",
                                                             "crank-wheel-step",
                                                             "tdc-deviation",
                                                             "margin-low",
                                                             "wrong-engine-file",
                                                             "wrong-edge-or-polarity",
                                                             "damaged-tooth",
                                                             "reference-missing",
                                                             "edges-dropped",
                                                             "link-lost",
                                                             "frames-dropped",
                                                             "bus-trouble",
                                                             "crank-wheel-drift",
                                                             "tdc-step",
                                                             "tdc-drift",
                                                             "offset-and-delay",
                                                             "wheel-run-out",
                                                             "cam-drift",
                                                             "cam-off-target",
                                                             "differs-from-baseline",
                                                             "ecu-speed-disagrees",
                                                             "ecu-sync-disagrees",
                                                             "ecu-advance-disagrees",
                                                             "ecu-cam-disagrees",
                                                             "ecu-offset-changed",
                                                             "ecu-sync-changed",
                                                             "ecu-lost-sync",
                                                             "ecu-lost-sync-on-clean-signal",
                                                             "ecu-missed-fault",
                                                             "ecu-restarted",
                                                             "ecu-silent",
                                                             "clock-trouble"};
  static_assert(static_cast<std::size_t>(FindingKind::clock_trouble) + 1 == names.size());
  return name_of(kind, names);
}

std::string_view to_string(Severity severity) {
  static constexpr std::array<std::string_view, 3> names = {"info", "warning", "fault"};
  return name_of(severity, names);
}

std::string_view to_string(FindingPhase phase) {
  static constexpr std::array<std::string_view, 3> names = {"open", "close", "single"};
  return name_of(phase, names);
}

std::string_view to_string(Attribution attribution) {
  static constexpr std::array<std::string_view, 7> names = {"none", "sensor-or-wiring", "wheel",    "cam-drive",
                                                            "ecu",  "capture-link",     "undecided"};
  return name_of(attribution, names);
}

}  // namespace cw
