// A condition that must last before it is told, and be gone as long before it is over: tolerance, hold time, hysteresis.
#pragma once

#include <cstdint>

namespace cw {

enum class Judgement : std::uint8_t {
  within,   // clearly inside of the limit: below the hysteresis
  between,  // neither: what is open stays open, what is not stays closed
  beyond,   // outside of the limit
};
// `magnitude` and `limit` in the same unit, both >= 0; hysteresis: share of the limit below which it is within.
inline Judgement judge(double magnitude, double limit, double hysteresis) {
  return magnitude > limit                ? Judgement::beyond
         : magnitude < limit * hysteresis ? Judgement::within
                                          : Judgement::between;
}

class HeldCondition {
 public:
  enum class News : std::uint8_t { none, opened, closed };

  // The next judgement, of time `t_ns`, which never falls. Opens when all for `hold_ns` were beyond, closes when all for
  // `hold_ns` were within.
  News take(Judgement judgement, std::int64_t t_ns, std::int64_t hold_ns) {
    const Judgement wanted = open_ ? Judgement::within : Judgement::beyond;
    if (judgement != wanted) {
      counting_ = false;
      return News::none;
    }
    if (!counting_) {
      counting_ = true;
      since_ns_ = t_ns;
    }
    if (t_ns - since_ns_ < hold_ns) {
      return News::none;
    }
    counting_ = false;
    open_ = !open_;
    return open_ ? News::opened : News::closed;
  }

  // Nothing can be compared for now: what was beginning is forgotten, what is open stays open.
  void suspend() { counting_ = false; }
  // As if it had never been judged.
  void reset() { open_ = counting_ = false; }

  bool open() const { return open_; }
  bool counting() const { return counting_; }          // on the way to be opened, or closed
  std::int64_t since_ns() const { return since_ns_; }  // when what opened or closed last had begun

 private:
  bool open_ = false;
  bool counting_ = false;
  std::int64_t since_ns_ = 0;
};

}  // namespace cw
