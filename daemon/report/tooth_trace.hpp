// Items to teeth: sync run over a stretch of a recording, and where each edge lay on the crank.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <vector>

#include "geometry/engine.hpp"
#include "geometry/tooth_cycle.hpp"
#include "items/item_buffer.hpp"
#include "monitor/channel_role.hpp"

namespace cw {

// An edge of a channel that the engine file names.
struct TracedEdge {
  std::int64_t t_ns = 0;  // known delay subtracted
  Role role = Role::crank;
  std::uint8_t cam = 0;
  EdgeCode code = EdgeCode::falling;
  bool active = true;  // of a polarity that the file lists
};

// A tooth as sync decided it. `deg` rises from tooth to tooth over all turns; modulo the cycle it is the crank angle.
struct TracedTooth {
  std::int64_t t_ns = 0;
  double deg = 0;
};

// A stretch in which the place was known, from its first tooth to its last.
struct TracedLock {
  std::vector<TracedTooth> teeth;  // at least two, by time
  bool cycle_known = false;        // else its degrees are right modulo a turn only
};

struct ToothTrace {
  std::vector<TracedEdge> edges;
  std::vector<TracedLock> locks;       // by time, on one scale of degrees
  std::vector<std::int64_t> extra_ns;  // edges that sync told as too many, also where the lock was lost over them
  // Degrees at `t_ns`: between teeth a straight line, beyond the ends with the speed of the last step. Requires a lock.
  double deg_at(std::int64_t t_ns) const;
  // Speed at the tooth before `t_ns`, over some teeth.
  double ns_per_deg_at(std::int64_t t_ns) const;
  // The lock that spans `t_ns`, if any.
  const TracedLock* lock_at(std::int64_t t_ns) const;
};

// The crank, cams and reference of the first source that names the crank. Sync begins from nothing, with the rules that it
// always has; so the teeth of the first turns are not placed.
ToothTrace trace_teeth(const Engine& engine, const ItemBuffer& window);

}  // namespace cw
