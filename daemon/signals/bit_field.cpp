#include "signals/bit_field.hpp"

#include <algorithm>
#include <bit>

namespace cw {

namespace {

constexpr std::uint32_t byte_bits = 8;

// The bit in the order in which a big-endian field runs: bit 7 of byte 0, bit 6, ... bit 0, then bit 7 of byte 1.
constexpr std::uint32_t high_first(std::uint32_t bit) {
  return bit ^ (byte_bits - 1);
}

std::uint64_t low_bits(std::uint32_t length) {
  return length >= 64 ? ~std::uint64_t{0} : (std::uint64_t{1} << length) - 1;
}

}  // namespace

std::string_view to_string(ByteOrder order) {
  return order == ByteOrder::little ? "little" : "big";
}

std::uint32_t bit_number(const BitField& field, std::uint32_t rank) {
  if (field.order == ByteOrder::little) {
    return field.start_bit + rank;
  }
  return high_first(high_first(field.start_bit) + field.length - 1 - rank);
}

std::size_t bytes_needed(const BitField& field) {
  const std::uint32_t last = field.order == ByteOrder::little ? field.length - 1 : 0;
  return bit_number(field, last) / byte_bits + 1;
}

std::optional<std::uint64_t> extract(const BitField& field, std::span<const std::byte> data) {
  if (field.length < 1 || field.length > field_bits_max || bytes_needed(field) > data.size()) {
    return std::nullopt;
  }
  std::uint64_t bits = 0;
  for (std::uint32_t rank = 0; rank < field.length; ++rank) {
    const std::uint32_t at = bit_number(field, rank);
    const auto byte = std::to_integer<std::uint64_t>(data[at / byte_bits]);
    bits |= (byte >> at % byte_bits & 1U) << rank;
  }
  return bits;
}

double raw_value(std::uint64_t bits, std::uint32_t length, RawForm form) {
  switch (form) {
    case RawForm::float32:
      return std::bit_cast<float>(static_cast<std::uint32_t>(bits));
    case RawForm::float64:
      return std::bit_cast<double>(bits);
    case RawForm::signed_whole:
      return static_cast<double>(whole_value(bits, length, form));
    default:
      return static_cast<double>(bits);
  }
}

std::int64_t whole_value(std::uint64_t bits, std::uint32_t length, RawForm form) {
  const bool negative = form == RawForm::signed_whole && (bits >> (length - 1) & 1U) != 0;
  return std::bit_cast<std::int64_t>(negative ? bits | ~low_bits(length) : bits);
}

std::optional<bool> holds(const MultiplexCondition& condition, std::span<const std::byte> data) {
  const std::optional<std::uint64_t> bits = extract(condition.field, data);
  if (!bits) {
    return std::nullopt;
  }
  return std::ranges::any_of(condition.values,
                             [&](const RawRange& range) { return *bits >= range.first && *bits <= range.last; });
}

std::optional<std::uint64_t> bits_of(const SignalCoding& coding, std::span<const std::byte> data) {
  for (const MultiplexCondition& condition : coding.when) {
    if (holds(condition, data) != true) {
      return std::nullopt;
    }
  }
  return extract(coding.field, data);
}

double physical_value(const SignalCoding& coding, std::uint64_t bits) {
  return raw_value(bits, coding.field.length, coding.form) * coding.scale + coding.offset;
}

}  // namespace cw
