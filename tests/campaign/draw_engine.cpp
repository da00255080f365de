#include <algorithm>
#include <sstream>

#include "campaign/draw.hpp"
#include "campaign/text.hpp"
#include "config/engine_file.hpp"
#include "geometry/angle.hpp"
#include "geometry/cam_evidence.hpp"

namespace cw::campaign {

namespace {

enum class CamForm : std::uint8_t { single_tooth, few_teeth, half_moon, half_moon_one_edge };

std::string listed(const std::vector<double>& angles_deg) {
  std::string text = "[";
  for (const double angle : angles_deg) {
    text += (text.size() > 1 ? ", " : "") + fixed(angle, 2);
  }
  return text + "]";
}

// Teeth at least `apart_deg` from each other around the cycle, ascending.
std::vector<double> scattered_angles(Dice& dice, int count, double apart_deg) {
  constexpr double cycle_deg = 720;
  constexpr int tries_max = 1000;
  std::vector<double> angles;
  for (int i = 0; i < tries_max && static_cast<int>(angles.size()) < count; ++i) {
    const double angle = std::floor(dice.range(0, cycle_deg) * 100) / 100;
    const bool free = std::all_of(angles.begin(), angles.end(), [&](double other) {
      return std::fabs(wrap_signed_deg(angle - other, cycle_deg)) >= apart_deg;
    });
    if (free) {
      angles.push_back(angle);
    }
  }
  std::sort(angles.begin(), angles.end());
  return angles;
}

void write_cam_edges(Dice& dice, std::ostringstream& out) {
  const CamForm form = dice.pick(
      {CamForm::single_tooth, CamForm::few_teeth, CamForm::few_teeth, CamForm::half_moon, CamForm::half_moon_one_edge});
  const char* active = dice.pick({"rising", "falling"});
  if (form == CamForm::half_moon) {
    const double low = std::floor(dice.range(0, 360) * 100) / 100;
    const bool rising_first = dice.chance(0.5);
    out << "rising_deg = " << listed({rising_first ? low : low + 360}) << "\n";
    out << "falling_deg = " << listed({rising_first ? low + 360 : low}) << "\n";
    return;
  }
  const int count = form == CamForm::few_teeth ? dice.whole(2, 6) : 1;
  out << "active_edge = \"" << active << "\"\nedges_deg = " << listed(scattered_angles(dice, count, 40)) << "\n";
}

void write_cam(Dice& dice, int index, int gear_teeth, std::ostringstream& out) {
  out << "\n[[cam]]\nname = \"cam-" << index << "\"\nchannel = \"c" << index << "\"\n";
  write_cam_edges(dice, out);
  const bool phased = dice.chance(0.4);
  if (phased) {
    const double travel = std::floor(dice.range(20, 50));
    const bool advance = dice.chance(0.7);
    out << "phaser_range_deg = [" << fixed(advance ? -travel : 0, 1) << ", " << fixed(advance ? 0 : travel, 1) << "]\n";
  }
  out << "tolerance_deg = " << fixed(dice.range(5, 10), 1) << "\n";
  out << "gear_teeth = " << gear_teeth << "\n";
  if (dice.chance(0.2)) {
    out << "delay_us = " << fixed(dice.range(0, 20), 1) << "\n";
  }
}

std::string draw_cams(Dice& dice) {
  std::ostringstream out;
  const double form = dice.range(0, 1);
  const int cams = form < 0.12 ? 0 : form < 0.62 ? 1 : form < 0.87 ? 2 : 3;
  const int gear_teeth = dice.whole(36, 52);
  for (int i = 1; i <= cams; ++i) {
    write_cam(dice, i, gear_teeth, out);
  }
  return out.str();
}

std::string draw_crank(Dice& dice) {
  std::ostringstream out;
  const int teeth = dice.chance(0.7) ? dice.whole(24, 60) : dice.whole(12, 120);
  const int missing = dice.whole(1, teeth < 18 ? 2 : 3);
  out << "\n[crank]\nchannel = \"crank\"\nactive_edge = \"" << dice.pick({"rising", "falling"}) << "\"\n";
  out << "teeth = " << teeth << "\nmissing = " << missing << "\n";
  out << "trigger_offset_deg = " << fixed(dice.range(0, 719.99), 2) << "\n";
  out << "offset_basis = \"verified-mark\"\n";
  if (dice.chance(0.2)) {
    out << "delay_us = " << fixed(dice.range(0, 20), 1) << "\n";
  }
  return out.str();
}

std::string draw_head(Dice& dice) {
  std::ostringstream out;
  const int cylinders = dice.whole(1, 8);
  std::vector<int> order;
  for (int i = 2; i <= cylinders; ++i) {
    order.push_back(i);
  }
  dice.shuffle(order);
  out << "[engine]\nname = \"drawn by the campaign\"\ncylinders = " << cylinders << "\nfiring_order = [1";
  for (const int cylinder : order) {
    out << ", " << cylinder;
  }
  out << "]\n";
  return out.str();
}

std::string draw_reference(Dice& dice) {
  if (dice.chance(0.3)) {
    return "";
  }
  std::ostringstream out;
  const bool spark = dice.chance(0.6);
  out << "\n[reference]\nchannel = \"ref\"\nactive_edge = \"" << dice.pick({"rising", "falling"}) << "\"\n";
  out << "marks = \"" << (spark ? "spark" : "tdc") << "\"\nperiod_deg = " << (dice.chance(0.7) ? 720 : 360) << "\n";
  if (spark) {
    out << "advance_deg = " << fixed(dice.range(5, 15), 1) << "\n";
  }
  if (dice.chance(0.2)) {
    out << "delay_us = " << fixed(dice.range(0, 10), 1) << "\n";
  }
  return out.str();
}

// An engine that has cams has them to tell the revolution; one in twenty may not, a file can be like that too.
bool cams_will_do(const Engine& engine, bool any_will_do) {
  const auto within = known_within_deg(position_evidence(engine), engine.cycle_deg);
  return engine.cams.empty() || any_will_do || within.value_or(0) >= engine.cycle_deg;
}

}  // namespace

std::string draw_engine(Dice& dice) {
  constexpr int tries_max = 200;
  const std::string head = draw_head(dice);
  const std::string crank = draw_crank(dice);
  const std::string reference = draw_reference(dice);
  const bool any_will_do = dice.chance(0.05);
  std::string text;
  for (int i = 0; i < tries_max; ++i) {
    text = head;
    text += crank;
    text += draw_cams(dice);
    text += reference;
    const auto parsed = parse_engine(text, "drawn");
    const auto* engine = std::get_if<Engine>(&parsed);
    if (engine == nullptr || cams_will_do(*engine, any_will_do)) {
      break;
    }
  }
  return text;
}

}  // namespace cw::campaign
