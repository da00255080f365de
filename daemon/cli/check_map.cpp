#include "cli/check_map.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <ostream>
#include <span>

#include "cli/check_page.hpp"
#include "cli/field_drawing.hpp"
#include "config/table_reader.hpp"
#include "signals/unit.hpp"

namespace cw {

namespace {

constexpr std::size_t drawing_indent = 12;
constexpr std::size_t drawings_max = 8;  // of one message
constexpr std::size_t listed_values_max = 8;
constexpr std::uint32_t byte_bits = 8;

std::string hex(std::uint64_t value, std::size_t digits_min) {
  std::array<char, 16> buffer{};
  const auto result = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value, 16);
  std::string out(buffer.data(), result.ptr);
  std::ranges::transform(out, out.begin(), [](char c) { return c >= 'a' ? static_cast<char>(c - 32) : c; });
  return std::string(digits_min - std::min(digits_min, out.size()), '0') + out;
}

// To seven significant digits, as short as that goes: what raw steps and unit conversions make.
std::string short_number(double value) {
  constexpr int digits = 7;
  std::array<char, 32> buffer{};
  const auto result = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value == 0 ? 0.0 : value,
                                    std::chars_format::general, digits);
  return std::string(buffer.data(), result.ptr);
}

std::string with_unit(double value, std::string_view unit) {
  return short_number(value) + (unit.empty() ? "" : " " + std::string(unit));
}

std::string shown(const std::string& name, const std::string& long_name) {
  return printable(long_name.empty() ? name : long_name);
}

std::string title(const SignalDefinition& signal) {
  return std::string(to_string(signal.name)) + (signal.cam.empty() ? "" : " of cam " + printable(signal.cam));
}

std::string formula(const SignalCoding& coding, std::string_view unit) {
  std::string out = "value = raw";
  if (coding.scale != 1) {
    out += " * " + short_number(coding.scale);
  }
  if (coding.offset != 0) {
    out += (coding.offset < 0 ? " - " : " + ") + short_number(std::fabs(coding.offset));
  }
  return out + (unit.empty() ? "" : " " + std::string(unit));
}

std::string range_words(const RawRange& range) {
  return range.first == range.last ? hex(range.first, 1) : hex(range.first, 1) + " to " + hex(range.last, 1);
}

// "4410C, 5410C or 6410C"
std::string either(std::vector<std::string> words) {
  if (words.size() > listed_values_max) {
    words.resize(listed_values_max);
    words.emplace_back("more");
  }
  std::string out = listed(words);
  if (const std::size_t last = out.rfind(" and "); last != std::string::npos) {
    out.replace(last, 5, " or ");
  }
  return out;
}

// "4 bits down from byte 0 bit 7"
std::string place_words(const BitField& field) {
  const std::string start =
      "byte " + std::to_string(field.start_bit / byte_bits) + " bit " + std::to_string(field.start_bit % byte_bits);
  const std::string bits = counted(static_cast<int>(field.length), "bit", "bits");
  if (field.length == 1) {
    return bits + ", " + start;
  }
  return bits + (field.order == ByteOrder::little ? " up from " : " down from ") + start;
}

// The multiplexers and their values; `named` when a drawing has shown where they lie.
std::string when_words(const SignalCoding& coding, bool named) {
  std::string out;
  for (const MultiplexCondition& condition : coding.when) {
    std::vector<std::string> values;
    for (const RawRange& range : condition.values) {
      values.push_back(range_words(range));
    }
    out += out.empty() ? "multiplexer " : ", and that above it ";
    out += (named ? "#" : "(" + place_words(condition.field) + ")") + " is " + either(values) + " hex";
  }
  return out;
}

std::string only_when_words(const SignalCoding& coding, bool named) {
  return coding.when.empty() ? "" : " Only in frames whose " + when_words(coding, named) + ".";
}

// "16 bits up from byte 0 bit 0, low byte first; unsigned"
std::string coding_words(const SignalCoding& coding) {
  const BitField& field = coding.field;
  constexpr std::array<std::string_view, 4> forms = {"unsigned", "signed", "float", "float"};
  const bool in_one_byte = bit_number(field, 0) / byte_bits == bit_number(field, field.length - 1) / byte_bits;
  const std::string_view order = field.order == ByteOrder::little ? ", low byte first" : ", high byte first";
  return place_words(field) + (in_one_byte ? "" : std::string(order)) + "; " +
         std::string(forms[static_cast<std::size_t>(coding.form)]);
}

