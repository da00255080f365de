// Whether the ECU's broadcast comes as it used to: the period of each message is learned from the broadcast itself.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "compare/attribution.hpp"
#include "compare/held_condition.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"

namespace cw {

// Whether the engine turns, as far as it is known to whoever asks.
enum class Turning : std::uint8_t { unknown, stands, turns };

class EcuBroadcastWatch {
 public:
  // `names`: of the messages that are watched, for people.
  EcuBroadcastWatch(const Engine& engine, std::uint64_t& next_id, std::vector<std::string> names);

  // A frame of message number `message` has come. `rpm`: engine speed now, where known.
  void take(std::size_t message, std::int64_t host_ns, std::optional<double> rpm, std::vector<Finding>& out);
  void tick(std::int64_t now_ns, Turning turning, std::optional<double> rpm, std::vector<Finding>& out);
  // The link is lost, or its time begins anew: what comes after is learned afresh, and what is silent is not the ECU.
  void break_off();

  // Period of the fastest message, once it is learned.
  std::optional<std::int64_t> period_ns() const;
  // When the last silence of all messages ended that was longer than five periods and 100 ms; and when it began.
  struct Pause {
    std::int64_t from_ns = 0;
    std::int64_t to_ns = 0;
  };
  const std::optional<Pause>& last_pause() const { return last_pause_; }
  bool any_frame() const { return newest_ns_.has_value(); }

 private:
  static constexpr std::size_t window = 32;  // intervals
  struct Message {
    std::string name;
    std::optional<std::int64_t> last_ns;
    std::array<std::int64_t, window> intervals_ns{};
    std::size_t count = 0;                  // of intervals so far
    std::optional<std::int64_t> period_ns;  // learned, of a message that comes regularly
    std::optional<double> learned_rpm;
    HeldCondition late;
    std::optional<Finding> told_late;
    std::optional<Finding> told_silent;
  };
  void learn(Message& message, std::optional<double> rpm) const;
  std::int64_t silence_ns(std::int64_t period_ns) const;  // from when on one is told
  void tick_late(Message& message, std::int64_t now_ns, std::optional<double> rpm, std::vector<Finding>& out);
  Finding finding(Circumstance circumstance, const Message* message, std::int64_t from_ns, std::int64_t now_ns);

  const Engine& engine_;
  std::uint64_t& next_id_;
  std::vector<Message> messages_;
  std::optional<std::int64_t> newest_ns_;  // of any
  std::optional<Pause> last_pause_;
  std::optional<Finding> told_silent_;
};

}  // namespace cw
