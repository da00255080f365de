// The raw edges around a finding, laid on the crank angle beside where the engine file expects them.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "geometry/engine.hpp"
#include "items/item_buffer.hpp"
#include "items/observation.hpp"

namespace cw {

// What an edge is, against what is expected.
enum class EdgeSense : std::uint8_t {
  expected,    // a tooth of the wheel, a cam edge or a mark where it should be
  odd,         // one too many, or out of its place
  unplaced,    // while the position of the crank was not known
  not_counted  // of the polarity that the engine file does not list
};

struct EvidenceEdge {
  std::int64_t t_ns = 0;  // source time, known delay subtracted
  double x = 0;           // from the finding, as EvidencePicture says
  bool rising = false;
  EdgeSense sense = EdgeSense::expected;
};

// Where something is expected.
struct ExpectedEdge {
  double x = 0;
  double from_x = 0;  // and where it may be; x for teeth
  double to_x = 0;
  int tooth = 0;         // number from the reference tooth; 0 for cams and reference
  bool missing = false;  // expected and not seen, while the position was known
  bool unsure = false;   // while the position was not known: as the speed before let expect
};

// A row of the drawing: crank, a cam, or the reference.
struct EvidenceRow {
  std::string name;
  std::vector<ExpectedEdge> expected;
  std::vector<EvidenceEdge> edges;
};

struct Stretch {
  double from_x = 0;
  double to_x = 0;
};

struct EvidencePicture {
  // Where the position of the crank was known near the finding, x is in crank degrees from it; else in milliseconds, and
  // nothing is expected anywhere.
  bool by_time = false;
  double from_x = -180;
  double to_x = 180;
  double angle_at_0_deg = 0;      // crank angle at x = 0, [0, cycle)
  bool cycle_known = false;       // else it is right modulo a turn only
  double ns_per_deg = 0;          // around the finding; 0 = not known
  std::vector<EvidenceRow> rows;  // crank, cams, reference
  std::size_t left_out = 0;       // edges beyond edges_max
  std::vector<Stretch> unknown;   // where the position was not known: angles go on as the speed lets expect
  // A plain counter of teeth and gaps, as many ECUs have (sync/strict_counter.hpp): where it was out of sync.
  bool has_counter = false;
  std::vector<Stretch> counter_out;
  std::vector<Stretch> silent;  // and where no crank edge came for longer than three gaps: nothing to count

  static constexpr std::size_t edges_max = 1200;
};

// `window`: items in order that hold the finding's evidence, as many cycles before it as can be had (so that sync finds the
// place by itself, with the same rules) and a turn after it; the channels must be named in it before their first edge.
EvidencePicture evidence_picture(const Engine& engine, const Finding& finding, const ItemBuffer& window);

}  // namespace cw
