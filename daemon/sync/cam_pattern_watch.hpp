// Holds what a cam's edges do, cycle after cycle, against its pattern in the engine file, until they have been seen to fit:
// where the findings "wrong-engine-file" and "wrong-edge-or-polarity" of a cam come from. A cam that is merely shifted (belt
// or phaser), that lacks one edge or has one too many, or whose edges do not come back at the same angles says nothing here.
#pragma once

#include <cstddef>
#include <cstdint>
#include <limits>
#include <optional>
#include <span>
#include <vector>

#include "geometry/engine.hpp"
#include "sync/cam_match.hpp"

namespace cw {

enum class CamPatternVerdict : std::uint8_t {
  fits,           // told only when something else was told before
  other_pattern,  // steady, and not the file's pattern at any place
  turned,         // steady, the file's pattern, but turned by more than a belt that jumped accounts for
  other_edge,     // as other_pattern or turned, and the edges of the polarity that the file does not list fit
};

struct CamPatternOpinion {
  std::size_t cam = 0;
  CamPatternVerdict verdict = CamPatternVerdict::fits;
  std::int64_t t_ns = 0;              // of the deciding edge
  std::vector<CamEdge> seen;          // in a cycle, ascending; angles in the place assumed by the caller
  std::optional<double> rotated_deg;  // of `turned`: seen - expected, by the least that lays one on the other
};

// The places that the caller leaves open: an edge at angle a may stand at a + (first + k) * turn_deg, 0 <= k < count.
struct OpenPlaces {
  double turn_deg = 360;
  int first = 0;
  int count = 1;
};

// The edges of one polarity or both, each tied to the one a cycle before.
class EdgeRows {
 public:
  // `partner_deg`: how far from a cycle after its forerunner an edge may come, its and the other's uncertainty apart.
  EdgeRows(double cycle_deg, double partner_deg) : cycle_deg_(cycle_deg), partner_deg_(partner_deg) {}
  void begin();
  void add(const LocatedEdge& edge);
  // The edges of the last cycle when they have come back at the same angles for long enough (six cycles and 3 s), with none
  // missing and no other between; empty when not.
  std::vector<LocatedEdge> steady(double here_deg);

 private:
  struct Row {
    LocatedEdge edge;
    int cycles = 1;             // in which it has come
    std::int64_t since_ns = 0;  // of the first
    bool continued = false;     // by an edge a cycle later
  };
  double cycle_deg_ = 720;
  double partner_deg_ = 8;
  std::vector<Row> rows_;
  double broken_deg_ = -std::numeric_limits<double>::max();  // where an edge last had none a cycle later
};

class CamPatternWatch {
 public:
  // `engine` must outlive this object.
  explicit CamPatternWatch(const Engine& engine);

  // A new scale of angles begins.
  void begin();
  // Wires and file may be others now.
  void forget();

  // Until the cam has been seen to fit on this scale.
  bool watches(std::size_t cam) const { return !cams_[cam].settled; }
  // An edge of a polarity that the file lists, or (the file lists one only) of the other.
  void add(std::size_t cam, const LocatedEdge& edge, bool listed);
  // To be called once a cycle, all edges before `here_deg` given. What is news of a cam that it watches.
  std::optional<CamPatternOpinion> look(std::size_t cam, double here_deg, const OpenPlaces& places);

 private:
  struct Cam {
    EdgeRows listed;
    EdgeRows other;
    bool settled = false;
    int against = 0;  // looks in a row that speak against the file
    std::optional<CamPatternVerdict> told;
  };
  const Engine& engine_;
  std::vector<Cam> cams_;
};

// How a steady cycle of edges compares with the pattern.
enum class CyclePatternFit : std::uint8_t {
  fits,     // within the shifts of the file, or
  shifted,  // up to 60 degrees beyond
  nearly,   // so but for one edge missing or one too many
  turned,   // all edges match, turned by more
  different,
};
struct CyclePattern {
  CyclePatternFit fit = CyclePatternFit::different;
  double rotated_deg = 0;  // of `turned`
};
CyclePattern compare_cycle(const CamPattern& pattern, double cycle_deg, std::span<const LocatedEdge> seen,
                           const OpenPlaces& places);

}  // namespace cw
