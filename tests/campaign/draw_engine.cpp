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

enum class WheelForm : std::uint8_t {
  one_gap,
  several_gaps,
  even,        // no gap: the cams alone tell which tooth it is
  angle_list,  // uneven teeth
  few_teeth,   // one to eight a turn
  on_cam,      // gap wheel or uneven teeth at half speed, as in a distributor
  ring_gear,   // many even teeth, and an index once a turn
  two_stroke,
};

// What a wheel asks of the cams beside it.
struct Needs {
  bool cam = false;                // nothing is known without one
  double tolerance_most_deg = 10;  // with more a cam could not tell the teeth apart
  double index_tolerance_deg = 0;  // above 0: an index once a turn
  bool none = false;               // two-stroke
};

struct DrawnWheel {
  std::string toml;
  Needs needs;
};

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

void write_cam(Dice& dice, int index, int gear_teeth, const Needs& needs, std::ostringstream& out) {
  out << "\n[[cam]]\nname = \"cam-" << index << "\"\nchannel = \"c" << index << "\"\n";
  write_cam_edges(dice, out);
  const bool phased = dice.chance(0.4);
  if (phased && !needs.cam) {
    const double travel = std::floor(dice.range(20, 50));
    const bool advance = dice.chance(0.7);
    out << "phaser_range_deg = [" << fixed(advance ? -travel : 0, 1) << ", " << fixed(advance ? 0 : travel, 1) << "]\n";
  }
  out << "tolerance_deg = " << fixed(std::min(dice.range(5, 10), needs.tolerance_most_deg), 1) << "\n";
  out << "gear_teeth = " << gear_teeth << "\n";
  if (dice.chance(0.2)) {
    out << "delay_us = " << fixed(dice.range(0, 20), 1) << "\n";
  }
}

// Turns with the crank, so it stands still against the wheel but for the play of its sensor.
void write_index(Dice& dice, const Needs& needs, std::ostringstream& out) {
  out << "\n[[cam]]\nname = \"index\"\nchannel = \"idx\"\nperiod_deg = 360\nactive_edge = \""
      << dice.pick({"rising", "falling"}) << "\"\nedges_deg = " << listed({std::floor(dice.range(0, 360) * 100) / 100})
      << "\ntolerance_deg = " << fixed(needs.index_tolerance_deg, 2) << "\n";
}

std::string draw_cams(Dice& dice, const Needs& needs) {
  std::ostringstream out;
  if (needs.index_tolerance_deg > 0) {
    write_index(dice, needs, out);
  }
  const double form = dice.range(needs.cam ? 0.12 : 0, 1);
  const int cams = needs.none || form < 0.12 ? 0 : form < 0.62 ? 1 : form < 0.87 ? 2 : 3;
  const int gear_teeth = dice.whole(36, 52);
  for (int i = 1; i <= cams; ++i) {
    write_cam(dice, i, gear_teeth, needs, out);
  }
  return out.str();
}

std::string pitched(int teeth, int missing) {
  return "teeth = " + std::to_string(teeth) + "\nmissing = " + std::to_string(missing) + "\n";
}

std::string one_gap(Dice& dice) {
  const int teeth = dice.chance(0.7) ? dice.whole(24, 60) : dice.whole(12, 120);
  return pitched(teeth, dice.whole(1, teeth < 18 ? 2 : 3));
}

// Two to four gaps of one to three, three teeth or more between them, the last at the end of the turn.
std::string several_gaps(Dice& dice) {
  const int gaps = dice.whole(2, 4);
  const int missing = dice.whole(1, 3);
  const bool alike = dice.chance(0.7);
  std::ostringstream list;
  int position = 0;
  for (int i = 0; i < gaps; ++i) {
    const int run = dice.whole(3, 18);
    const int gone = alike ? missing : dice.whole(1, 3);
    list << (i == 0 ? "" : ", ") << "[" << position + run << ", " << gone << "]";
    position += run + gone;
  }
  // Coarser than 24 places is not made with several gaps.
  constexpr int least = 24;
  const int teeth = std::max(least, position);
  return "teeth = " + std::to_string(teeth) + "\ngaps = [" + list.str() + "]\n";
}

// Angles in hundredths, the first 0, at least `apart_deg` from each other around `period_deg`.
std::string uneven(Dice& dice, int count, double apart_deg, double period_deg) {
  std::vector<double> angles = {0};
  const double spare_deg = period_deg - count * apart_deg;
  std::vector<double> shares;
  double sum = 0;
  for (int i = 0; i < count; ++i) {
    shares.push_back(dice.range(0, 1));
    sum += shares.back();
  }
  for (int i = 0; i + 1 < count; ++i) {
    const double next = angles.back() + apart_deg + spare_deg * shares[static_cast<std::size_t>(i)] / sum;
    angles.push_back(std::floor(next * 100) / 100);
  }
  return "tooth_angles_deg = " + listed(angles) + "\n";
}

