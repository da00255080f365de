#include <algorithm>
#include <array>
#include <cstddef>
#include <numeric>
#include <set>

#include "config/sections.hpp"

namespace cw {

namespace {

std::string cylinder_count_text(int cylinders) {
  return std::to_string(cylinders) + (cylinders == 1 ? " cylinder" : " cylinders");
}

double read_cycle(const TableReader& in) {
  return in.one_of("cycle_deg", turn_periods_deg, "720 (four-stroke) or 360 (two-stroke)").value_or(720);
}

// A complaint when `order` does not name each cylinder once, beginning with cylinder 1.
void check_firing_order(const TableReader& in, const std::vector<int>& order) {
  std::set<int> seen;
  for (std::size_t i = 0; i < order.size(); ++i) {
    if (!seen.insert(order[i]).second) {
      in.complain_at("firing_order", i, "each cylinder once",
                     "cylinder " + std::to_string(order[i]) + " a second time");
    }
  }
  if (order.front() != 1) {
    in.complain_at("firing_order", 0, "cylinder 1 first (crank angle 0 is its top dead centre)",
                   "cylinder " + std::to_string(order.front()));
  }
}

std::optional<std::vector<int>> read_firing_order(const TableReader& in, int cylinders) {
  const auto count = static_cast<std::size_t>(cylinders);
  std::optional<std::vector<int>> order = in.wholes("firing_order", 1, cylinders_max, 1, cylinders);
  if (!order) {
    return std::nullopt;
  }
  if (order->size() != count) {
    in.complain("firing_order", "one entry for each of " + cylinder_count_text(cylinders) + " (cylinders, line " +
                                    std::to_string(in.line("cylinders")) + ")");
    return std::nullopt;
  }
  check_firing_order(in, *order);
  return order;
}

std::optional<std::vector<double>> read_firing_angles(const TableReader& in, int cylinders, double cycle_deg) {
  const auto count = static_cast<std::size_t>(cylinders);
  std::optional<std::vector<double>> angles =
      in.numbers("firing_angles_deg", 1, cylinders_max, {0, cycle_deg, false, true});
  if (!angles) {
    return std::nullopt;
  }
  if (angles->size() != count) {
    in.complain("firing_angles_deg", "one angle for each of " + cylinder_count_text(cylinders) + " (cylinders, line " +
                                         std::to_string(in.line("cylinders")) + ")");
    return std::nullopt;
  }
  if (angles->front() != 0) {
    in.complain_at("firing_angles_deg", 0, "0 (crank angle 0 is top dead centre of cylinder 1)",
                   number_text(angles->front()));
  }
  return angles;
}

// Cylinders by firing angle; those that fire together in the order of their numbers.
std::vector<int> order_of_angles(const std::vector<double>& angles_deg) {
  std::vector<int> order(angles_deg.size());
  std::iota(order.begin(), order.end(), 1);
  std::stable_sort(order.begin(), order.end(), [&](int a, int b) {
    return angles_deg[static_cast<std::size_t>(a - 1)] < angles_deg[static_cast<std::size_t>(b - 1)];
  });
  return order;
}

void check_order_against_angles(const TableReader& in, const std::vector<int>& order,
                                const std::vector<double>& angles_deg) {
  for (std::size_t i = 1; i < order.size(); ++i) {
    const double before = angles_deg[static_cast<std::size_t>(order[i - 1] - 1)];
    const double after = angles_deg[static_cast<std::size_t>(order[i] - 1)];
    if (after < before) {
      in.complain_at("firing_order", i,
                     "the order of firing_angles_deg (line " + std::to_string(in.line("firing_angles_deg")) + ")",
                     "cylinder " + std::to_string(order[i]) + " at " + number_text(after) + " after cylinder " +
                         std::to_string(order[i - 1]) + " at " + number_text(before));
      return;
    }
  }
}

}  // namespace

void read_engine_section(const TableReader& in, Engine& engine) {
  engine.name = in.text("name", name_bytes_max).value_or("unnamed engine");
  engine.cycle_deg = read_cycle(in);
  engine.baseline_file = in.text("baseline", path_bytes_max).value_or("");
  if (!in.has("cylinders")) {
    in.complain("cylinders", "a whole number from 1 to " + std::to_string(cylinders_max));
    return;
  }
  const std::optional<int> cylinders = in.whole("cylinders", 1, cylinders_max);
  if (!cylinders) {
    return;
  }
  engine.cylinders = *cylinders;
  const auto order = read_firing_order(in, *cylinders);
  const auto angles = read_firing_angles(in, *cylinders, engine.cycle_deg);
  if ((in.has("firing_order") && !order) || (in.has("firing_angles_deg") && !angles)) {
    return;  // complained of
  }
  if (order && angles) {
    check_order_against_angles(in, *order, *angles);
  }
  if (!order && !angles && *cylinders > 1) {
    in.complain("firing_order", "firing_order or firing_angles_deg", "neither");
    return;
  }
  engine.firing_order = order ? *order : (angles ? order_of_angles(*angles) : std::vector<int>{1});
  engine.firing_angles_deg = angles ? *angles : even_firing_angles(engine.firing_order, engine.cycle_deg);
}

}  // namespace cw
