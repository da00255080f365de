// A signal map: which frames of a bus carry which signals; and reading frames with it.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "items/can_frame.hpp"
#include "items/observation.hpp"
#include "signals/bit_field.hpp"
#include "signals/signal_name.hpp"

namespace cw {

inline constexpr std::size_t map_signals_max = 256;   // of one map
inline constexpr std::size_t map_messages_max = 128;  // of one map

bool matches(const CanIdMatch& match, std::uint32_t id, bool extended);

inline constexpr std::uint32_t j1939_pgn_max = 0x3ffff;

// All frames of a parameter group, whatever their priority, or destination where the group has one, and from
// `source_address` or from any. SAE J1939-21: of the 29 bits 28 to 26 are the priority, 25 and 24 the pages, 23 to 16 the
// PDU format, 15 to 8 the PDU specific (part of the number only when the format is 240 or more), 7 to 0 the source.
CanIdMatch j1939_match(std::uint32_t pgn, std::optional<std::uint8_t> source_address);

// The parameter group number of a 29-bit identifier.
std::uint32_t j1939_pgn(std::uint32_t id);

// Physical values that are believed, bounds included; what lies outside is "not known".
struct ValueRange {
  double min = 0;
  double max = 0;
};

// What a raw value stands for.
struct RawMeaning {
  std::int64_t raw = 0;
  std::string text;                // a lock state's name, "unknown", or any word
  bool unknown = false;            // the ECU does not know
  std::optional<LockState> state;  // of sync_state
};

struct SignalDefinition {
  SignalName name = SignalName::engine_speed;
  std::string cam;      // the cam that it is about, by its name in the engine file; empty = about none
  SignalCoding coding;  // scale and offset give our unit of the signal (unit_of)
  std::optional<ValueRange> valid;
  std::vector<RawMeaning> meanings;
  bool j1939 = false;       // upper raw values mean "error" and "not available"
  std::string source_name;  // what a DBC calls it; empty when it is from none
  std::string source_unit;  // the unit that scale and offset were given for, when it is not ours
};

// One message (frame with a meaning) and its mapped signals.
struct MessageDefinition {
  std::string name;
  CanIdMatch ids;
  std::optional<std::uint32_t> pgn;  // when it was given so
  std::vector<SignalDefinition> signals;
};

struct SignalMap {
  std::string name;
  std::vector<MessageDefinition> messages;
};

// Why a signal that is in a frame has no value.
enum class Unknown : std::uint8_t {
  none,           // it has one
  out_of_range,   // outside of the valid range, or a raw value without a meaning where meanings are listed
  error,          // the ECU says that it has an error
  not_available,  // the ECU says that it does not know
};
std::string_view to_string(Unknown unknown);  // "out of range", ...

// One signal of one frame. `signal` points into the map, which must outlive it.
struct SignalReading {
  const SignalDefinition* signal = nullptr;
  std::uint64_t bits = 0;          // raw
  double value = 0;                // in our unit of the signal; only when `unknown` is none
  std::optional<LockState> state;  // of sync_state
  Unknown unknown = Unknown::none;
};
// Whether a known value is the greatest that its signal can say, by its valid range or else by its bits: it may stand for
// a greater one.
bool is_greatest(const SignalReading& reading);
using SignalReadings = std::array<SignalReading, map_signals_max>;

// Reads the signals of a frame into `out` and returns those read, in the order of the map; none from remote and error
// frames. Signals that a short frame does not hold, or that another value of their multiplexer leaves out, are not
// there. Allocates nothing; a map holds at most map_signals_max signals.
std::span<const SignalReading> read_signals(const SignalMap& map, const CanFrame& frame, SignalReadings& out);

// The identifiers that the map needs, each once: what to let through a receive filter.
std::vector<CanIdMatch> needed_ids(const SignalMap& map);

}  // namespace cw