DrawnWheel draw_form(Dice& dice, WheelForm form) {
  switch (form) {
    case WheelForm::one_gap:
      return {one_gap(dice), {}};
    case WheelForm::several_gaps:
      return {several_gaps(dice), {}};
    case WheelForm::even: {
      const int teeth = dice.whole(4, 24);
      return {pitched(teeth, 0), {true, 120.0 / teeth}};
    }
    case WheelForm::angle_list: {
      const int count = dice.whole(5, 24);
      return {uneven(dice, count, 6, 360), {}};
    }
    case WheelForm::few_teeth: {
      const int teeth = dice.whole(1, 8);
      return {pitched(teeth, 0), {true}};
    }
    case WheelForm::on_cam: {
      const std::string shaft = "shaft = \"cam\"\n";
      return {shaft + (dice.chance(0.5) ? pitched(dice.whole(12, 48), dice.whole(1, 2))
                                        : uneven(dice, dice.whole(4, 12), 20, 720)),
              {}};
    }
    case WheelForm::ring_gear: {
      const int teeth = dice.whole(90, 168);
      return {pitched(teeth, 0), {true, 10, 0.4 * 360 / teeth}};
    }
    case WheelForm::two_stroke:
      return {one_gap(dice), {false, 10, 0, true}};
  }
  return {};
}

WheelForm pick_form(Dice& dice) {
  const double draw = dice.range(0, 1);
  if (draw < 0.5) {
    return WheelForm::one_gap;
  }
  return dice.pick({WheelForm::several_gaps, WheelForm::several_gaps, WheelForm::even, WheelForm::angle_list,
                    WheelForm::few_teeth, WheelForm::on_cam, WheelForm::ring_gear, WheelForm::two_stroke});
}

DrawnWheel draw_crank(Dice& dice, WheelForm form) {
  DrawnWheel wheel = draw_form(dice, form);
  std::ostringstream out;
  out << "\n[crank]\nchannel = \"crank\"\nactive_edge = \"" << dice.pick({"rising", "falling"}) << "\"\n";
  out << wheel.toml;
  const double cycle_deg = form == WheelForm::two_stroke ? 360 : 720;
  out << "trigger_offset_deg = " << fixed(dice.range(0, cycle_deg - 0.01), 2) << "\n";
  out << "offset_basis = \"verified-mark\"\n";
  if (dice.chance(0.2)) {
    out << "delay_us = " << fixed(dice.range(0, 20), 1) << "\n";
  }
  wheel.toml = out.str();
  return wheel;
}

// Firings that do not come evenly, as on a vee of an odd angle or with shared crank pins; 40 degrees apart or more.
std::string odd_firing(Dice& dice, int cylinders) {
  std::vector<double> angles = {0};
  for (int i = 1; i < cylinders; ++i) {
    const double left_deg = 720 - angles.back() - 40.0 * (cylinders - i + 1);
    angles.push_back(std::floor(angles.back() + 40 + dice.range(0, left_deg)));
  }
  std::vector<double> rest(angles.begin() + 1, angles.end());
  dice.shuffle(rest);
  std::copy(rest.begin(), rest.end(), angles.begin() + 1);
  return "firing_angles_deg = " + listed(angles) + "\n";
}

std::string draw_head(Dice& dice, WheelForm form) {
  std::ostringstream out;
  const int cylinders = dice.whole(1, form == WheelForm::two_stroke ? 4 : 8);
  const bool odd = form != WheelForm::two_stroke && cylinders > 1 && cylinders < 7 && dice.chance(0.1);
  const std::string name =
      "[engine]\nname = \"drawn by the campaign\"\ncylinders = " + std::to_string(cylinders) + "\n";
  if (odd) {
    return name + odd_firing(dice, cylinders);
  }
  std::vector<int> order;
  for (int i = 2; i <= cylinders; ++i) {
    order.push_back(i);
  }
  dice.shuffle(order);
  out << name << (form == WheelForm::two_stroke ? "cycle_deg = 360\n" : "") << "firing_order = [1";
  for (const int cylinder : order) {
    out << ", " << cylinder;
  }
  out << "]\n";
  return out.str();
}

std::string draw_reference(Dice& dice, WheelForm form) {
  if (dice.chance(0.3)) {
    return "";
  }
  std::ostringstream out;
  const bool spark = dice.chance(0.6);
  out << "\n[reference]\nchannel = \"ref\"\nactive_edge = \"" << dice.pick({"rising", "falling"}) << "\"\n";
  out << "marks = \"" << (spark ? "spark" : "tdc")
      << "\"\nperiod_deg = " << (form != WheelForm::two_stroke && dice.chance(0.7) ? 720 : 360) << "\n";
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
  const WheelForm form = pick_form(dice);
  const std::string head = draw_head(dice, form);
  const DrawnWheel crank = draw_crank(dice, form);
  const std::string reference = draw_reference(dice, form);
  const bool any_will_do = dice.chance(0.05);
  std::string text;
  for (int i = 0; i < tries_max; ++i) {
    text = head;
    text += crank.toml;
    text += draw_cams(dice, crank.needs);
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
