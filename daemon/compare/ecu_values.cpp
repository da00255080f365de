#include "compare/ecu_values.hpp"

#include <algorithm>

namespace cw {

EcuValues::EcuValues(const Engine& engine)
    : engine_(engine), cam_angles_(engine.cams.size()), cam_targets_(engine.cams.size()) {}

std::optional<std::size_t> EcuValues::cam_of(const SignalDefinition& signal) const {
  const auto found = std::ranges::find(engine_.cams, signal.cam, &CamPattern::name);
  return found == engine_.cams.end() ? std::nullopt
                                     : std::optional(static_cast<std::size_t>(found - engine_.cams.begin()));
}

EcuValues::Slot* EcuValues::slot(const SignalDefinition& signal) {
  if (!kind_of(signal.name).of_a_cam) {
    return &slots_.at(static_cast<std::size_t>(signal.name));
  }
  const auto cam = cam_of(signal);
  auto& slots = signal.name == SignalName::cam_angle ? cam_angles_ : cam_targets_;
  return cam ? &slots[*cam] : nullptr;
}

void EcuValues::set(const SignalReading& reading, std::int64_t host_ns) {
  if (Slot* known = slot(*reading.signal)) {
    known->known = reading.unknown == Unknown::none;
    known->value = {reading.value, reading.state, reading.bits, reading.signal->coding.field.length, host_ns};
  }
}

std::optional<EcuValue> EcuValues::young(SignalName name, std::int64_t now_ns, std::int64_t age_max_ns,
                                         std::size_t cam) const {
  const auto& of_cams = name == SignalName::cam_angle ? cam_angles_ : cam_targets_;
  if (kind_of(name).of_a_cam && cam >= of_cams.size()) {
    return std::nullopt;
  }
  const Slot& slot = kind_of(name).of_a_cam ? of_cams[cam] : slots_.at(static_cast<std::size_t>(name));
  return slot.known && now_ns - slot.value.host_ns <= age_max_ns ? std::optional(slot.value) : std::nullopt;
}

void EcuValues::forget() {
  slots_.fill({});
  std::ranges::fill(cam_angles_, Slot{});
  std::ranges::fill(cam_targets_, Slot{});
}

}  // namespace cw
