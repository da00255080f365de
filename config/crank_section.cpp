#include <array>
#include <cstddef>
#include <optional>
#include <utility>

#include "config/sections.hpp"

namespace cw {

namespace {

constexpr std::array shaft_words = {Word<WheelShaft>{"crank", WheelShaft::crank},
                                    Word<WheelShaft>{"cam", WheelShaft::cam}};
constexpr std::array basis_words = {Word<OffsetBasis>{"piston-stop", OffsetBasis::piston_stop},
                                    Word<OffsetBasis>{"verified-mark", OffsetBasis::verified_mark},
                                    Word<OffsetBasis>{"unverified", OffsetBasis::unverified}};

std::string teeth_place(const TableReader& in) {
  return "(teeth, line " + std::to_string(in.line("teeth")) + ")";
}

// One [after_tooth, missing] of `gaps`, element `index`.
std::optional<WheelGap> read_gap(const TableReader& in, const toml::array& gaps, std::size_t index) {
  static constexpr const char* expected = "a pair [after_tooth, missing] of whole numbers from 1";
  const toml::array* pair = gaps.get_as<toml::array>(index);
  if (pair == nullptr || pair->size() != 2) {
    in.complain_at("gaps", index, expected, found_text(gaps.get(index)));
    return std::nullopt;
  }
  std::array<int, 2> values{};
  for (std::size_t i = 0; i < 2; ++i) {
    const auto value = pair->get(i)->value_exact<std::int64_t>();
    if (!value || *value < 1 || *value > wheel_positions_max) {
      in.complain_at("gaps", index, expected, found_text(pair->get(i)));
      return std::nullopt;
    }
    values.at(i) = static_cast<int>(*value);
  }
  return WheelGap{values[0], values[1]};
}

// The gap must come after the one before it with at least one tooth between, and end before position 1 comes again.
void check_gap(const TableReader& in, std::size_t index, const WheelGap& gap, const std::optional<WheelGap>& before,
               int teeth) {
  const std::string own = "[" + std::to_string(gap.after_tooth) + ", " + std::to_string(gap.missing) + "]";
  if (before && gap.after_tooth <= before->after_tooth + before->missing) {
    const int first_tooth = before->after_tooth + before->missing + 1;
    in.complain_at("gaps", index,
                   "a gap after tooth " + std::to_string(first_tooth) + " or later, since gap " +
                       std::to_string(index) + " ends before it",
                   own);
  }
  if (gap.after_tooth + gap.missing > teeth) {
    in.complain_at(
        "gaps", index,
        "a gap that ends by position " + std::to_string(teeth) + " and leaves tooth 1 in place " + teeth_place(in),
        own);
  }
}

std::vector<WheelGap> read_gaps(const TableReader& in, int teeth) {
  const toml::node* node = in.node("gaps");
  const toml::array* entries = node->as_array();
  if (entries == nullptr || entries->empty() || entries->size() > wheel_gaps_max) {
    in.complain("gaps", "an array of 1 to " + std::to_string(wheel_gaps_max) + " pairs [after_tooth, missing]");
    return {};
  }
  std::vector<WheelGap> gaps;
  std::optional<WheelGap> before;
  for (std::size_t i = 0; i < entries->size(); ++i) {
    const std::optional<WheelGap> gap = read_gap(in, *entries, i);
    if (!gap) {
      return {};
    }
    check_gap(in, i, *gap, before, teeth);
    before = gap;
    gaps.push_back(*gap);
  }
  return gaps;
}

std::vector<WheelGap> read_missing(const TableReader& in, int teeth) {
  const std::optional<int> missing = in.whole("missing", 0, wheel_positions_max);
  if (!missing || *missing == 0) {
    return {};
  }
  if (*missing >= teeth) {
    in.complain("missing", "fewer than the " + std::to_string(teeth) + " pitches of the wheel " + teeth_place(in));
    return {};
  }
  return {WheelGap{teeth - *missing, *missing}};
}

void read_pitched_wheel(const TableReader& in, Wheel& wheel) {
  const std::optional<int> teeth = in.whole("teeth", 1, wheel_positions_max);
  if (in.has("missing") && in.has("gaps")) {
    in.complain("gaps", "either missing or gaps", "both (missing, line " + std::to_string(in.line("missing")) + ")");
  }
  if (!in.has("missing") && !in.has("gaps")) {
    in.complain("missing", "missing or gaps (missing = 0 for a wheel without a gap)", "neither");
  }
  if (!teeth) {
    return;
  }
  const std::vector<WheelGap> gaps = in.has("gaps") ? read_gaps(in, *teeth) : read_missing(in, *teeth);
  wheel.positions = *teeth;
  wheel.teeth = pitched_teeth(*teeth, gaps, wheel.period_deg);
}

void read_listed_wheel(const TableReader& in, Wheel& wheel) {
  for (const char* other : {"teeth", "missing", "gaps"}) {
    if (in.has(other)) {
      in.complain(other, "either tooth_angles_deg or teeth with missing or gaps",
                  "both (tooth_angles_deg, line " + std::to_string(in.line("tooth_angles_deg")) + ")");
    }
  }
  const auto angles =
      in.numbers("tooth_angles_deg", 1, wheel_positions_max, {0, wheel.period_deg - tooth_step_deg_min});
  if (!angles) {
    return;
  }
  if (angles->front() != 0) {
    in.complain_at("tooth_angles_deg", 0, "0 (angles count from the first tooth)", number_text(angles->front()));
  }
  check_ascending(in, "tooth_angles_deg", *angles, tooth_step_deg_min);
  wheel.teeth = listed_teeth(*angles);
  wheel.positions = static_cast<int>(wheel.teeth.size());
}

}  // namespace

Wheel read_crank_section(const TableReader& in, double cycle_deg) {
  Wheel wheel;
  wheel.active_edge = read_active_edge(in);
  wheel.shaft = in.word<WheelShaft>("shaft", shaft_words).value_or(WheelShaft::crank);
  if (wheel.shaft == WheelShaft::cam && cycle_deg == 360) {
    in.complain("shaft", "\"crank\" on a two-stroke engine (engine.cycle_deg = 360)");
  }
  wheel.period_deg = wheel.shaft == WheelShaft::cam ? 720 : 360;
  if (in.has("tooth_angles_deg")) {
    read_listed_wheel(in, wheel);
  } else if (in.has("teeth")) {
    read_pitched_wheel(in, wheel);
  } else {
    in.complain("teeth", "teeth or tooth_angles_deg", "neither");
  }
  const Range offsets = {0, cycle_deg, false, true};
  if (!in.has("trigger_offset_deg")) {
    in.complain("trigger_offset_deg", "a number " + range_text(offsets));
  }
  wheel.trigger_offset_deg = in.number("trigger_offset_deg", offsets).value_or(0);
  wheel.offset_basis = in.word<OffsetBasis>("offset_basis", basis_words).value_or(OffsetBasis::unverified);
  wheel.delay_us = read_delay(in);
  return wheel;
}

}  // namespace cw
