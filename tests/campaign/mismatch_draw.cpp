#include <algorithm>
#include <array>
#include <sstream>
#include <variant>

#include "campaign/mismatch.hpp"
#include "campaign/wheel_class.hpp"
#include "config/engine_file.hpp"
#include "simulate/crank_model.hpp"

namespace cw::campaign {

namespace {

// An engine file as sections of lines, to put one file's wheel or cam into another.
struct Section {
  std::string head;  // "[crank]", "[[cam]]"
  std::vector<std::string> lines;
};
using Sections = std::vector<Section>;

Sections sections_of(const std::string& text) {
  Sections sections;
  std::istringstream in(text);
  for (std::string line; std::getline(in, line);) {
    if (line.starts_with('[')) {
      sections.push_back({line, {}});
    } else if (!line.empty() && !sections.empty()) {
      sections.back().lines.push_back(line);
    }
  }
  return sections;
}

std::string text_of(const Sections& sections) {
  std::string text;
  for (const Section& section : sections) {
    text += (text.empty() ? "" : "\n") + section.head + "\n";
    for (const std::string& line : section.lines) {
      text += line + "\n";
    }
  }
  return text;
}

bool is_key(const std::string& line, std::string_view key) {
  return line.starts_with(std::string(key) + " =");
}

template <std::size_t n>
bool is_one_of(const std::string& line, const std::array<std::string_view, n>& keys) {
  return std::any_of(keys.begin(), keys.end(), [&](std::string_view key) { return is_key(line, key); });
}

constexpr std::array<std::string_view, 5> wheel_keys = {"shaft", "teeth", "missing", "gaps", "tooth_angles_deg"};
constexpr std::array<std::string_view, 4> edge_keys = {"active_edge", "edges_deg", "rising_deg", "falling_deg"};

// The lines of `from` that have one of the keys take the place of those of `to`.
template <std::size_t n>
void transplant(const Section& from, const std::array<std::string_view, n>& keys, Section& to) {
  std::erase_if(to.lines, [&](const std::string& line) { return is_one_of(line, keys); });
  std::copy_if(from.lines.begin(), from.lines.end(), std::back_inserter(to.lines),
               [&](const std::string& line) { return is_one_of(line, keys); });
}

void set_line(Section& section, std::string_view key, const std::string& value) {
  std::erase_if(section.lines, [&](const std::string& line) { return is_key(line, key); });
  section.lines.push_back(std::string(key) + " = " + value);
}

Section* section_named(Sections& sections, const std::string& head) {
  const auto found =
      std::find_if(sections.begin(), sections.end(), [&](const Section& section) { return section.head == head; });
  return found == sections.end() ? nullptr : &*found;
}

struct DrawnEngine {
  std::string toml;
  Engine engine;
};

constexpr int engines_max = 3000;

// An engine as the campaign draws them that suits.
template <class Suits>
std::optional<DrawnEngine> engine_where(Dice& dice, Suits suits) {
  for (int i = 0; i < engines_max; ++i) {
    std::string toml = draw_engine(dice);
    auto parsed = parse_engine(toml, "engine.toml");
    if (auto* engine = std::get_if<Engine>(&parsed); engine != nullptr && suits(*engine)) {
      return DrawnEngine{std::move(toml), std::move(*engine)};
    }
  }
  return std::nullopt;
}

std::optional<DrawnEngine> engine_of(Dice& dice, WheelClass wheel) {
  return engine_where(dice, [wheel](const Engine& engine) { return wheel_class_of(engine) == wheel; });
}

bool has_one_cam(const Engine& engine) {
  return engine.cams.size() == 1 && !engine.cams.front().turns_with_crank;
}

int missing_of(const Engine& engine) {
  return engine.crank.positions - static_cast<int>(engine.crank.teeth.size());
}

// A true engine, and the text of the file that is given instead; no value when this draw does not do.
struct Pair {
  DrawnEngine truth;
  std::string file_toml;
};

std::optional<Pair> other_number(Dice& dice, MismatchKind kind) {
  const bool even = kind == MismatchKind::tooth_count && dice.chance(0.25);
  const auto truth = engine_of(dice, even ? WheelClass::even : WheelClass::one_gap);
  if (!truth) {
    return std::nullopt;
  }
  int teeth = truth->engine.crank.positions;
  int missing = missing_of(truth->engine);
  if (kind == MismatchKind::missing_count) {
    missing = dice.whole(1, 3);
  } else {
    teeth = even               ? dice.whole(4, 24)
            : dice.chance(0.5) ? dice.pick({24, 30, 36, 48, 60})
                               : teeth + dice.sign() * dice.whole(1, 12);
  }
  if ((teeth == truth->engine.crank.positions && missing == missing_of(truth->engine)) || teeth < 12 * (even ? 0 : 1)) {
    return std::nullopt;
  }
  Sections sections = sections_of(truth->toml);
  Section* crank = section_named(sections, "[crank]");
  set_line(*crank, "teeth", std::to_string(teeth));
  set_line(*crank, "missing", std::to_string(missing));
  return Pair{*truth, text_of(sections)};
}

std::optional<Pair> other_wheel(Dice& dice, WheelClass one, WheelClass other) {
  const bool swapped = dice.chance(0.5);
  const auto truth = engine_of(dice, swapped ? other : one);
  const auto donor = engine_of(dice, swapped ? one : other);
  if (!truth || !donor) {
    return std::nullopt;
  }
  Sections sections = sections_of(truth->toml);
  Sections given = sections_of(donor->toml);
  transplant(*section_named(given, "[crank]"), wheel_keys, *section_named(sections, "[crank]"));
  return Pair{*truth, text_of(sections)};
}

std::optional<Pair> other_shaft(Dice& dice) {
  const auto truth = engine_where(dice, [](const Engine& engine) {
    const WheelClass wheel = wheel_class_of(engine);
    return (wheel == WheelClass::one_gap && !engine.cams.empty()) ||
           (wheel == WheelClass::on_cam && missing_of(engine) > 0 && !engine.cams.empty());
  });
  if (!truth) {
    return std::nullopt;
  }
  Sections sections = sections_of(truth->toml);
  const bool to_cam = truth->engine.crank.shaft == WheelShaft::crank;
  set_line(*section_named(sections, "[crank]"), "shaft", to_cam ? "\"cam\"" : "\"crank\"");
  return Pair{*truth, text_of(sections)};
}

std::optional<Pair> other_cam(Dice& dice) {
  const auto truth = engine_where(dice, [](const Engine& engine) {
    const WheelClass wheel = wheel_class_of(engine);
    return has_one_cam(engine) && wheel != WheelClass::on_cam && wheel != WheelClass::even &&
           wheel != WheelClass::few_teeth;
  });
  const auto donor = engine_where(dice, has_one_cam);
  if (!truth || !donor) {
    return std::nullopt;
  }
  Sections sections = sections_of(truth->toml);
  Sections given = sections_of(donor->toml);
  transplant(*section_named(given, "[[cam]]"), edge_keys, *section_named(sections, "[[cam]]"));
  return Pair{*truth, text_of(sections)};
}

std::optional<Pair> swapped_channels(Dice& dice) {
  const auto truth = engine_where(
      dice, [](const Engine& engine) { return !engine.cams.empty() && !engine.cams.front().turns_with_crank; });
  if (!truth) {
    return std::nullopt;
  }
  Sections sections = sections_of(truth->toml);
  set_line(*section_named(sections, "[crank]"), "channel", '"' + truth->engine.cams.front().channel + '"');
  set_line(*section_named(sections, "[[cam]]"), "channel", '"' + truth->engine.crank.channel + '"');
  return Pair{*truth, text_of(sections)};
}

std::optional<Pair> backwards(Dice& dice) {
  const auto truth = engine_of(dice, dice.chance(0.7) ? WheelClass::one_gap : WheelClass::several_gaps);
  return truth ? std::optional<Pair>(Pair{*truth, truth->toml}) : std::nullopt;
}

std::optional<Pair> draw_pair(Dice& dice, MismatchKind kind) {
  switch (kind) {
    case MismatchKind::tooth_count:
    case MismatchKind::missing_count:
      return other_number(dice, kind);
    case MismatchKind::several_gaps:
      return other_wheel(dice, WheelClass::one_gap, WheelClass::several_gaps);
    case MismatchKind::even_for_gap:
      return other_wheel(dice, WheelClass::one_gap, WheelClass::even);
    case MismatchKind::other_shaft:
      return other_shaft(dice);
    case MismatchKind::cam_pattern:
      return other_cam(dice);
    case MismatchKind::swapped_channels:
      return swapped_channels(dice);
    case MismatchKind::reluctor_backwards:
      return backwards(dice);
  }
  return std::nullopt;
}

// Run and noise of the true engine, no faults; false when it turns too little to judge.
bool draw_rest(Dice& run_dice, Dice& noise_dice, MismatchCase& mismatch) {
  constexpr double cycles_least = 10;
  Case& drawn = mismatch.drawn;
  drawn.scenario = {};
  drawn.scenario.seed = drawn.seed;
  draw_run(run_dice, drawn);
  draw_noise(noise_dice, drawn);
  if (mismatch.kind == MismatchKind::reluctor_backwards) {
    sim::Reluctor reluctor;
    reluctor.threshold_rpm = noise_dice.sign() * noise_dice.log_range(1, 12);
    reluctor.noise_rpm = noise_dice.log_range(0.3, 3);
    reluctor.fade = noise_dice.range(0.2, 0.4);
    drawn.scenario.crank.backwards = reluctor;
  }
  drawn.problem = sim::find_problem(drawn.engine, drawn.scenario).value_or("");
  if (!drawn.problem.empty()) {
    return true;
  }
  const sim::Motion motion = sim::drive_scenario(drawn.engine, drawn.scenario);
  return motion.back().crank_deg - motion.front().crank_deg >= cycles_least * drawn.engine.cycle_deg;
}

bool tells(const MismatchCase& mismatch) {
  if (mismatch.kind == MismatchKind::cam_pattern && could_be_timed_wrong(mismatch.drawn.engine, mismatch.file)) {
    return false;
  }
  const bool backwards = mismatch.kind == MismatchKind::reluctor_backwards;
  return !could_be(backwards ? with_teeth_in_spaces(mismatch.drawn.engine) : mismatch.drawn.engine, mismatch.file);
}

}  // namespace

MismatchCase draw_mismatch(std::uint64_t seed) {
  constexpr int tries_max = 200;
  MismatchCase mismatch;
  mismatch.drawn.seed = seed;
  mismatch.kind = static_cast<MismatchKind>(seed % mismatch_kinds);
  Dice engine_dice(seed, 11);
  Dice run_dice(seed, 12);
  Dice noise_dice(seed, 13);
  for (int i = 0; i < tries_max; ++i) {
    const std::optional<Pair> pair = draw_pair(engine_dice, mismatch.kind);
    if (!pair) {
      continue;
    }
    auto parsed = parse_engine(pair->file_toml, "engine.toml");
    if (!std::holds_alternative<Engine>(parsed)) {
      continue;  // an offset beyond the cycle, a cam that does not go with this wheel
    }
    mismatch.drawn.engine_toml = pair->truth.toml;
    mismatch.drawn.engine = pair->truth.engine;
    mismatch.file_toml = pair->file_toml;
    mismatch.file = std::get<Engine>(std::move(parsed));
    if (tells(mismatch) && draw_rest(run_dice, noise_dice, mismatch)) {
      return mismatch;
    }
  }
  mismatch.drawn.problem = "no mismatch that an observer could tell was drawn";
  return mismatch;
}

}  // namespace cw::campaign
