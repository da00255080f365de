// How many teeth pass while a cam turns once, counted between edges of the cam: on a wheel of even teeth all that tells a
// wrong number of teeth in the engine file.
#pragma once

#include <cstddef>
#include <deque>
#include <optional>
#include <vector>

#include "geometry/engine.hpp"

namespace cw {

class CamPeriod {
 public:
  // `pitch_deg`: from tooth to tooth as the file has it.
  CamPeriod(const Engine& engine, double pitch_deg);

  // An edge of a cam at `angle_deg`, on a scale that rises by `pitch_deg` a tooth. Gives the teeth that pass in a turn of
  // the cam once that is sure and not what the file says; nothing more until forget().
  std::optional<int> cam_edge(std::size_t cam, double angle_deg);
  // Whether some cam's last turns speak against the file: too few to tell it, enough not to claim a place by the cams.
  bool contradicts() const;
  // What is counted begins anew: edges before and after are not a turn apart.
  void begin();
  void forget();

 private:
  struct Cam {
    std::deque<double> last_deg;  // of the last turn
    int teeth = 0;                // in the turns seen of late
    int agreeing = 0;             // turns in a row with so many
  };
  bool could_be_odd_edges(std::size_t cam) const;

  double pitch_deg_ = 0;
  std::vector<int> file_teeth_;  // in a turn of each cam, or of an index
  std::vector<std::size_t> edges_a_turn_;
  std::vector<Cam> cams_;
  bool told_ = false;
};

}  // namespace cw
