// Looks at the wheel now and then while its place is not known, and holds what it sees against the engine file: what Sync
// asks before it claims a place, and where the findings "wrong-engine-file" and "wrong-edge-or-polarity" come from.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "geometry/engine.hpp"
#include "geometry/tooth_cycle.hpp"
#include "sync/gap_sides.hpp"
#include "sync/ring.hpp"
#include "sync/wheel_look.hpp"

namespace cw {

enum class WheelVerdict : std::uint8_t {
  fits,
  other_wheel,
  tooth_missing,    // as in WheelFit
  tooth_displaced,  // as in WheelFit
  edge_added,       // as in WheelFit
  wired_backwards,  // as in WheelFit
  other_edge,       // the file's pattern is in the edges of the other polarity
  swapped,          // the file's crank pattern is on a cam channel
  other_shaft,      // the cams' edges come half or twice as often as with the wheel on the file's shaft
};

// What is seen, from the time it is first seen until another is.
struct WheelOpinion {
  WheelVerdict verdict = WheelVerdict::fits;
  std::int64_t t_ns = 0;           // of the deciding edge
  std::string looks_like;          // words_of; empty when it fits
  bool named = false;              // that is a wheel's name, not only what is seen of it
  std::size_t edges = 0;           // after which the pattern repeats
  std::optional<double> rpm;       // when a repeat is a turn
  std::optional<std::size_t> cam;  // of `swapped`
};

// The last edges of one channel.
class EdgeRing {
 public:
  EdgeRing() : t_ns_(kept) {}
  void add(std::int64_t t_ns) { t_ns_[count_++ & (kept - 1)] = t_ns; }
  // At most `kept`.
  void add(std::span<const std::int64_t> t_ns) {
    add_to_ring(t_ns_, count_, t_ns);
    count_ += t_ns.size();
  }
  std::uint64_t count() const { return count_; }
  void clear() { count_ = 0; }
  // In order of time, at most `most`.
  std::vector<std::int64_t> newest(std::size_t most) const;

  static constexpr std::size_t kept = 1024;

 private:
  std::vector<std::int64_t> t_ns_;
  std::uint64_t count_ = 0;
};

class WheelWatch {
 public:
  WheelWatch(const Engine& engine, const ToothCycle& file);

  // The next active edge of the crank. True when it is time to look().
  bool edge(std::int64_t t_ns) {
    crank_.add(t_ns);
    return crank_.count() >= look_at_;
  }
  // As many edges may come before it is.
  std::uint64_t edges_until_look() const { return look_at_ > crank_.count() ? look_at_ - crank_.count() - 1 : 0; }
  // As edge() for each, at most so many.
  void edges(std::span<const std::int64_t> t_ns) { crank_.add(t_ns); }
  // Edges of the crank channel that are not active, and the cams': looked at only when the active ones don't fit.
  void other_edge(std::int64_t t_ns) { other_.add(t_ns); }
  void cam_edge(std::size_t cam, std::int64_t t_ns) { cams_[cam].add(t_ns); }

  // Looks. Gives what is seen when that is not what was seen before. `locked`: a wheel that fits is not looked at again
  // until watch_again().
  std::optional<WheelOpinion> look(bool locked);
  void watch_again() {
    look_at_ = crank_.count() + step_;
    explained_ = 0;
  }
  // Whether the wheel has been seen to fit, over one repeat and the next, its teeth beside the gaps in place, and nothing
  // since speaks against it. A lock is claimed only then: a wrong file can find its pattern in one turn of an uneven crank.
  // Even teeth have nothing to see.
  bool confirmed() const { return confirmed_; }
  // Time has a hole: no edge from before is put together with what comes.
  void forget();

  // Whether a place on the file's wheel may be claimed now: the last look does not speak against the file, and the edges of
  // the last turn can be explained by it.
  bool may_claim() const;
  // The first half of that. A damaged wheel of the right kind is left to the search.
  bool allows_lock() const;
  const std::optional<WheelOpinion>& opinion() const { return opinion_; }

 private:
  // Something that speaks against the file, before it is believed.
  struct Suspicion {
    WheelVerdict fit = WheelVerdict::other_wheel;
    std::size_t edges = 0;
    std::int64_t since_ns = 0;
    std::uint64_t at_count = 0;  // end of the last stretch in which it was seen
    int times = 0;
  };

  // A tooth beside a gap seen off its place, since it was first seen so.
  struct OffTooth {
    double off_pitches = 0;        // at first,
    double least_off_pitches = 0;  // and the range since
    double most_off_pitches = 0;
    double rpm = 0;  // at first
    bool before_gap = true;
    std::uint64_t since_count = 0;
    std::uint64_t at_count = 0;  // end of the last stretch that has no edge in common with those before
    int times = 1;               // such stretches in which it was off
    int times_in_place = 0;      // in a row in which none was
  };

  bool look_at_gap_sides();
  void take_off_tooth(const GapSides& now, double rpm, bool fresh);
  bool shifts_in_gap() const;
  bool dip_may_hide(double rpm) const;
  bool runs() const;
  bool may_be_file_in_ripple(const WheelLook& look) const;
  std::optional<WheelOpinion> take_unlike(const WheelLook& look, WheelOpinion now);
  bool looks_backwards_often();
  WheelOpinion wired_backwards() const;
  std::optional<WheelVerdict> verdict_elsewhere(WheelOpinion& opinion) const;
  std::optional<WheelOpinion> swapped_by_rate();
  bool explained_often_enough();
  bool seen_often_enough(const WheelOpinion& now, std::size_t steps);
  std::optional<WheelOpinion> take(WheelOpinion now);

  ToothCycle file_;
  std::size_t turn_steps_ = 0;  // steps in which all of the file's pattern is seen
  bool confirmed_ = false;
  std::uint64_t step_ = 0;  // edges between looks
  EdgeRing crank_;
  EdgeRing other_;
  std::vector<EdgeRing> cams_;
  std::vector<double> cam_share_;  // edges of the polarity given to cam_edge() for each edge of the crank, by the file
  int swapped_looks_ = 0;          // in a row in which the rates said so
  std::uint64_t look_at_ = 0;
  int explained_ = 0;  // turns of this lock that the file explains
  std::uint64_t explained_until_ = 0;
  std::vector<double> ripple_orders_;
  std::optional<OffTooth> off_tooth_;
  std::optional<std::uint64_t> unclear_until_;  // count of edges at which an unclear look no longer holds a claim back
  int backwards_ = 0;                           // stretches in a row that the file explains wired backwards only
  std::uint64_t backwards_until_ = 0;
  bool rough_ = false;  // a tooth beside a gap is off at any speed: it is the wheel that is so
  std::optional<Suspicion> suspicion_;
  std::optional<WheelOpinion> opinion_;
};

}  // namespace cw