std::string meaning_words(const SignalDefinition& signal) {
  std::string out;
  for (std::size_t i = 0; i < std::min(signal.meanings.size(), 2 * listed_values_max); ++i) {
    const RawMeaning& meaning = signal.meanings[i];
    out += (i == 0 ? " Raw " : ", ") + std::to_string(meaning.raw) + " is " + printable(meaning.text);
  }
  if (signal.meanings.empty()) {
    return "";
  }
  return out + (signal.meanings.size() > 2 * listed_values_max ? ", ..." : "") +
         (signal.name == SignalName::sync_state ? "; any other is not known." : ".");
}

std::string valid_words(const SignalDefinition& signal) {
  const std::string_view unit = unit_of(kind_of(signal.name).quantity);
  std::string out;
  if (signal.valid) {
    out = " Believed from " + short_number(signal.valid->min) + " to " + with_unit(signal.valid->max, unit) +
          ", else not known.";
  }
  if (signal.j1939) {
    out += " Raw values that SAE J1939 keeps for \"error\" and \"not available\" are not known.";
  }
  return out;
}

std::string signal_words(const SignalDefinition& signal) {
  const std::string_view unit = unit_of(kind_of(signal.name).quantity);
  std::string out = title(signal);
  if (!signal.source_name.empty()) {
    out += " (" + printable(signal.source_name) + " of the DBC)";
  }
  out += ": " + coding_words(signal.coding) + ".";
  if (signal.name != SignalName::sync_state) {
    out += ' ' + formula(signal.coding, unit);
    if (!signal.source_unit.empty() && signal.source_unit != unit && signal.source_unit != "flag") {
      out += " (given in " + printable(signal.source_unit) + ")";
    }
    out += ".";
  }
  return out + valid_words(signal) + meaning_words(signal) + only_when_words(signal.coding, true);
}

std::string id_words(const MessageDefinition& message) {
  const CanIdMatch& ids = message.ids;
  if (message.pgn) {
    const bool one_source = (ids.mask & 0xff) == 0xff;
    return "PGN " + std::to_string(*message.pgn) + " (" + hex(*message.pgn, 4) + " hex) of SAE J1939, " +
           (one_source ? "from source address " + std::to_string(ids.id & 0xff) : "from any source") +
           " and with any priority; 29-bit identifiers such as " + id_text(ids.id | 3U << 26, true);
  }
  const std::uint32_t full = ids.extended ? can_extended_id_max : can_id_max;
  const std::uint32_t open = full & ~ids.mask;
  const std::string bits = ids.extended ? " hex, 29-bit" : " hex, 11-bit";
  if (open == 0) {
    return id_text(ids.id, ids.extended) + bits;
  }
  if ((open & (open + 1)) == 0) {
    return id_text(ids.id, ids.extended) + " to " + id_text(ids.id | open, ids.extended) + bits;
  }
  return "those that agree with " + id_text(ids.id, ids.extended) + " in the bits of " +
         id_text(ids.mask, ids.extended) + bits;
}

bool same_condition(const SignalCoding& a, const SignalCoding& b) {
  return std::ranges::equal(a.when, b.when, [](const MultiplexCondition& x, const MultiplexCondition& y) {
    return x.field == y.field && x.values == y.values;
  });
}

// The signals that can be in a frame together with signal `at`: those of its multiplexer values, and those always there.
std::vector<DrawnField> fields_with(const MessageDefinition& message, std::size_t at) {
  std::vector<DrawnField> out;
  for (std::size_t i = 0; i < message.signals.size(); ++i) {
    const SignalCoding& coding = message.signals[i].coding;
    if (coding.when.empty() || same_condition(coding, message.signals[at].coding)) {
      out.push_back({field_letter(i), coding.field});
    }
  }
  for (const MultiplexCondition& condition : message.signals[at].coding.when) {
    out.push_back({"#", condition.field});
  }
  return out;
}

// One drawing for each value of the multiplexers that has signals of its own.
void draw_message(const MessageDefinition& message, const CheckLook& look, std::ostream& out) {
  Page page(look, out);
  std::vector<std::size_t> drawn;
  for (std::size_t i = 0; i < message.signals.size() && drawn.size() < drawings_max; ++i) {
    const SignalCoding& coding = message.signals[i].coding;
    const bool all_multiplexed =
        std::ranges::none_of(message.signals, [](const auto& signal) { return signal.coding.when.empty(); });
    const bool with_others = coding.when.empty() && !all_multiplexed &&
                             std::ranges::any_of(message.signals, [](const auto& s) { return !s.coding.when.empty(); });
    const bool again = std::ranges::any_of(
        drawn, [&](std::size_t other) { return same_condition(coding, message.signals[other].coding); });
    if (with_others || again) {
      continue;
    }
    drawn.push_back(i);
    page.blank();
    if (!coding.when.empty()) {
      page.entry("", "Frames whose " + when_words(coding, true) + ":");
    }
    out << draw_fields(fields_with(message, i), drawing_indent);
  }
  page.blank();
}

