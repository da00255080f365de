#include <algorithm>
#include <cmath>
#include <ostream>
#include <utility>

#include "cli/check.hpp"
#include "cli/check_page.hpp"
#include "cli/line_load.hpp"
#include "geometry/angle.hpp"
#include "geometry/cam_evidence.hpp"
#include "geometry/tooth_cycle.hpp"

namespace cw {

namespace {

// More angles than this are told by their number and range.
constexpr std::size_t listed_angles_max = 12;

std::string deg(double angle_deg) {
  return plain_number(angle_deg) + "°";
}

// Degrees in words that name many: "62, 242 and 602°".
std::string degrees(const std::vector<double>& angles_deg) {
  std::vector<std::string> words;
  words.reserve(angles_deg.size());
  for (const double angle_deg : angles_deg) {
    words.push_back(plain_number(angle_deg));
  }
  return listed(words) + "°";
}

std::string edge_word(ActiveEdge edge) {
  return edge == ActiveEdge::falling ? "falling" : "rising";
}

std::string quoted(const std::string& name) {
  return '"' + name + '"';
}

std::string delay_words(double delay_us) {
  return delay_us == 0 ? "" : " A known delay of " + plain_number(delay_us) + " µs is taken off its edge times.";
}

std::size_t turns_of(const Engine& engine) {
  return static_cast<std::size_t>(std::lround(engine.cycle_deg / deg_per_rev));
}

// --- engine ---

bool fires_evenly(const Engine& engine) {
  const std::vector<double> even = even_firing_angles(engine.firing_order, engine.cycle_deg);
  return std::equal(even.begin(), even.end(), engine.firing_angles_deg.begin(), engine.firing_angles_deg.end(),
                    [](double a, double b) { return std::fabs(a - b) < 1e-6; });
}

void explain_firing(const Engine& engine, Page& page) {
  std::vector<std::string> words;
  for (const int cylinder : engine.firing_order) {
    words.push_back(std::to_string(cylinder) + " at " +
                    plain_number(engine.firing_angles_deg.at(static_cast<std::size_t>(cylinder - 1))) + "°");
  }
  std::string text = counted(engine.cylinders, "cylinder", "cylinders");
  text += engine.cycle_deg == 720 ? ", four-stroke: a cycle is two turns, 720°. "
                                  : ", two-stroke: a cycle is one turn, 360°. ";
  if (engine.cylinders > 1) {
    text += fires_evenly(engine) ? "Even firing, " + deg(engine.cycle_deg / engine.cylinders) + " apart; "
                                 : "Odd firing, " + degrees(firing_steps_deg(engine)) + " apart; ";
    text += "top dead centres in firing order: cylinder " + listed(words) + ".";
  }
  page.entry("Engine", text);
}

// --- wheel ---

double pitch_deg(const Wheel& wheel) {
  return wheel.period_deg / wheel.positions;
}

bool is_list(const Wheel& wheel) {
  const std::vector<WheelTooth> even = pitched_teeth(wheel.positions, {}, wheel.period_deg);
  return static_cast<int>(wheel.teeth.size()) == wheel.positions &&
         !std::equal(
             even.begin(), even.end(), wheel.teeth.begin(), wheel.teeth.end(),
             [](const WheelTooth& a, const WheelTooth& b) { return std::fabs(a.angle_deg - b.angle_deg) < 1e-6; });
}

struct Gap {
  int last_tooth = 0;
  int next_tooth = 0;
  int missing = 0;
  double width_deg = 0;
  std::vector<double> begins_deg;  // crank angle of the last tooth before it, one for each turn, ascending
};

std::vector<Gap> gaps_of(const Engine& engine) {
  const Wheel& wheel = engine.crank;
  std::vector<Gap> gaps;
  for (std::size_t i = 0; i < wheel.teeth.size(); ++i) {
    const bool last = i + 1 == wheel.teeth.size();
    const WheelTooth& tooth = wheel.teeth[i];
    const WheelTooth& next = wheel.teeth[last ? 0 : i + 1];
    const int missing = (last ? wheel.positions + 1 : next.number) - tooth.number - 1;
    if (missing == 0) {
      continue;
    }
    Gap gap{tooth.number, next.number, missing, (missing + 1) * pitch_deg(wheel), {}};
    const auto passes = std::lround(engine.cycle_deg / wheel.period_deg);
    for (int pass = 0; pass < passes; ++pass) {
      const double turn_deg = pass * wheel.period_deg;
      gap.begins_deg.push_back(wrap_deg(turn_deg + tooth.angle_deg - wheel.trigger_offset_deg, engine.cycle_deg));
    }
    std::sort(gap.begins_deg.begin(), gap.begins_deg.end());
    gaps.push_back(gap);
  }
  return gaps;
}

std::string gap_words(const Gap& gap, double cycle_deg) {
  std::string text = "Gap of " + counted(gap.missing, "missing tooth", "missing teeth") + ": " + deg(gap.width_deg) +
                     " from tooth " + std::to_string(gap.last_tooth) + " to tooth " + std::to_string(gap.next_tooth) +
                     ", " + std::to_string(gap.missing + 1) + " times a tooth's interval at steady speed; it passes ";
  for (std::size_t i = 0; i < gap.begins_deg.size(); ++i) {
    text += (i == 0 ? "from " : " and from ") + deg(gap.begins_deg[i]) + " to " +
            deg(wrap_deg(gap.begins_deg[i] + gap.width_deg, cycle_deg));
  }
  return text + ".";
}

std::string wheel_name(const Wheel& wheel, const std::vector<Gap>& gaps) {
  if (is_list(wheel)) {
    return counted(wheel.positions, "tooth", "teeth") + " at listed angles";
  }
  std::string name = std::to_string(wheel.positions);
  for (const Gap& gap : gaps) {
    name += "-" + std::to_string(gap.missing);
  }
  return gaps.empty() ? (wheel.positions == 1 ? "One tooth" : name + " even teeth, no gap") : name;
}

void explain_steps(const ToothCycle& cycle, const Wheel& wheel, Page& page) {
  double least = cycle.cycle_deg;
  double greatest = 0;
  for (const CycleTooth& tooth : cycle.teeth) {
    least = std::min(least, tooth.step_deg);
    greatest = std::max(greatest, tooth.step_deg);
  }
  std::vector<double> angles_deg;
  for (const WheelTooth& tooth : wheel.teeth) {
    angles_deg.push_back(tooth.angle_deg);
  }
  const std::string where = angles_deg.size() <= listed_angles_max
                                ? "Teeth stand at " + degrees(angles_deg) + " from tooth 1" +
                                      (wheel.shaft == WheelShaft::cam ? ", in crank degrees. " : ". ")
                                : std::string();
  page.point(where + "Steps from tooth to tooth are " + deg(least) + " to " + deg(greatest) + ".");
}

std::string nearest_words(const ToothCycle& cycle) {
  const auto nearest =
      std::min_element(cycle.teeth.begin(), cycle.teeth.end(), [&](const CycleTooth& a, const CycleTooth& b) {
        return std::fabs(wrap_signed_deg(a.crank_deg, cycle.cycle_deg)) <
               std::fabs(wrap_signed_deg(b.crank_deg, cycle.cycle_deg));
      });
  const double off_deg = wrap_signed_deg(nearest->crank_deg, cycle.cycle_deg);
  std::string text = "Nearest to TDC1 is tooth " + std::to_string(nearest->number) + ": it passes ";
  if (std::fabs(off_deg) < 0.005) {
    return text + "exactly there.";
  }
  return text + deg(std::fabs(off_deg)) + (off_deg < 0 ? " before it." : " after it.");
}

void explain_wheel(const Engine& engine, Page& page) {
  const Wheel& wheel = engine.crank;
  const ToothCycle cycle = tooth_cycle(engine);
  const std::vector<Gap> gaps = gaps_of(engine);
  std::string text = wheel_name(wheel, gaps) + ", on the " + (wheel.shaft == WheelShaft::crank ? "crank" : "cam") +
                     "; channel " + quoted(wheel.channel) + ", " + edge_word(wheel.active_edge) + " edges. ";
  const std::string every = wheel.shaft == WheelShaft::crank ? " a turn" : " a cycle";
  text += wheel.positions == 1
              ? "It passes once" + every + "."
              : std::to_string(wheel.teeth.size()) + (wheel.teeth.size() == 1 ? " tooth" : " teeth") + every;
  if (wheel.positions > 1) {
    text += is_list(wheel) ? "." : ", one pitch is " + deg(pitch_deg(wheel)) + " of crank.";
  }
  page.entry("Wheel", text + delay_words(wheel.delay_us));
  if (is_list(wheel)) {
    explain_steps(cycle, wheel, page);
  }
  for (const Gap& gap : gaps) {
    page.point(gap_words(gap, engine.cycle_deg));
  }
  page.point(nearest_words(cycle));
}

// --- trigger offset ---

std::string basis_words(const Engine& engine) {
  std::string turn = engine.cycle_deg == 720 ? " It can't show which turn is compression" : "";
  if (!turn.empty() && engine.crank.shaft == WheelShaft::cam) {
    turn += ": that rests on the wheel, which turns with the cam.";
  } else if (!turn.empty()) {
    turn += engine.cams.empty() ? "." : ": that rests on the cam.";
  }
  switch (engine.crank.offset_basis) {
    case OffsetBasis::piston_stop:
      return "Basis: piston stop, measured on the piston itself." + turn;
    case OffsetBasis::verified_mark:
      return "Basis: light on a verified mark." + turn;
    case OffsetBasis::unverified:
      break;
  }
  return "Basis: agrees with the file only. Nobody has said that it was checked against the piston; if file and "
         "controller share an error, the deviation reads 0 all the same.";
}

// The turn in which the offset is counted, as the file defines it.
std::string offset_turn_words(const Engine& engine) {
  if (engine.crank.period_deg == engine.cycle_deg) {
    return "";
  }
  return engine.cams.empty() ? " of one of the two turns" : " of the turn that the cam marks as the first";
}

// Of a wheel on which every tooth looks like every other: the edge of cam or index by which its tooth 1 is found, the
// last one before it.
std::string first_tooth_words(const Engine& engine) {
  std::string text = "The wheel has nothing that marks its tooth 1: it is the one that ";
  const double marked_deg = wrap_deg(-engine.crank.trigger_offset_deg, engine.cycle_deg);
  double nearest_deg = engine.cycle_deg;
  std::string found = "cam or index put at this angle.";
  for (const CamPattern& cam : engine.cams) {
    for (const CamEdge& edge : cam.edges) {
      const double after_deg = wrap_deg(marked_deg - edge.angle_deg, engine.cycle_deg);
      if (after_deg < nearest_deg) {
        nearest_deg = after_deg;
        found = "passes " + deg(after_deg) + " after the " + edge_word(edge.edge) + " edge of " + quoted(cam.name) +
                " at " + deg(edge.angle_deg) + ".";
      }
    }
  }
  return text + found;
}

void explain_offset(const Engine& engine, const PositionEvidence& evidence, Page& page) {
  const Wheel& wheel = engine.crank;
  const double marked_deg = wrap_deg(-wheel.trigger_offset_deg, engine.cycle_deg);
  const bool two_turns = wheel.period_deg < engine.cycle_deg;
  std::string text = deg(wheel.trigger_offset_deg) + ": TDC1 comes that far after tooth 1" + offset_turn_words(engine) +
                     "; that tooth stands at " + deg(marked_deg);
  text += two_turns ? ", and tooth 1 of the other turn at " + deg(wrap_deg(marked_deg + 360, 720)) + "." : ".";
  page.entry("Offset", text);
  if (evidence.places > static_cast<int>(turns_of(engine))) {
    page.point(first_tooth_words(engine));
  }
  page.point(basis_words(engine));
  page.point("Raising it retards: timing measured 3° late means 3 less here. A controller may count the other way.");
}

// --- cams ---

std::vector<double> angles_of(const CamPattern& cam, ActiveEdge edge) {
  std::vector<double> angles_deg;
  for (const CamEdge& each : cam.edges) {
    if (each.edge == edge) {
      angles_deg.push_back(each.angle_deg);
    }
  }
  return angles_deg;
}

std::string edges_words(const CamPattern& cam) {
  std::vector<std::string> parts;
  for (const ActiveEdge edge : {ActiveEdge::rising, ActiveEdge::falling}) {
    const std::vector<double> angles_deg = angles_of(cam, edge);
    if (angles_deg.size() > listed_angles_max) {
      parts.push_back(std::to_string(angles_deg.size()) + " " + edge_word(edge) + " edges from " +
                      deg(angles_deg.front()) + " to " + deg(angles_deg.back()));
    } else if (!angles_deg.empty()) {
      parts.push_back(edge_word(edge) + (angles_deg.size() == 1 ? " edge at " : " edges at ") + degrees(angles_deg));
    }
  }
  return listed(parts);
}

std::string phaser_words(const CamPattern& cam) {
  if (cam.fixed()) {
    return "Fixed: each edge is looked for within " + deg(cam.tolerance_deg) + " of its place.";
  }
  std::vector<std::string> ways;
  if (cam.phaser_min_deg < 0) {
    ways.push_back("up to " + deg(-cam.phaser_min_deg) + " early");
  }
  if (cam.phaser_max_deg > 0) {
    ways.push_back("up to " + deg(cam.phaser_max_deg) + " late");
  }
  return "A phaser moves them from park " + listed(ways) + "; beyond its travel " + deg(cam.tolerance_deg) +
         " are tolerated.";
}

bool repeats_each_turn(const CamPattern& cam, double cycle_deg) {
  return cycle_deg == 720 && std::all_of(cam.edges.begin(), cam.edges.end(), [&](const CamEdge& edge) {
           return std::any_of(cam.edges.begin(), cam.edges.end(), [&](const CamEdge& other) {
             return other.edge == edge.edge &&
                    std::fabs(wrap_signed_deg(other.angle_deg - edge.angle_deg - 360, cycle_deg)) < 1e-6;
           });
         });
}

// What one edge seen alone decides: the turn, or which place of the cycle it is.
using Decides = bool CamEdgeEvidence::*;

std::string angle_list(const CamPattern& cam, const CamEvidence& evidence, Decides decides, bool deciding) {
  std::vector<double> angles_deg;
  for (std::size_t i = 0; i < cam.edges.size(); ++i) {
    if (evidence.edges[i].*decides == deciding) {
      angles_deg.push_back(cam.edges[i].angle_deg);
    }
  }
  return degrees(angles_deg);
}

std::size_t deciding_edges(const CamEvidence& evidence, Decides decides) {
  return static_cast<std::size_t>(std::count_if(evidence.edges.begin(), evidence.edges.end(),
                                                [&](const CamEdgeEvidence& edge) { return edge.*decides; }));
}

// How this cam tells the teeth of a wheel apart that all look alike; empty when it doesn't.
std::string place_words(const CamPattern& cam, const CamEvidence& evidence, int places) {
  constexpr Decides place = &CamEdgeEvidence::decides_place;
  const std::string which = "which of the " + std::to_string(places) + " teeth of the cycle is which";
  const std::size_t deciding = deciding_edges(evidence, place);
  if (deciding == cam.edges.size()) {
    return deciding == 1 ? "This one edge tells " + which +
                               ". Nothing beside it contradicts a false one, so agreeing repeats are asked for."
                         : "Any one of its edges, seen alone, tells " + which + ".";
  }
  if (deciding > 0) {
    return std::string("Seen alone, ") + (deciding == 1 ? "the edge at " : "the edges at ") +
           angle_list(cam, evidence, place, true) + (deciding == 1 ? " tells " : " tell ") + which + "; at " +
           angle_list(cam, evidence, place, false) + " it could be another edge at another tooth.";
  }
  return evidence.pattern_decides_place ? "No edge alone tells " + which + ", the whole pattern does." : "";
}

// How this cam tells the turns of a four-stroke apart.
std::string turn_words(const CamPattern& cam, const CamEvidence& evidence, double cycle_deg) {
  constexpr Decides turn = &CamEdgeEvidence::decides_turn;
  if (cam.turns_with_crank) {
    return "It turns with the crank: it tells where in a turn, not which of the two turns.";
  }
  if (repeats_each_turn(cam, cycle_deg)) {
    return "Its edges repeat each turn: it can't tell the two turns apart.";
  }
  const std::size_t deciding = deciding_edges(evidence, turn);
  if (deciding == cam.edges.size()) {
    return deciding == 1 ? "This one edge tells the two turns apart. Nothing beside it contradicts a false one, so "
                           "agreeing repeats are asked for."
                         : "Any one of its edges, seen alone, tells the two turns apart.";
  }
  if (deciding > 0) {
    return std::string("Seen alone, ") + (deciding == 1 ? "the edge at " : "the edges at ") +
           angle_list(cam, evidence, turn, true) + (deciding == 1 ? " tells" : " tell") + " the two turns apart; at " +
           angle_list(cam, evidence, turn, false) + " the other turn has an edge in the same place.";
  }
  if (evidence.pattern_decides_turn) {
    return "No edge alone tells the two turns apart, the whole pattern does.";
  }
  return "It can't tell the two turns apart: within travel and tolerance the pattern fits either.";
}

std::string gear_words(const CamPattern& cam) {
  if (!cam.gear_teeth) {
    return "gear_teeth isn't given: a jumped belt or chain is told in degrees, not in teeth.";
  }
  const double tooth_deg = 720.0 / *cam.gear_teeth;
  std::string text = "Its gear has " + std::to_string(*cam.gear_teeth) + " teeth: one belt or chain tooth is 720/" +
                     std::to_string(*cam.gear_teeth) + " = " + deg(tooth_deg) + " of crank.";
  if (cam.phaser_max_deg - cam.phaser_min_deg >= tooth_deg) {
    text += " The phaser's travel is longer than that, so a jumped tooth shows only at park or against the target.";
  }
  return text;
}

std::string overlap_words(const CamPattern& cam, const CamEvidence& evidence) {
  std::vector<double> angles_deg;
  for (std::size_t i = 0; i < cam.edges.size(); ++i) {
    if (evidence.edges[i].overlaps_next) {
      angles_deg.push_back(cam.edges[i].angle_deg);
    }
  }
  if (angles_deg.empty()) {
    return "";
  }
  return std::string("Too wide for single edges: with travel and tolerance the ") +
         (angles_deg.size() == 1 ? "window of the edge at " : "windows of the edges at ") + degrees(angles_deg) +
         (angles_deg.size() == 1 ? " meets" : " meet") + " the next one's, so an edge there can be either.";
}

void explain_cams(const Engine& engine, const PositionEvidence& evidence, Page& page) {
  for (std::size_t i = 0; i < engine.cams.size(); ++i) {
    const CamPattern& cam = engine.cams[i];
    page.entry(i == 0 ? "Cams" : "", quoted(cam.name) + ", channel " + quoted(cam.channel) + ": " + edges_words(cam) +
                                         ". " + phaser_words(cam) + delay_words(cam.delay_us));
    const std::string overlap = overlap_words(cam, evidence.cams[i]);
    if (!overlap.empty()) {
      page.point(overlap);
    }
    const bool teeth_alike = evidence.places > static_cast<int>(turns_of(engine));
    const std::string place = teeth_alike ? place_words(cam, evidence.cams[i], evidence.places) : std::string();
    if (!place.empty()) {
      page.point(place);
    } else if (evidence.places > 1 && turns_of(engine) > 1) {
      page.point(turn_words(cam, evidence.cams[i], engine.cycle_deg));
    }
    if (!repeats_each_turn(cam, engine.cycle_deg) && engine.cycle_deg == 720) {
      page.point(gear_words(cam));
    }
  }
}

// --- position ---

std::string crank_alone_words(const Engine& engine, int places) {
  if (places == 1) {
    return "The wheel alone tells every place of the cycle from every other.";
  }
  if (places == static_cast<int>(turns_of(engine))) {
    return "The wheel alone tells the place within a turn, not which of the two turns it is.";
  }
  return "The wheel alone leaves " + std::to_string(places) + " places of the cycle that look alike.";
}

std::string known_words(const Engine& engine, const PositionEvidence& evidence) {
  const std::optional<double> known = known_within_deg(evidence, engine.cycle_deg);
  if (known == engine.cycle_deg) {
    return evidence.places == 1 ? "Cycle-lock can be reached."
                                : "With the cams the whole cycle is known: cycle-lock can be reached.";
  }
  const std::string without = engine.cams.empty() ? "No cam: " : "The cams can't settle it: ";
  if (known) {
    return without +
           "position known within 360° only (revolution-lock); TDC1 and the other turn's dead centre look the same.";
  }
  return without + std::to_string(evidence.left_deg.size()) +
         " places stay possible, so no position can be given: this file lets the witness measure speed, nothing more.";
}

std::string index_words(const Engine& engine, const PositionEvidence& evidence) {
  const double step_deg = engine.cycle_deg / evidence.places;
  if (engine.cams.empty() || known_within_deg(evidence, engine.cycle_deg) || step_deg >= 360) {
    return "";
  }
  return "A cam or index tells neighbouring teeth apart when its tolerance is below half their distance, here " +
         deg(step_deg / 2) + ".";
}

void explain_position(const Engine& engine, const PositionEvidence& evidence, Page& page) {
  page.entry("Position", crank_alone_words(engine, evidence.places) + " " + known_words(engine, evidence));
  const std::string index = index_words(engine, evidence);
  if (!index.empty()) {
    page.point(index);
  }
}

// --- reference ---

std::string reference_place(const Reference& reference, double cycle_deg) {
  if (!reference.advance_from.empty()) {
    return "the spark of cylinder 1, at the advance that the CAN signal " + quoted(reference.advance_from) +
           " gives; it moves, so the drawing leaves it out";
  }
  const std::string at = deg(wrap_deg(-reference.advance_deg, cycle_deg));
  if (reference.marks == ReferenceMark::tdc) {
    return "a pulse at TDC1, expected at " + at;
  }
  return "the spark of cylinder 1, expected at " + at + " (" + deg(std::fabs(reference.advance_deg)) +
         (reference.advance_deg < 0 ? " after TDC1" : " before TDC1") + ", locked)";
}

void explain_reference(const Engine& engine, Page& page) {
  if (!engine.reference) {
    page.entry("Reference", "none: nothing says where the controller believes TDC1 to be, so no TDC deviation.");
    return;
  }
  const Reference& reference = *engine.reference;
  page.entry("Reference", "channel " + quoted(reference.channel) + ", " + edge_word(reference.active_edge) + " edge: " +
                              reference_place(reference, engine.cycle_deg) + "." + delay_words(reference.delay_us));
  if (reference.period_deg < engine.cycle_deg) {
    page.point("It comes each turn (wasted spark): judged modulo 360°, compression stroke not verified.");
  }
  if (reference.marks == ReferenceMark::spark && reference.active_edge == ActiveEdge::rising) {
    page.point(
        "With the usual coil drive the rising edge begins the dwell and the falling edge is the spark: check that this "
        "output is different.");
  }
  page.point("A wrong angle is constant in degrees; a delay grows with speed: 50 µs are " + deg(50e-6 * 6 * 1000) +
             " at 1000 rpm and " + deg(50e-6 * 6 * 7000) + " at 7000.");
}

// --- speed ---

std::string per_speed(double (*value)(double rpm, double teeth_a_turn), double teeth_a_turn) {
  std::vector<std::string> words;
  for (const double rpm : {200.0, 1000.0, 6000.0}) {
    words.push_back(plain_number(value(rpm, teeth_a_turn)));
  }
  return listed(words);
}

// What a serial line carries of it, in both forms of the edge stream.
void explain_line(const Engine& engine, const SourceSpec& source, Page& page) {
  const auto limits = [&](SentEdges sent) {
    const double binary = binary_bytes_an_edge * edges_a_turn(engine, sent);
    const double text = text_bytes_a_turn(engine, source, sent);
    return std::pair(plain_number(line_limit_rpm(source.baud, binary)),
                     plain_number(line_limit_rpm(source.baud, text)));
  };
  const auto [binary, text] = limits(SentEdges::used);
  const auto [binary_both, text_both] = limits(SentEdges::both);
  const double edges_a_second = std::floor(source.baud / 10.0 / binary_bytes_an_edge);
  page.point("A serial line of " + std::to_string(source.baud) + " baud at 3 bytes an edge (binary form) carries " +
             plain_number(edges_a_second) + " edges a second: enough up to " + binary +
             " rpm, if the device sends these edges only, one a tooth; " + binary_both +
             " rpm if it sends both edges of each. In text form up to " + text + " and " + text_both +
             " rpm. Beyond that it drops edges, which is told.");
}

void explain_speed(const Engine& engine, Page& page) {
  const Wheel& wheel = engine.crank;
  const double places_a_turn =
      is_list(wheel) ? static_cast<double>(wheel.teeth.size()) * 360 / wheel.period_deg : 360 / pitch_deg(wheel);
  const auto interval_us = [](double rpm, double places) { return 60e6 / (rpm * places); };
  const auto rate = [](double rpm, double edges) { return std::round(rpm / 60 * edges); };
  const double edges = edges_a_turn(engine, SentEdges::used);
  page.entry("Speed", std::string("At 200, 1000 and 6000 rpm ") +
                          (is_list(wheel)         ? "teeth follow each other on average every "
                           : wheel.positions == 1 ? "the tooth comes every "
                                                  : "a pitch takes ") +
                          per_speed(interval_us, places_a_turn) + " µs, and the edges that this file uses come " +
                          per_speed(rate, edges) + " times a second. 1 rpm is 6°/s; 1 µs is 0.036° at 6000 rpm.");
  bool any_serial = false;
  for (const SourceSpec& source : engine.sources) {
    if (source.driver == "serial") {
      any_serial = true;
      explain_line(engine, source, page);
    }
  }
  if (!any_serial) {
    explain_line(engine, SourceSpec{}, page);  // at the usual baud rate
  }
}

// --- the rest ---

void explain_limits(const Limits& limits, Page& page) {
  page.entry("Limits", "TDC deviation: warning from " + deg(limits.tdc_warning_deg) + ", fault from " +
                           deg(limits.tdc_fault_deg) + ", when " +
                           counted(limits.hold_cycles, "cycle agrees", "cycles agree") + "; closed below " +
                           plain_number(limits.hysteresis * 100) + " % of that. Cam of fixed phase: warning from " +
                           deg(limits.cam_warning_deg) + ". Sync margin: warning below " +
                           plain_number(limits.margin_warning) + ", from " + plain_number(limits.running_rpm) +
                           " rpm.");
  const std::string warm = limits.warm_up_s > 0 ? "; in the first " + plain_number(limits.warm_up_s) +
                                                      " s after a start " + deg(limits.cam_warm_up_deg)
                                                : "";
  page.entry("Changes", "against what was learned in " + plain_number(limits.learn_s) +
                            " s of steady running: of the mark's deviation from " + deg(limits.tdc_change_deg) +
                            ", of a parked cam from " + deg(limits.cam_change_deg) + warm +
                            ", of two cams that move together from " + deg(limits.cam_pair_deg) +
                            ". Wheel: run-out from " + deg(limits.run_out_deg) + ", one tooth out of place from " +
                            deg(limits.tooth_error_deg) + ". A phaser off its target: from " +
                            deg(limits.cam_target_deg) + ".");
}

void explain_record(const RecordSpec& record, Page& page) {
  const std::string window = plain_number(record.lead_in_s) + " s before and " + plain_number(record.after_s) +
                             " s after each warning and fault";
  page.entry("Recording", "to " + quoted(record.folder) +
                              (record.mode == RecordMode::everything
                                   ? ": every edge."
                                   : ", black-box: edges are kept from " + window + ", and the latest " +
                                         plain_number(record.lead_in_s) + " s; findings and trend throughout."));
  if (record.keep_days || record.keep_gib) {
    page.point(
        std::string("Old sessions there are removed") +
        (record.keep_days ? " after " + plain_number(*record.keep_days) + " days" : "") +
        (record.keep_days && record.keep_gib ? ", and" : "") +
        (record.keep_gib ? " while all together take more than " + plain_number(*record.keep_gib) + " GiB" : "") +
        ", oldest first; of those with warnings or faults the edges from " + window + " stay, and the lists.");
  } else {
    page.point("Nothing removes old sessions: neither keep_days nor keep_gib is given.");
  }
  page.point(record.free_floor_mib > 0 ? "With less than " + plain_number(record.free_floor_mib) +
                                             " MiB free on the disk no more edges are written, only findings and trend."
                                       : "Edges are written until the disk is full (free_floor_mib = 0).");
  page.point(record.report ? "A session's end, and a lost sync, make report.html in its folder."
                           : "No report.html is made by itself (report = false).");
}

void explain_serving(const ServeSpec& serve, Page& page) {
  if (serve.address.empty()) {
    return;
  }
  page.entry("Serving", "live page, status and metrics at http://" + serve.address + "/" +
                            (serve.hosts.empty() ? "" : ", also by the names " + listed(serve.hosts)) +
                            (serve.allow_remote ? "; other computers may look." : "; for this computer only."));
}

void explain_sources(const Engine& engine, Page& page) {
  for (std::size_t i = 0; i < engine.sources.size(); ++i) {
    const SourceSpec& source = engine.sources[i];
    std::vector<std::string> names;
    for (const auto& [channel, device] : source.channels) {
      names.push_back(channel + " is its " + quoted(device));
    }
    page.entry(i == 0 ? "Sources" : "",
               "driver " + quoted(source.driver) + " at " + source.address +
                   (source.driver.starts_with("serial") ? ", " + std::to_string(source.baud) + " baud" : "") +
                   (source.allow_remote ? ", which may be another computer" : "") +
                   (source.driver == "socketcan" ? ", which is to be listen-only (ip link set " + source.address +
                                                       " up type can bitrate BITS_A_SECOND listen-only on)"
                                                 : "") +
                   (names.empty() ? "" : "; " + listed(names)) + ".");
    const LeastDelay& delay = source.least_delay;
    page.point("What it sends takes " + plain_number(delay.ms) + " ms at least to arrive, give or take " +
               plain_number(delay.uncertainty_ms) +
               " ms (least_delay_ms, least_delay_uncertainty_ms): no arrival shows " +
               "it, and with other sources it is compared no closer than that.");
  }
}

void explain_can(const Engine& engine, Page& page) {
  for (std::size_t i = 0; i < engine.can.size(); ++i) {
    const CanSpec& can = engine.can[i];
    page.entry(i == 0 ? "ECU on CAN" : "",
               "what it says by the signal map " + can.map + " (below), in frames of " +
                   (can.interface.empty() ? "any interface" : "interface " + quoted(can.interface)) + ".");
  }
}

std::string wheel_place_words(const Engine& engine) {
  if (engine.crank.shaft == WheelShaft::cam) {
    return "Whether the cam stands right to the crank: the wheel turns with the cam, so a jumped belt or chain moves "
           "witness and controller alike.";
  }
  const bool has_cam = engine.cycle_deg == 720 &&
                       std::any_of(engine.cams.begin(), engine.cams.end(),
                                   [&](const CamPattern& cam) { return !repeats_each_turn(cam, engine.cycle_deg); });
  return std::string("Whether the wheel sits right on the crank: one that moves takes witness and controller along; ") +
         (has_cam ? "only the cams show it." : "there is no cam to show it.");
}

void explain_unknown(const Engine& engine, const PositionEvidence& evidence, Page& page) {
  page.heading("What this file can't tell");
  if (engine.crank.offset_basis == OffsetBasis::unverified) {
    page.item("Whether the trigger offset is right: it agrees with the file only.");
  }
  if (known_within_deg(evidence, engine.cycle_deg) != engine.cycle_deg) {
    page.item("Which stroke is compression: the turns look alike.");
  }
  if (!engine.reference) {
    page.item("What the controller does with these signals: there is no reference.");
  }
  page.item("Whether the edges are clean at the controller: they are judged at our tap only.");
  page.item(wheel_place_words(engine));
  if (engine.cycle_deg == deg_per_rev) {
    page.item("Which way it turns: a two-stroke can start and run backwards, and its edges then look much the same.");
  }
}

bool any_gear(const Engine& engine) {
  return std::any_of(engine.cams.begin(), engine.cams.end(),
                     [](const CamPattern& cam) { return cam.gear_teeth.has_value(); });
}

void explain_cautions(const Engine& engine, Page& page) {
  page.heading("Cautions");
  page.item(
      "An observer, not a safety device. A qualified person decides; site rules and the engine maker's data come "
      "first.");
  page.item("Cranking tests: fuel off, always; ignition off unless spark is being measured.");
  page.item(
      "After any new offset check again: cranking with fuel off, then idle, then two speeds unloaded, before load. A "
      "wrong sign or turn can break starters, backfire or melt pistons.");
  if (engine.crank.offset_basis != OffsetBasis::piston_stop) {
    page.item("A piston stop is used by hand only, battery disconnected.");
  }
  if (any_gear(engine)) {
    page.item("A cam found some teeth out: stop, don't restart or crank, turn by hand; valves can meet pistons.");
  }
  if (engine.reference) {
    page.item(
        "Tap logic levels only, high-impedance, at the controller's pins; never the primary of a coil (hundreds of "
        "volts).");
  }
}

}  // namespace

void explain_engine(const Engine& engine, std::string_view file_name, const CheckLook& look, std::ostream& out) {
  Page page(look, out);
  const PositionEvidence evidence = position_evidence(engine);
  page.line(std::string(file_name) + ": " + engine.name + ". No contradiction found; it means:");
  page.blank();
  explain_firing(engine, page);
  explain_wheel(engine, page);
  explain_offset(engine, evidence, page);
  explain_cams(engine, evidence, page);
  explain_position(engine, evidence, page);
  explain_reference(engine, page);
  explain_speed(engine, page);
  explain_limits(engine.limits, page);
  explain_sources(engine, page);
  explain_can(engine, page);
  explain_record(engine.record, page);
  explain_serving(engine.serve, page);
  page.heading(engine.cycle_deg == 720 ? "The cycle in crank degrees; 0 is TDC1 (cylinder 1, end of compression)"
                                       : "The cycle in crank degrees; 0 is TDC1, top dead centre of cylinder 1");
  page.blank();
  out << draw_cycle(engine, look);
  explain_unknown(engine, evidence, page);
  explain_cautions(engine, page);
}

}  // namespace cw
