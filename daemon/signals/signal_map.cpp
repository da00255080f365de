#include "signals/signal_map.hpp"

#include <algorithm>
#include <cmath>

namespace cw {

namespace {

constexpr std::uint32_t pdu2_format_min = 240;  // SAE J1939-21: from here the PDU specific is part of the number

// SAE J1939-71: FE.. and FF.. (of 2 bits: 2 and 3; of 4 bits: 14 and 15) say error and not available; FB.. to FD.. are
// reserved. From memory; the range to FAFF of SPN 190 agrees.
Unknown j1939_unknown(std::uint64_t bits, std::uint32_t length) {
  if (length == 2 || length == 4) {
    const std::uint64_t all_ones = (1U << length) - 1;
    return bits == all_ones ? Unknown::not_available : (bits == all_ones - 1 ? Unknown::error : Unknown::none);
  }
  if (length < 8 || length % 8 != 0) {
    return Unknown::none;
  }
  const std::uint64_t top = bits >> (length - 8);
  if (top >= 0xfe) {
    return top == 0xff ? Unknown::not_available : Unknown::error;
  }
  return top > 0xfa ? Unknown::out_of_range : Unknown::none;
}

// By its meanings, when some are listed: the one of these bits. A sync state without one is not known.
void look_up_meaning(const SignalDefinition& signal, SignalReading& reading) {
  const SignalCoding& coding = signal.coding;
  const std::int64_t raw = whole_value(reading.bits, coding.field.length, coding.form);
  const auto found = std::ranges::find(signal.meanings, raw, &RawMeaning::raw);
  if (found == signal.meanings.end()) {
    reading.unknown = signal.name == SignalName::sync_state ? Unknown::out_of_range : reading.unknown;
    return;
  }
  reading.state = found->state;
  reading.unknown = found->unknown ? Unknown::not_available : reading.unknown;
}

bool believed(const SignalDefinition& signal, double value) {
  return std::isfinite(value) && (!signal.valid || (value >= signal.valid->min && value <= signal.valid->max));
}

SignalReading reading_of(const SignalDefinition& signal, std::uint64_t bits) {
  SignalReading reading;
  reading.signal = &signal;
  reading.bits = bits;
  const bool whole = signal.coding.form == RawForm::unsigned_whole || signal.coding.form == RawForm::signed_whole;
  if (signal.j1939 && whole) {
    reading.unknown = j1939_unknown(bits, signal.coding.field.length);
  }
  if (reading.unknown == Unknown::none && whole) {
    look_up_meaning(signal, reading);
  }
  if (reading.unknown != Unknown::none) {
    return reading;
  }
  const double value = physical_value(signal.coding, bits);
  if (believed(signal, value)) {
    reading.value = value;
  } else {
    reading.unknown = Unknown::out_of_range;
  }
  return reading;
}

}  // namespace

// Of whole numbers: the next one is none, is not believed, or begins at the other end.
bool is_greatest(const SignalReading& reading) {
  const SignalDefinition& signal = *reading.signal;
  if (signal.coding.form == RawForm::float32 || signal.coding.form == RawForm::float64) {
    return signal.valid && reading.value >= signal.valid->max;
  }
  const std::uint64_t mask = ~std::uint64_t{0} >> (field_bits_max - signal.coding.field.length);
  const std::uint64_t next_bits = (signal.coding.scale > 0 ? reading.bits + 1 : reading.bits - 1) & mask;
  const SignalReading next = reading_of(signal, next_bits);
  return next.unknown != Unknown::none || next.value <= reading.value;
}

std::string_view to_string(Unknown unknown) {
  constexpr std::array<std::string_view, 4> words = {"known", "out of range", "error", "not available"};
  return words[static_cast<std::size_t>(unknown)];
}

bool matches(const CanIdMatch& match, std::uint32_t id, bool extended) {
  return extended == match.extended && ((id ^ match.id) & match.mask) == 0;
}

CanIdMatch j1939_match(std::uint32_t pgn, std::optional<std::uint8_t> source_address) {
  const bool has_destination = (pgn >> 8 & 0xff) < pdu2_format_min;
  CanIdMatch match;
  match.extended = true;
  match.mask = has_destination ? 0x03ff0000 : 0x03ffff00;
  match.id = pgn << 8 & match.mask;
  if (source_address) {
    match.mask |= 0xff;
    match.id |= *source_address;
  }
  return match;
}

std::uint32_t j1939_pgn(std::uint32_t id) {
  const bool has_destination = (id >> 16 & 0xff) < pdu2_format_min;
  return id >> 8 & (has_destination ? 0x3ff00U : j1939_pgn_max);
}

std::span<const SignalReading> read_signals(const SignalMap& map, const CanFrame& frame, SignalReadings& out) {
  std::size_t count = 0;
  if (frame.remote || frame.error) {
    return {};
  }
  const auto data = std::span(frame.data).first(std::min<std::size_t>(frame.length, frame.data.size()));
  for (const MessageDefinition& message : map.messages) {
    if (!matches(message.ids, frame.id, frame.extended)) {
      continue;
    }
    for (const SignalDefinition& signal : message.signals) {
      const std::optional<std::uint64_t> bits = bits_of(signal.coding, data);
      if (bits && count < out.size()) {
        out[count++] = reading_of(signal, *bits);
      }
    }
  }
  return std::span(out).first(count);
}

std::vector<CanIdMatch> needed_ids(const SignalMap& map) {
  std::vector<CanIdMatch> out;
  for (const MessageDefinition& message : map.messages) {
    if (!message.signals.empty() && std::ranges::find(out, message.ids) == out.end()) {
      out.push_back(message.ids);
    }
  }
  return out;
}

}  // namespace cw
