// DBC files: the messages and signals of a CAN bus as many tools write them down.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <variant>
#include <vector>

#include "config/config_error.hpp"
#include "signals/bit_field.hpp"

namespace cw {

inline constexpr std::size_t dbc_bytes_max = std::size_t{16} << 20;
inline constexpr std::size_t dbc_messages_max = 20'000;
inline constexpr std::size_t dbc_signals_max = 2'000;         // of one message
inline constexpr std::uint32_t dbc_message_bytes_max = 1785;  // SAE J1939-21: the longest that its transport carries

struct DbcSignal {
  std::string name;
  std::string long_name;  // by the attribute SystemSignalLongSymbol, where `name` had to be cut; else empty
  SignalCoding coding;    // bits that lie beyond 64 bytes, or more than 64 of them, are never in a frame
  double min = 0;         // as the file says; min = max: it says nothing
  double max = 0;
  std::string unit;
  bool is_multiplexer = false;
  std::optional<std::uint64_t> multiplex_value;  // m7: in frames whose multiplexer is 7
  std::vector<std::pair<std::int64_t, std::string>> value_names;
  std::string problem;  // why it can't be known where or when the signal is in a frame; empty = it can
  int line = 0;
};

struct DbcMessage {
  std::string name;
  std::string long_name;  // by SystemMessageLongSymbol
  std::uint32_t id = 0;
  bool extended = false;
  bool j1939 = false;       // by the attribute VFrameFormat (J1939PG): the id stands for a parameter group
  std::uint32_t bytes = 0;  // of its data
  std::vector<DbcSignal> signals;
  int line = 0;
};

struct Dbc {
  std::vector<DbcMessage> messages;  // without VECTOR__INDEPENDENT_SIG_MSG, which holds signals of no message
};

// Reads a DBC file; `file_name` only names it in errors. Bytes are UTF-8, or ISO 8859-1 when they are not valid UTF-8.
// Read are messages, signals (both byte orders, multiplexed in several levels too, floats), value tables, and the
// attributes named above; the other statements of the format, and unknown ones, are passed over when they are made of
// words, numbers and texts up to a semicolon. What is about a message or signal that the file does not have is passed
// over too, unless it would change how bits are read. Messages that the file gives twice, texts without an end, numbers
// where none can be and the like are errors with file, line, statement and what was expected.
std::variant<Dbc, ConfigError> parse_dbc(std::string_view file, std::string_view file_name);

}  // namespace cw
