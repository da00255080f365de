#include "geometry/engine.hpp"

#include <algorithm>
#include <cstddef>

namespace cw {

namespace {

bool is_missing(int position, const std::vector<WheelGap>& gaps) {
  for (const WheelGap& gap : gaps) {
    if (position > gap.after_tooth && position <= gap.after_tooth + gap.missing) {
      return true;
    }
  }
  return false;
}

}  // namespace

LeastDelay usual_least_delay(std::string_view driver) {
  // Common practice and arithmetic, no source.
  if (driver.starts_with("serial")) {
    return {1.0, 1.0};  // a frame of ten bytes at 115,200 baud takes 0.9 ms; a USB adapter is asked each 1 ms
  }
  if (driver.starts_with("tcp")) {
    return {2.0, 2.0};  // a local network, and a device that gathers what it sends
  }
  if (driver == "socketcan") {
    return {0.5, 0.5};  // from the end of the frame on the bus: a USB adapter hands on what it has each 1 ms
  }
  return {10.0, 10.0};  // a pipe: what another program gathers before it writes is not known
}

bool CamPattern::lists_both_edges() const {
  return std::any_of(edges.begin(), edges.end(),
                     [this](const CamEdge& edge) { return edge.edge != edges.front().edge; });
}

std::vector<WheelTooth> pitched_teeth(int positions, const std::vector<WheelGap>& gaps, double period_deg) {
  std::vector<WheelTooth> teeth;
  for (int position = 1; position <= positions; ++position) {
    if (!is_missing(position, gaps)) {
      // Multiplied before divided: exact at whole degrees, so that no error adds up along the wheel.
      teeth.push_back({(position - 1) * period_deg / positions, position});
    }
  }
  return teeth;
}

std::vector<WheelTooth> listed_teeth(const std::vector<double>& angles_deg) {
  std::vector<WheelTooth> teeth;
  for (std::size_t i = 0; i < angles_deg.size(); ++i) {
    teeth.push_back({angles_deg[i], static_cast<int>(i) + 1});
  }
  return teeth;
}

std::vector<double> firing_steps_deg(const Engine& engine) {
  std::vector<double> angles_deg = engine.firing_angles_deg;
  std::sort(angles_deg.begin(), angles_deg.end());
  std::vector<double> steps_deg;
  for (std::size_t i = 0; i < angles_deg.size(); ++i) {
    const bool last = i + 1 == angles_deg.size();
    steps_deg.push_back((last ? engine.cycle_deg + angles_deg.front() : angles_deg[i + 1]) - angles_deg[i]);
  }
  return steps_deg;
}

std::vector<double> even_firing_angles(const std::vector<int>& firing_order, double cycle_deg) {
  std::vector<double> angles(firing_order.size());
  for (std::size_t i = 0; i < firing_order.size(); ++i) {
    const auto cylinder = static_cast<std::size_t>(firing_order[i] - 1);
    angles.at(cylinder) = static_cast<double>(i) * cycle_deg / static_cast<double>(firing_order.size());
  }
  return angles;
}

}  // namespace cw
