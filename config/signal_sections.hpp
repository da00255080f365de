// The sections of a signal map, each read into its part of cw::SignalMap.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "config/dbc.hpp"
#include "config/table_reader.hpp"
#include "signals/signal_map.hpp"

namespace cw {

inline constexpr std::size_t signal_name_bytes_max = 100;

// The tables of [[key]] in `in`, at most `count_max`; a complaint when it is something else.
std::vector<TableReader> tables_of(const TableReader& in, std::string_view key, std::size_t count_max,
                                   Complaints& complaints);

// Files a complaint about the first key of the table that is none of `known`.
void check_known_keys(const TableReader& in, const toml::table& table, std::span<const std::string_view> known);

// "little" or "big"; nothing when absent.
std::optional<ByteOrder> read_byte_order(const TableReader& in);

// What a signal is about and how its values are to be taken, alike in both forms: name, cam, scale, offset, unit, valid,
// values. `coding` and `names` are those of the DBC's signal, or the plain ones of the map; scale and offset of the
// section come on top of the coding's. `unit` is what the DBC says; empty = nothing.
struct SignalBasis {
  SignalCoding coding;
  std::string unit;
  std::optional<ValueRange> valid;  // of the coding's values
  std::vector<std::pair<std::int64_t, std::string>> value_names;
  bool from_dbc = false;
};
SignalDefinition read_signal_section(const TableReader& in, const SignalBasis& basis);

// Reads one [[message]] with its signals. `order` is the map's byte order, if it gives one.
MessageDefinition read_message_section(const TableReader& in, std::optional<ByteOrder> order, Complaints& complaints);

// Reads one [[signal]] and adds it to the message of `map` that it belongs to, which is added when it is new.
void read_dbc_binding(const TableReader& in, const Dbc& dbc, SignalMap& map);

// Files a complaint when the message has a signal like `signal` (same name and cam) that may be in the same frame.
void check_not_mapped_twice(const TableReader& in, const MessageDefinition& message, const SignalDefinition& signal);

}  // namespace cw
