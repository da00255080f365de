// [[message]] and its [[message.signal]]: bits by hand.
#include <algorithm>
#include <array>

#include "config/signal_sections.hpp"

namespace cw {

namespace {

constexpr std::array<std::string_view, 9> message_keys = {
    "name", "id", "mask", "extended", "pgn", "source_address", "byte_order", "multiplexer", "signal"};
constexpr std::array<std::string_view, 12> signal_keys = {
    "name", "cam", "start_bit", "length", "byte_order", "type", "scale", "offset", "unit", "valid", "values", "when"};
constexpr std::array<std::string_view, 3> multiplexer_keys = {"start_bit", "length", "byte_order"};
constexpr std::array number_types = {Word<RawForm>{"unsigned", RawForm::unsigned_whole},
                                     Word<RawForm>{"signed", RawForm::signed_whole},
                                     Word<RawForm>{"float", RawForm::float32}};

constexpr int frame_bits = 512;           // 64 bytes of CAN FD
constexpr int multiplexer_bits_max = 31;  // its values are whole numbers of TOML, read as int
constexpr std::size_t when_max = 64;

CanIdMatch read_group(const TableReader& in, MessageDefinition& message) {
  const int pgn = in.whole("pgn", 0, static_cast<int>(j1939_pgn_max)).value_or(0);
  message.pgn = static_cast<std::uint32_t>(pgn);
  for (const char* key : {"id", "mask", "extended"}) {
    if (in.has(key)) {
      in.complain(key, "either pgn or " + std::string(key), "both");
    }
  }
  if (j1939_pgn(*message.pgn << 8) != *message.pgn) {
    in.complain("pgn",
                "a parameter group number that ends in 00 hex (its format is below 240: a destination stands there)");
  }
  std::optional<std::uint8_t> source;
  if (const auto address = in.whole("source_address", 0, 255)) {
    source = static_cast<std::uint8_t>(*address);
  }
  return j1939_match(*message.pgn, source);
}

CanIdMatch read_id(const TableReader& in) {
  CanIdMatch ids;
  if (!in.has("id")) {
    in.complain("id", "id, or pgn of SAE J1939");
  }
  if (in.has("source_address")) {
    in.complain("source_address", "a source address only beside pgn");
  }
  ids.id = static_cast<std::uint32_t>(in.whole("id", 0, static_cast<int>(can_extended_id_max)).value_or(0));
  ids.extended = in.flag("extended").value_or(ids.id > can_id_max);
  const std::uint32_t id_max = ids.extended ? can_extended_id_max : can_id_max;
  if (ids.id > id_max) {
    in.complain("id", "an 11-bit identifier, at most 0x7FF (extended = false)");
  }
  ids.mask =
      static_cast<std::uint32_t>(in.whole("mask", 0, static_cast<int>(id_max)).value_or(static_cast<int>(id_max)));
  if ((ids.id & ~ids.mask) != 0) {
    in.complain("mask", "a mask that holds all bits of the id");
  }
  return ids;
}

// start_bit, length and byte order of a field that lies within a frame.
BitField read_field(const TableReader& in, int length_max, std::optional<ByteOrder> order) {
  for (const char* key : {"start_bit", "length"}) {
    if (!in.has(key)) {
      in.complain(key, "the field's start_bit and length");
    }
  }
  BitField field;
  field.start_bit = static_cast<std::uint32_t>(in.whole("start_bit", 0, frame_bits - 1).value_or(0));
  field.length = static_cast<std::uint32_t>(in.whole("length", 1, length_max).value_or(1));
  const auto own = read_byte_order(in);
  if (!own && !order) {
    in.complain("byte_order", "\"little\" or \"big\", here, in the message or in the map");
  }
  field.order = own.value_or(order.value_or(ByteOrder::little));
  if (bytes_needed(field) > static_cast<std::size_t>(frame_bits) / 8) {
    in.complain("length", "bits that lie within 64 bytes");
  }
  return field;
}

std::optional<BitField> read_multiplexer(const TableReader& in, std::optional<ByteOrder> order,
                                         Complaints& complaints) {
  const toml::node* node = in.node("multiplexer");
  if (node == nullptr) {
    return std::nullopt;
  }
  if (!node->is_table()) {
    in.complain("multiplexer", "a table { start_bit = ..., length = ... }");
    return std::nullopt;
  }
  const TableReader own(*node->as_table(), in.path() + ".multiplexer", complaints);
  check_known_keys(own, *node->as_table(), multiplexer_keys);
  return read_field(own, multiplexer_bits_max, order);
}

// One value of the multiplexer, or several.
std::vector<RawRange> read_when(const TableReader& in, const BitField& multiplexer) {
  const int value_max = static_cast<int>((std::uint32_t{1} << multiplexer.length) - 1);
  std::vector<int> values;
  const toml::node* node = in.node("when");
  if (node != nullptr && node->is_array()) {
    values = in.wholes("when", 1, when_max, 0, value_max).value_or(std::vector<int>());
  } else if (const auto value = in.whole("when", 0, value_max)) {
    values.push_back(*value);
  }
  std::vector<RawRange> out;
  out.reserve(values.size());
  for (const int value : values) {
    out.push_back({static_cast<std::uint64_t>(value), static_cast<std::uint64_t>(value)});
  }
  return out;
}

RawForm read_type(const TableReader& in, const BitField& field) {
  const RawForm form = in.word<RawForm>("type", number_types).value_or(RawForm::unsigned_whole);
  if (form != RawForm::float32) {
    return form;
  }
  if (field.length != 32 && field.length != 64) {
    in.complain("length", "32 or 64 bits of a float");
  }
  return field.length == 64 ? RawForm::float64 : RawForm::float32;
}

SignalBasis read_basis(const TableReader& in, std::optional<ByteOrder> order,
                       const std::optional<BitField>& multiplexer) {
  SignalBasis basis;
  basis.coding.field = read_field(in, static_cast<int>(field_bits_max), order);
  basis.coding.form = read_type(in, basis.coding.field);
  if (in.has("when") && !multiplexer) {
    in.complain("when", "a multiplexer in the message before its values", "none");
  } else if (in.has("when")) {
    basis.coding.when.push_back({*multiplexer, read_when(in, *multiplexer)});
  }
  return basis;
}

}  // namespace

MessageDefinition read_message_section(const TableReader& in, std::optional<ByteOrder> order, Complaints& complaints) {
  MessageDefinition message;
  check_known_keys(in, in.table(), message_keys);
  message.name = in.text("name", signal_name_bytes_max).value_or("");
  message.ids = in.has("pgn") ? read_group(in, message) : read_id(in);
  const auto own = read_byte_order(in);
  if (own || message.pgn) {
    order = own.value_or(ByteOrder::little);  // of SAE J1939 low byte first
  }
  const std::optional<BitField> multiplexer = read_multiplexer(in, order, complaints);
  if (!in.has("signal")) {
    in.complain("signal", "one or more sections [[message.signal]]", "none");
  }
  for (const TableReader& own_signal : tables_of(in, "signal", map_signals_max, complaints)) {
    check_known_keys(own_signal, own_signal.table(), signal_keys);
    SignalDefinition signal = read_signal_section(own_signal, read_basis(own_signal, order, multiplexer));
    signal.j1939 = message.pgn.has_value();
    check_not_mapped_twice(own_signal, message, signal);
    message.signals.push_back(std::move(signal));
  }
  return message;
}

}  // namespace cw
