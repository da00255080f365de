// One number that should stay what it is (a deviation, a parked phase), watched for as long as the engine runs: has it
// stepped, or does it walk off? Knows nothing of what the number is.
//
// Readings are put together in blocks of at least a second and eight readings (robust means), from steady speed only.
// What a block should be is learned: a level for each speed (10 % wide, with the slope that all of them together have
// within it), since a delay makes a deviation of degrees that grow with speed and a sensor its own curve. A speed that comes
// later is learned with what has changed since taken off, so it hides no drift; until then it is not judged. What is left
// goes to a CUSUM. Its allowance is half the change that is of interest, so wander below
// that never adds up; its threshold is such that noise as it was seen, and as it hangs together from block to block (Allan
// deviation), alarms once in 100,000 hours by Siegmund's formula, and never below three blocks. After an alarm five more
// blocks are waited for, and a step and a hinge (nothing, then a steady slope) are fitted by least squares to what came
// before: the one that leaves less says what it is and when it began.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

#include "compare/cusum.hpp"

namespace cw {

struct ChangeLimits {
  double change = 0.5;      // smallest change that is reported, > 0
  double learn_s = 30;      // steady running until the first level is known, and the noise
  double hysteresis = 0.5;  // what has come back to within this share of `change` is over
};

enum class ChangeKind : std::uint8_t { step, drift };
enum class ChangePhase : std::uint8_t {
  began,
  came_back,  // it is again about what it was learned to be
  stopped,    // a drift that goes no further
};

struct Change {
  std::uint64_t number = 0;  // `began` and its end share it; from 1
  ChangePhase phase = ChangePhase::began;
  ChangeKind kind = ChangeKind::step;
  double from = 0;            // what it was at this speed,
  double to = 0;              // and what it is now
  double uncertainty = 0;     // of their difference, 95 %
  double rate_per_s = 0;      // of a drift, by the hinge
  std::int64_t begin_ns = 0;  // a step came between these two times,
  std::int64_t end_ns = 0;    // a drift began at the first and is seen at the second
  double rpm = 0;             // when it was found
};

class ChangeDetector {
 public:
  explicit ChangeDetector(const ChangeLimits& limits) : limits_(limits) {}

  struct Reading {
    std::int64_t t_ns = 0;  // rising, between calls of break_off()
    double value = 0;
    double rpm = 0;  // > 0
  };
  // Changes that this reading decides, added to `out`.
  void take(const Reading& reading, std::vector<Change>& out);

  // No reading is put together with one before it; levels stay known.
  void break_off();

  // The number is known to have changed by this much, and that is told elsewhere.
  void allow_for(double by);

  // From now on this much is reported. If `anew`, all that was learned is learned again.
  void set_change(double change, bool anew);

  // From now on what comes little by little is no change, and followed in silence, until it has come to this much in all; what
  // comes at once still is one. 0 = all changes alike.
  void set_slow_change(double slow_change);

  // What the latest five blocks are from what was told so far counts as told: another finding holds it. Nothing before.
  void accept();

  bool learned() const { return noise_.has_value(); }
  // How far the latest five blocks stand from where they would be if what was told so far were all; nothing before there
  // are five.
  std::optional<double> unsaid() const;
  // ... and from the level first learned, what is told elsewhere not counted; nothing until learned.
  std::optional<double> offset() const;
  // Standard deviation of a block, as the CUSUM takes it; nothing until learned.
  std::optional<double> noise() const { return noise_; }

 private:
  struct Block {
    std::int64_t first_ns = 0;
    std::int64_t last_ns = 0;
    double at_s = 0;      // of running: blocks put end to end
    double residual = 0;  // from the level, what was told included
    double weight = 1;    // blocks in it
    double rpm = 0;       // of its first reading
  };
  struct Level {
    bool known = false;
    double mean = 0;
    double rpm = 0;  // mean, of the blocks it was learned from
    std::int64_t known_ns = 0;
    std::vector<double> seen;  // until known
  };
  struct Open {
    Change change;
    double base = 0;     // the level at the speed of that time
    double quiet_s = 0;  // since the drift last alarmed
  };
  struct Fit {
    double gain = 0;     // by how much the sum of squares is less than without it
    double size = 0;     // of the step; slope of the hinge, per second of running
    std::size_t at = 0;  // first block of it in `history_`
  };

  void close_block(std::vector<Change>& out);
  void judge(double value, double rpm, std::vector<Change>& out);
  bool learn(Level& level, double seen, double rpm);
  void learn_slope();
  double level_at(const Level& level, double rpm) const { return level.mean + slope_ * (rpm - level.rpm); }
  void learn_noise();
  void plan_cusum();
  void remember(double residual);
  void thin_history();
  void decide(double rpm, double level, std::vector<Change>& out);
  // Between two blocks that follow one another at one speed, from the mean of some before to that of some after; 0 = none that
  // stands out.
  struct Jump {
    double size = 0;
    std::size_t at = 0;  // first block of it in `history_`
  };
  Jump jump_at(std::size_t at) const;
  Jump greatest_jump() const;
  void decide_slowly(double rpm, double level, double now, std::vector<Change>& out);
  void forget_levels_since(std::int64_t t_ns);
  Fit best_step() const;
  Fit best_hinge() const;
  void tell(Change change, double base, std::vector<Change>& out);
  void end(const Open& open, ChangePhase phase, std::vector<Change>& out) const;
  void end_all(ChangePhase phase, std::vector<Change>& out);
  void watch_quiet(double length_s, std::vector<Change>& out);
  void begin_anew();

  ChangeLimits limits_;
  std::vector<Reading> readings_;  // of the block in work
  Block now_;                      // the latest block
  std::vector<Level> levels_;      // by speed
  double slope_ = 0;               // of the levels over rpm
  int blocks_ = 0;                 // seen so far
  double anchor_ = 0;              // what the known levels say is not told yet, averaged
  std::vector<double> recent_;     // residuals, for the noise
  std::optional<double> noise_;
  int noise_due_ = 0;
  CusumPlan plan_;
  Cusum cusum_;
  double told_ = 0;     // changes reported so far
  double allowed_ = 0;  // changes that are told elsewhere
  double slow_change_ = 0;
  double followed_ = 0;         // in silence, since the last that was told
  int settling_ = 0;            // blocks until an alarm is decided; 0 = none
  std::vector<Block> history_;  // since the last change that was told
  double running_s_ = 0;
  std::vector<Open> open_;
  std::uint64_t next_number_ = 1;
};

}  // namespace cw
