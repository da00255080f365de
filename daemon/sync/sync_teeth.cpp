// Tooth times for whoever learns the wheel's shape, and what was learned, taken back into the angles.
#include <algorithm>
#include <cstddef>
#include <limits>

#include "sync/sync.hpp"

namespace cw {

namespace {

constexpr std::int64_t between_ns = 1'000'000'000;
constexpr std::uint64_t cycles_told = 2;

}  // namespace

void Sync::correct_wheel(const std::vector<double>& error_deg, double hidden_deg) {
  tdc_.set_hidden_deg(hidden_deg);
  const std::size_t wheel_teeth = engine_.crank.teeth.size();
  error_deg_.clear();
  for (std::size_t i = 0; i < cycle_.teeth.size() && error_deg.size() == wheel_teeth; ++i) {
    error_deg_.push_back(error_deg[i % wheel_teeth]);
  }
}

// Whether it is known which tooth of the wheel each one is.
bool Sync::teeth_known() const {
  const auto repeat = static_cast<std::size_t>(cycle_.repeat_teeth);
  return is_lock(state_) && (known_ != PlaceKnown::none || repeat % engine_.crank.teeth.size() == 0);
}

void Sync::tell_tooth_times(std::uint64_t index) {
  const std::int64_t now_ns = tracker_.mark(index).t_ns;
  const std::uint64_t marks = cycles_told * cycle_.teeth.size();
  if (now_ns < next_teeth_ns_ || !teeth_known() || index < segment_start_ + marks ||
      !tracker_.well_supported(index - marks)) {
    return;
  }
  ToothTimesEvent event;
  event.t_ns.reserve(marks + 1);
  const auto teeth = static_cast<std::int32_t>(cycle_.teeth.size());
  std::int32_t tooth = tracker_.mark(index - marks).tooth;
  event.first = static_cast<std::size_t>((tooth + place_ * cycle_.repeat_teeth) % teeth);
  for (std::uint64_t i = index - marks; i <= index; ++i) {
    if (tracker_.mark(i).tooth != tooth) {
      return;  // one was missed
    }
    event.t_ns.push_back(tracker_.mark(i).t_ns);
    tooth = tooth + 1 == teeth ? 0 : tooth + 1;
  }
  event.state = state_;
  event.cycle = cycle_number_;
  add_duty(event);
  next_teeth_ns_ = now_ns + between_ns;
  events_.emplace_back(std::move(event));
}

// The other edge after each tooth, from the newest back.
void Sync::add_duty(ToothTimesEvent& event) const {
  const std::size_t kept = std::min<std::size_t>(other_count_, other_ns_.size());
  if (kept == 0) {
    return;
  }
  event.duty.assign(event.t_ns.size() - 1, unknown_duty);
  std::size_t tooth = event.duty.size();
  for (std::size_t back = 1; back <= kept && tooth > 0; ++back) {
    const std::int64_t t_ns = other_ns_[(other_count_ - back) & (other_ns_.size() - 1)];
    while (tooth > 0 && event.t_ns[tooth - 1] > t_ns) {
      --tooth;
    }
    if (tooth > 0 && t_ns < event.t_ns[tooth]) {
      event.duty[tooth - 1] = static_cast<float>(static_cast<double>(t_ns - event.t_ns[tooth - 1]) /
                                                 static_cast<double>(event.t_ns[tooth] - event.t_ns[tooth - 1]));
    }
  }
}

void Sync::forget_teeth() {
  next_teeth_ns_ = std::numeric_limits<std::int64_t>::min();
  other_count_ = 0;
}

}  // namespace cw
