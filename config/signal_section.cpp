// [[message.signal]] and [[signal]]: what both forms have in common.
#include <algorithm>
#include <array>
#include <charconv>

#include "config/nearest_word.hpp"
#include "config/signal_sections.hpp"
#include "signals/unit.hpp"

namespace cw {

namespace {

constexpr std::size_t values_max = 256;
constexpr double scale_max = 1e12;

constexpr std::array byte_orders = {Word<ByteOrder>{"little", ByteOrder::little},
                                    Word<ByteOrder>{"big", ByteOrder::big}};
constexpr std::array lock_states = {LockState::no_signal, LockState::searching, LockState::revolution_locked,
                                    LockState::cycle_locked, LockState::lost};
constexpr std::string_view unknown_word = "unknown";

std::string signal_names() {
  std::string out;
  for (const SignalKind& kind : signal_kinds()) {
    out += (out.empty() ? "" : ", ") + std::string(kind.text);
  }
  return out;
}

SignalName read_name(const TableReader& in) {
  const std::string text = in.text("name", signal_name_bytes_max).value_or("");
  const auto kinds = signal_kinds();
  const auto found = std::ranges::find(kinds, text, &SignalKind::text);
  if (found != kinds.end()) {
    return found->name;
  }
  in.complain("name", "one of " + signal_names());
  return SignalName::engine_speed;
}

std::string read_cam(const TableReader& in, const SignalKind& kind) {
  std::string cam = in.text("cam", signal_name_bytes_max).value_or("");
  if (kind.of_a_cam && cam.empty()) {
    in.complain("cam", "the cam that it is about, by its name in the engine file");
  }
  if (!kind.of_a_cam && !cam.empty()) {
    in.complain("cam", "no cam for " + std::string(kind.text));
  }
  return cam;
}

// From the unit that the section or the DBC gives to ours.
UnitConversion read_unit(const TableReader& in, const SignalKind& kind, const SignalBasis& basis,
                         SignalDefinition& signal) {
  const bool has_unit = !unit_of(kind.quantity).empty();
  if (!has_unit) {
    if (in.has("unit")) {
      in.complain("unit", "no unit for " + std::string(kind.text));
    }
    return {};
  }
  const bool is_flag = kind.quantity == Quantity::share && signal.coding.field.length == 1;
  const std::string given = in.text("unit", signal_name_bytes_max).value_or(basis.unit);
  const std::string unit = given.empty() && is_flag ? "flag" : given;
  const auto conversion = conversion_to_ours(unit, kind.quantity);
  if (conversion) {
    signal.source_unit = unit;
    return *conversion;
  }
  if (unit.empty() && !basis.from_dbc) {
    return {};
  }
  const std::string found = in.has("unit")
                                ? found_text(in.node("unit"))
                                : (unit.empty() ? "no unit in the DBC" : "\"" + printable(unit) + "\" in the DBC");
  in.complain("unit", units_expected(kind.quantity), found);
  return {};
}

ValueRange scaled(const ValueRange& range, double scale, double offset) {
  const double a = range.min * scale + offset;
  const double b = range.max * scale + offset;
  return {std::min(a, b), std::max(a, b)};
}

// Bounds in the unit that the section speaks of.
std::optional<ValueRange> read_valid(const TableReader& in) {
  const auto bounds = in.numbers("valid", 2, 2, {-scale_max, scale_max});
  if (!bounds) {
    return std::nullopt;
  }
  if (bounds->at(0) >= bounds->at(1)) {
    in.complain("valid", "[least, greatest], the first below the second",
                "[" + number_text(bounds->at(0)) + ", " + number_text(bounds->at(1)) + "]");
  }
  return ValueRange{bounds->at(0), bounds->at(1)};
}

// The raw value that a key of `values` stands for: a whole number, or what the DBC calls it.
std::optional<std::int64_t> raw_of(std::string_view key, const SignalBasis& basis) {
  std::int64_t raw = 0;
  const auto result = std::from_chars(key.data(), key.data() + key.size(), raw);
  if (result.ec == std::errc() && result.ptr == key.data() + key.size()) {
    return raw;
  }
  const auto named = std::ranges::find(basis.value_names, key, &std::pair<std::int64_t, std::string>::second);
  return named == basis.value_names.end() ? std::nullopt : std::optional(named->first);
}

std::string expected_key(const SignalBasis& basis) {
  if (basis.value_names.empty()) {
    return "a raw value, a whole number, as key";
  }
  std::string names;
  for (std::size_t i = 0; i < std::min<std::size_t>(basis.value_names.size(), 8); ++i) {
    names += ", \"" + printable(basis.value_names[i].second) + '"';
  }
  return "a raw value, or one of the DBC's names, as key (" + names.substr(2) + ")";
}

std::string expected_state() {
  std::string out;
  for (const LockState state : lock_states) {
    out += '"' + std::string(to_string(state)) + "\", ";
  }
  return out.substr(0, out.size() - 2) + " or \"unknown\"";
}

void read_meaning(const TableReader& in, std::string_view key, const toml::node& value, const SignalBasis& basis,
                  SignalDefinition& signal) {
  const std::string at = "values." + printable(key);
  const auto raw = raw_of(key, basis);
  const auto word = value.value_exact<std::string_view>();
  if (!raw) {
    return in.complain_at_line(line_of(value), at, expected_key(basis), "another");
  }
  if (!word || word->empty() || word->size() > signal_name_bytes_max) {
    return in.complain_at_line(line_of(value), at, "what it stands for, text of 1 to 100 bytes", found_text(&value));
  }
  RawMeaning meaning{*raw, std::string(*word), *word == unknown_word, std::nullopt};
  if (signal.name == SignalName::sync_state && !meaning.unknown) {
    const auto* state =
        std::ranges::find_if(lock_states, [&](LockState candidate) { return to_string(candidate) == *word; });
    if (state == lock_states.end()) {
      return in.complain_at_line(line_of(value), at, expected_state(), found_text(&value));
    }
    meaning.state = *state;
  }
  if (std::ranges::find(signal.meanings, *raw, &RawMeaning::raw) != signal.meanings.end()) {
    return in.complain_at_line(line_of(value), at, "each raw value once", std::to_string(*raw) + " a second time");
  }
  signal.meanings.push_back(std::move(meaning));
}

void read_values(const TableReader& in, const SignalBasis& basis, SignalDefinition& signal) {
  const toml::node* node = in.node("values");
  const toml::table* table = node == nullptr ? nullptr : node->as_table();
  if (node == nullptr && signal.name == SignalName::sync_state) {
    in.complain("values",
                "which raw value stands for which state, for example { 0 = \"searching\", 1 = \"cycle-locked\" }");
  }
  if (node != nullptr && (table == nullptr || table->empty() || table->size() > values_max)) {
    return in.complain("values", "a table { raw value = \"what it stands for\", ... } of 1 to 256 values");
  }
  if (table != nullptr) {
    for (const auto& [key, value] : *table) {
      read_meaning(in, key.str(), value, basis, signal);
    }
  }
  // Names that the DBC alone gives are for people.
  for (const auto& [raw, name] : basis.value_names) {
    const bool known = std::ranges::find(signal.meanings, raw, &RawMeaning::raw) != signal.meanings.end();
    if (!known && signal.name != SignalName::sync_state && signal.meanings.size() < values_max) {
      signal.meanings.push_back({raw, name, false, std::nullopt});
    }
  }
  std::ranges::sort(signal.meanings, {}, &RawMeaning::raw);
}

}  // namespace

std::vector<TableReader> tables_of(const TableReader& in, std::string_view key, std::size_t count_max,
                                   Complaints& complaints) {
  std::vector<TableReader> out;
  const toml::node* node = in.node(key);
  if (node == nullptr) {
    return out;
  }
  const std::string path = in.path().empty() ? std::string(key) : in.path() + "." + std::string(key);
  const std::string section = path.substr(0, path.find('[')) + (in.path().empty() ? "" : "." + std::string(key));
  const toml::array* tables = node->as_array();
  for (std::size_t i = 0; tables != nullptr && i < tables->size() && i <= count_max; ++i) {
    const toml::table* table = tables->get_as<toml::table>(i);
    if (table == nullptr) {
      tables = nullptr;
      break;
    }
    out.emplace_back(*table, path + "[" + std::to_string(i + 1) + "]", complaints);
  }
  if (tables == nullptr || tables->empty()) {
    in.complain(key, "one or more sections [[" + section + "]]");
  } else if (tables->size() > count_max) {
    in.complain(key, "at most " + std::to_string(count_max) + " sections [[" + section + "]]",
                std::to_string(tables->size()));
  }
  return out;
}

void check_known_keys(const TableReader& in, const toml::table& table, std::span<const std::string_view> known) {
  for (const auto& [key, value] : table) {
    if (std::ranges::find(known, key.str()) == known.end()) {
      const int line = std::max(static_cast<int>(key.source().begin.line), 1);
      return in.complain_at_line(line, printable(key.str()),
                                 "a known key (nearest: " + std::string(nearest_word(key.str(), known)) + ")",
                                 "an unknown one");
    }
  }
}

std::optional<ByteOrder> read_byte_order(const TableReader& in) {
  return in.word<ByteOrder>("byte_order", byte_orders);
}

SignalDefinition read_signal_section(const TableReader& in, const SignalBasis& basis) {
  SignalDefinition signal;
  signal.name = read_name(in);
  const SignalKind& kind = kind_of(signal.name);
  signal.cam = read_cam(in, kind);
  signal.coding = basis.coding;
  for (const char* key : {"scale", "offset", "valid"}) {
    if (kind.quantity == Quantity::state && in.has(key)) {
      in.complain(key, "no " + std::string(key) + " for " + std::string(kind.text) + ", which has values");
    }
  }
  const double scale = in.number("scale", {-scale_max, scale_max}).value_or(1);
  const double offset = in.number("offset", {-scale_max, scale_max}).value_or(0);
  if (scale == 0) {
    in.complain("scale", "a number other than 0");
  }
  const UnitConversion unit = read_unit(in, kind, basis, signal);
  const double total = scale * unit.factor;
  const double shift = offset * unit.factor + unit.add;
  signal.coding.scale = basis.coding.scale * total;
  signal.coding.offset = basis.coding.offset * total + shift;
  if (const auto valid = read_valid(in)) {
    signal.valid = scaled(*valid, unit.factor, unit.add);
  } else if (basis.valid && kind.quantity != Quantity::state) {
    signal.valid = scaled(*basis.valid, total, shift);
  }
  read_values(in, basis, signal);
  return signal;
}

void check_not_mapped_twice(const TableReader& in, const MessageDefinition& message, const SignalDefinition& signal) {
  const auto same_values = [](const MultiplexCondition& a, const MultiplexCondition& b) {
    return a.field == b.field && a.values == b.values;
  };
  for (const SignalDefinition& other : message.signals) {
    const bool same_frames = std::ranges::equal(other.coding.when, signal.coding.when, same_values);
    if (other.name == signal.name && other.cam == signal.cam && same_frames) {
      in.complain("name", "each signal once in a message", found_text(in.node("name")) + " a second time");
    }
  }
}

}  // namespace cw
