// [[signal]]: signals of a DBC by name.
#include <algorithm>
#include <array>

#include "config/dbc_cursor.hpp"
#include "config/nearest_word.hpp"
#include "config/signal_sections.hpp"

namespace cw {

namespace {

constexpr std::array<std::string_view, 9> binding_keys = {"name",   "cam",  "dbc_signal", "dbc_message", "scale",
                                                          "offset", "unit", "valid",      "values"};

struct Found {
  const DbcMessage* message = nullptr;
  const DbcSignal* signal = nullptr;
};

bool is_called(const auto& named, std::string_view name) {
  return named.name == name || named.long_name == name;
}

// "TSC1 (line 12), EEC1 (line 40)"
std::string places(const std::vector<Found>& found) {
  constexpr std::size_t places_max = 4;
  std::string out;
  for (std::size_t i = 0; i < std::min(found.size(), places_max); ++i) {
    out += ", " + printable(found[i].message->name) + " (line " + std::to_string(found[i].signal->line) + ")";
  }
  return out.substr(2) + (found.size() > places_max ? ", ..." : "");
}

std::string nearest_signal(const Dbc& dbc, std::string_view name) {
  std::string_view best;
  std::size_t best_distance = SIZE_MAX;
  for (const DbcMessage& message : dbc.messages) {
    for (const DbcSignal& signal : message.signals) {
      const std::size_t distance = edit_distance(name, signal.name);
      if (distance < best_distance) {
        best_distance = distance;
        best = signal.name;
      }
    }
  }
  return printable(best);
}

Found find_signal(const TableReader& in, const Dbc& dbc) {
  const std::string name = in.text("dbc_signal", dbc_name_bytes_max).value_or("");
  const std::string message_name = in.text("dbc_message", dbc_name_bytes_max).value_or("");
  std::vector<Found> found;
  bool message_known = message_name.empty();
  for (const DbcMessage& message : dbc.messages) {
    if (!message_name.empty() && !is_called(message, message_name)) {
      continue;
    }
    message_known = true;
    for (const DbcSignal& signal : message.signals) {
      if (is_called(signal, name)) {
        found.push_back({&message, &signal});
      }
    }
  }
  if (!message_known) {
    in.complain("dbc_message", "a message of the DBC");
  } else if (found.empty()) {
    in.complain("dbc_signal", "a signal of the DBC (nearest: " + nearest_signal(dbc, name) + ")");
  } else if (found.size() > 1) {
    in.complain("dbc_signal", "dbc_message beside it, since several messages have it", places(found));
  }
  return found.empty() ? Found{} : found.front();
}

// What a signal of the DBC must be so that it can be read out of frames.
void check_usable(const TableReader& in, const Found& found) {
  const BitField& field = found.signal->coding.field;
  const std::string at = printable(found.signal->name) + " (line " + std::to_string(found.signal->line) + ")";
  if (!found.signal->problem.empty()) {
    in.complain("dbc_signal", "a signal that can be read", at + ": " + found.signal->problem);
  } else if (field.length > field_bits_max) {
    in.complain("dbc_signal", "a signal of at most 64 bits", at + " of " + std::to_string(field.length));
  } else if (bytes_needed(field) > found.message->bytes || found.message->bytes > 64) {
    in.complain("dbc_signal", "a signal whose bits lie within its message, and that within 64 bytes",
                at + " reaching into byte " + std::to_string(bytes_needed(field)) + " of " +
                    std::to_string(found.message->bytes));
  } else if (found.signal->coding.scale == 0) {
    in.complain("dbc_signal", "a signal with a factor other than 0", at);
  }
}

MessageDefinition& message_of(SignalMap& map, const DbcMessage& message) {
  MessageDefinition definition;
  definition.name = message.long_name.empty() ? message.name : message.long_name;
  if (message.j1939) {
    definition.pgn = j1939_pgn(message.id);
    definition.ids = j1939_match(*definition.pgn, std::nullopt);
  } else {
    definition.ids = {message.id, message.extended ? can_extended_id_max : can_id_max, message.extended};
  }
  const auto known = std::ranges::find_if(map.messages, [&](const MessageDefinition& other) {
    return other.ids == definition.ids && other.name == definition.name;
  });
  if (known != map.messages.end()) {
    return *known;
  }
  map.messages.push_back(std::move(definition));
  return map.messages.back();
}

}  // namespace

void read_dbc_binding(const TableReader& in, const Dbc& dbc, SignalMap& map) {
  check_known_keys(in, in.table(), binding_keys);
  if (!in.has("dbc_signal")) {
    in.complain("dbc_signal", "the name of a signal of the DBC");
  }
  const Found found = find_signal(in, dbc);
  if (found.signal == nullptr) {
    return;
  }
  check_usable(in, found);
  SignalBasis basis;
  basis.coding = found.signal->coding;
  basis.unit = found.signal->unit;
  basis.value_names = found.signal->value_names;
  basis.from_dbc = true;
  if (found.signal->min < found.signal->max) {
    basis.valid = ValueRange{found.signal->min, found.signal->max};
  }
  SignalDefinition signal = read_signal_section(in, basis);
  signal.source_name = found.signal->long_name.empty() ? found.signal->name : found.signal->long_name;
  signal.j1939 = found.message->j1939;
  MessageDefinition& message = message_of(map, *found.message);
  check_not_mapped_twice(in, message, signal);
  message.signals.push_back(std::move(signal));
}

}  // namespace cw
