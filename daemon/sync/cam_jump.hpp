// Whether a cam of a wheel without a gap has jumped (a belt, a chain) before the cams had told the tooth. From then on they
// tell a wrong one, and nothing on the wheel says so. Counted are the crank edges, in parts of a tooth, from an edge of the
// cam to the same one a turn later: as many as the file says, then once another number, then again as many.
#pragma once

#include <cstddef>
#include <cstdint>
#include <deque>
#include <vector>

#include "geometry/engine.hpp"

namespace cw {

class CamJump {
 public:
  // `pitch_deg`: from tooth to tooth as the file has it.
  CamJump(const Engine& engine, double pitch_deg);

  // The next active edge of the crank, and of a cam; times must not fall. An edge of the crank at an odd time may be one
  // missed or too many, which moves the count as a jump does: a turn of another length with such an edge says nothing.
  void crank_edge(std::int64_t t_ns);
  void cam_edge(std::size_t cam, std::int64_t t_ns);

  // Stays so until forget().
  bool jumped() const { return jumped_; }
  // The engine has stopped, or edges were lost.
  void forget();

 private:
  struct Cam {
    std::deque<double> turn;    // counts at the edges of the last turn
    std::size_t settled = 0;    // edges in a row that came a turn after themselves
    std::vector<double> moved;  // turns of another length since
    bool odd = false;           // an odd edge of the crank, since a turn of the right length
  };

  double farthest_teeth_ = 0;       // that a belt jumps; an edge of the cam that is missed makes it more
  std::vector<double> file_teeth_;  // in a turn of each cam, or of an index
  std::vector<std::size_t> edges_a_turn_;
  std::vector<Cam> cams_;
  double count_ = 0;
  std::int64_t newest_ns_ = 0;
  double interval_ns_ = 0;  // 0 = none yet
  bool jumped_ = false;
};

}  // namespace cw