void explain_message(const MessageDefinition& message, const CheckLook& look, std::ostream& out) {
  Page page(look, out);
  page.blank();
  page.line("Message " + (message.name.empty() ? "" : printable(message.name) + ": ") + "identifier " +
            id_words(message));
  draw_message(message, look, out);
  for (std::size_t i = 0; i < message.signals.size(); ++i) {
    page.entry(std::string(drawing_indent - 4, ' ') + field_letter(i), signal_words(message.signals[i]));
  }
}

std::size_t signals_of(const SignalMap& map) {
  std::size_t count = 0;
  for (const MessageDefinition& message : map.messages) {
    count += message.signals.size();
  }
  return count;
}

// The signals that the map does not give, so that nobody expects them to be compared.
std::string absent_names(const SignalMap& map) {
  std::vector<std::string> names;
  for (const SignalKind& kind : signal_kinds()) {
    const bool given = std::ranges::any_of(map.messages, [&](const MessageDefinition& message) {
      return std::ranges::find(message.signals, kind.name, &SignalDefinition::name) != message.signals.end();
    });
    if (!given) {
      names.emplace_back(kind.text);
    }
  }
  return listed(names);
}

// The value of a reading in words: "3249 raw, 812.25 rpm".
std::string reading_words(const SignalReading& reading) {
  const SignalDefinition& signal = *reading.signal;
  const SignalCoding& coding = signal.coding;
  const bool is_float = coding.form == RawForm::float32 || coding.form == RawForm::float64;
  const std::int64_t raw = whole_value(reading.bits, coding.field.length, coding.form);
  const std::string raw_text = is_float || (coding.form == RawForm::unsigned_whole && raw < 0)
                                   ? hex(reading.bits, 1) + " hex"
                                   : std::to_string(raw);
  const auto meaning = std::ranges::find(signal.meanings, raw, &RawMeaning::raw);
  const bool named = !is_float && meaning != signal.meanings.end();
  const std::string_view unit = unit_of(kind_of(signal.name).quantity);
  if (reading.unknown != Unknown::none) {
    const double value = physical_value(coding, reading.bits);
    return "not known: " + std::string(to_string(reading.unknown)) + " (raw " + raw_text +
           (reading.unknown == Unknown::out_of_range && signal.name != SignalName::sync_state
                ? ", " + with_unit(value, unit)
                : "") +
           (named ? ", " + printable(meaning->text) : "") + ")";
  }
  const std::string value = reading.state ? std::string(to_string(*reading.state)) : with_unit(reading.value, unit);
  return value + " (raw " + raw_text + (named && !reading.state ? ", " + printable(meaning->text) : "") + ")";
}

std::string absent_words(const SignalCoding& coding, std::span<const std::byte> data) {
  const bool another_value = std::ranges::any_of(
      coding.when, [&](const MultiplexCondition& condition) { return holds(condition, data) == false; });
  return another_value ? "not in this frame: its multiplexer has another value" : "not in this frame: it is too short";
}

std::string frame_headline(const CanFrame& frame) {
  return "Frame " + id_text(frame.id, frame.extended) + ", " + counted(frame.length, "byte", "bytes") +
         (frame.fd ? " (CAN FD)" : "");
}

// What a frame can't be read for, whatever the map; empty when it can.
std::string unreadable(const CanFrame& frame) {
  if (frame.error) {
    return "Frame: an error frame of the controller; it carries no signals.";
  }
  if (frame.remote) {
    return "Frame " + id_text(frame.id, frame.extended) + ": a remote request; it carries no signals.";
  }
  return {};
}

std::span<const std::byte> data_of(const CanFrame& frame) {
  return std::span(frame.data).first(std::min<std::size_t>(frame.length, frame.data.size()));
}

std::string dbc_signal_words(const DbcSignal& signal) {
  std::string out = shown(signal.name, signal.long_name) + ": " + coding_words(signal.coding) + ". " +
                    formula(signal.coding, printable(signal.unit));
  out += signal.min < signal.max ? ", " + short_number(signal.min) + " to " + short_number(signal.max) + "." : ".";
  for (std::size_t i = 0; i < std::min(signal.value_names.size(), listed_values_max); ++i) {
    out += (i == 0 ? " " : ", ") + std::to_string(signal.value_names[i].first) + " is \"" +
           printable(signal.value_names[i].second) + '"';
  }
  out += signal.value_names.empty() ? "" : (signal.value_names.size() > listed_values_max ? ", ..." : ".");
  out += only_when_words(signal.coding, false);
  return out + (signal.problem.empty() ? "" : " Can't be used: " + signal.problem + ".");
}

}  // namespace

