// Where the bits of a signal lie in the data of a CAN frame, and taking them out.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string_view>
#include <vector>

namespace cw {

enum class ByteOrder : std::uint8_t {
  little,  // low byte first ("Intel", @1 in a DBC)
  big,     // high byte first ("Motorola", @0 in a DBC)
};
std::string_view to_string(ByteOrder order);  // "little" | "big", as in a map

// Bit n of the data is bit n % 8 (0 = least significant) of byte n / 8 (0 = first). `start_bit` is the least significant
// bit of a little-endian field and the most significant of a big-endian one, as in a DBC; from there a little-endian
// field goes up through its byte and on with bit 0 of the next, a big-endian one down and on with bit 7 of the next.
struct BitField {
  std::uint32_t start_bit = 0;
  std::uint32_t length = 1;  // bits, 1 to 64
  ByteOrder order = ByteOrder::little;

  friend bool operator==(const BitField&, const BitField&) = default;
};

inline constexpr std::uint32_t field_bits_max = 64;

// The number (as above) of the field's bit of significance `rank`: 0 = least, length - 1 = most.
std::uint32_t bit_number(const BitField& field, std::uint32_t rank);

// Bytes that a frame must have so that the whole field is in it.
std::size_t bytes_needed(const BitField& field);

// The bits as an unsigned number; nothing when the data is too short to hold the field.
std::optional<std::uint64_t> extract(const BitField& field, std::span<const std::byte> data);

// How the bits are to be read.
enum class RawForm : std::uint8_t {
  unsigned_whole,
  signed_whole,  // two's complement
  float32,       // IEEE 754; the field has 32 bits
  float64,       // the field has 64 bits
};

// The bits as a number of that form. Whole numbers beyond 2^53 are rounded.
double raw_value(std::uint64_t bits, std::uint32_t length, RawForm form);

// The bits of a whole number as a signed 64-bit one, sign extended where `form` is signed; from 2^63 up an unsigned one
// wraps. For looking up in tables.
std::int64_t whole_value(std::uint64_t bits, std::uint32_t length, RawForm form);

// Values of a multiplexer, both bounds inclusive.
struct RawRange {
  std::uint64_t first = 0;
  std::uint64_t last = 0;

  friend bool operator==(const RawRange&, const RawRange&) = default;
};

// A signal is in a frame only when `field` holds one of `values`.
struct MultiplexCondition {
  BitField field;
  std::vector<RawRange> values;
};

// Whether it holds; nothing when the data is too short to tell.
std::optional<bool> holds(const MultiplexCondition& condition, std::span<const std::byte> data);

// How a number lies in a frame: physical value = raw value * scale + offset.
struct SignalCoding {
  BitField field;
  RawForm form = RawForm::unsigned_whole;
  double scale = 1;
  double offset = 0;
  std::vector<MultiplexCondition> when;  // all must hold; empty = always there
};

// The signal's bits, unless the data is too short for them or its multiplexers say that something else is there.
std::optional<std::uint64_t> bits_of(const SignalCoding& coding, std::span<const std::byte> data);

// Bits of a signal as its physical value; not finite when a float says so.
double physical_value(const SignalCoding& coding, std::uint64_t bits);

}  // namespace cw