std::string id_text(std::uint32_t id, bool extended) {
  return hex(id, extended ? 8 : 3);
}

void explain_map(const SignalMap& map, std::string_view file_name, const CheckLook& look, std::ostream& out) {
  Page page(look, out);
  page.line(printable_name(file_name) + ": signal map" + (map.name.empty() ? "" : " of " + printable(map.name)) +
            ". No contradiction found; it means: " + counted(static_cast<int>(signals_of(map)), "signal", "signals") +
            " in " + counted(static_cast<int>(map.messages.size()), "message", "messages") + ".");
  page.line(
      "In the drawings [A] is the most significant bit of signal A; . is not mapped. Bytes and bits are counted "
      "from 0.");
  for (const MessageDefinition& message : map.messages) {
    explain_message(message, look, out);
  }
  if (const std::string names = absent_names(map); !names.empty()) {
    page.blank();
    page.line("Not in this map: " + names + ".");
  }
}

void explain_frame(const SignalMap& map, const CanFrame& frame, const CheckLook& look, std::ostream& out) {
  Page page(look, out);
  if (const std::string words = unreadable(frame); !words.empty()) {
    page.heading(words);
    return;
  }
  page.heading(frame_headline(frame));
  SignalReadings readings;
  const std::span<const SignalReading> read = read_signals(map, frame, readings);
  bool known = false;
  for (const MessageDefinition& message : map.messages) {
    if (!matches(message.ids, frame.id, frame.extended)) {
      continue;
    }
    known = true;
    page.line("Message " + printable(message.name));
    for (const SignalDefinition& signal : message.signals) {
      const auto found = std::ranges::find(read, &signal, &SignalReading::signal);
      page.item(title(signal) + ": " +
                (found == read.end() ? absent_words(signal.coding, data_of(frame)) : reading_words(*found)));
    }
  }
  if (!known) {
    page.line("No message of this map has this identifier.");
  }
}

void explain_dbc(const Dbc& dbc, std::string_view file_name, const CheckLook& look, std::ostream& out) {
  Page page(look, out);
  page.line(printable_name(file_name) + ": DBC file of " +
            counted(static_cast<int>(dbc.messages.size()), "message", "messages") +
            ". A signal map takes signals from it by name (dbc = \"...\", [[signal]] dbc_signal = \"...\").");
  for (const DbcMessage& message : dbc.messages) {
    page.heading("Message " + shown(message.name, message.long_name) + ": identifier " +
                 id_text(message.id, message.extended) + " hex, " +
                 counted(static_cast<int>(message.bytes), "byte", "bytes") +
                 (message.j1939 ? "; SAE J1939, PGN " + std::to_string(j1939_pgn(message.id)) : "") + " (line " +
                 std::to_string(message.line) + ")");
    for (const DbcSignal& signal : message.signals) {
      page.item(dbc_signal_words(signal));
    }
  }
}

void explain_frame(const Dbc& dbc, const CanFrame& frame, const CheckLook& look, std::ostream& out) {
  Page page(look, out);
  if (const std::string words = unreadable(frame); !words.empty()) {
    page.heading(words);
    return;
  }
  page.heading(frame_headline(frame));
  bool known = false;
  for (const DbcMessage& message : dbc.messages) {
    const CanIdMatch ids = message.j1939 ? j1939_match(j1939_pgn(message.id), std::nullopt)
                                         : CanIdMatch{message.id, can_extended_id_max, message.extended};
    if (!matches(ids, frame.id, frame.extended)) {
      continue;
    }
    known = true;
    page.line("Message " + shown(message.name, message.long_name));
    for (const DbcSignal& signal : message.signals) {
      const auto bits = signal.problem.empty() ? bits_of(signal.coding, data_of(frame)) : std::nullopt;
      const std::string value = bits ? with_unit(physical_value(signal.coding, *bits), printable(signal.unit)) +
                                           " (raw " + hex(*bits, 1) + " hex)"
                                     : (signal.problem.empty() ? absent_words(signal.coding, data_of(frame))
                                                               : "can't be read: " + signal.problem);
      page.item(shown(signal.name, signal.long_name) + ": " + value);
    }
  }
  if (!known) {
    page.line("No message of this file has this identifier.");
  }
}

}  // namespace cw
