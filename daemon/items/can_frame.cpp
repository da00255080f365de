#include "items/can_frame.hpp"

#include <algorithm>

namespace cw {

namespace {

constexpr unsigned extended_flag = 1;
constexpr unsigned remote_flag = 2;
constexpr unsigned error_flag = 4;
constexpr unsigned fd_flag = 8;
constexpr unsigned bit_rate_switch_flag = 16;
constexpr unsigned error_state_flag = 32;
constexpr unsigned all_frame_flags = 63;

constexpr unsigned kernel_is_source = 1;  // the kernel's stamp is the item's source time and is not written again
constexpr unsigned kernel_follows = 2;
constexpr unsigned hardware_follows = 4;
constexpr unsigned all_stamp_flags = 7;

constexpr std::size_t head_bytes = 7;
constexpr std::size_t stamp_bytes = 8;

struct PayloadBytes {
  std::array<std::byte, head_bytes + can_fd_length_max + 2 * stamp_bytes> bytes{};
  std::size_t size = 0;

  void put(std::uint64_t value, std::size_t count) {
    for (; count > 0; --count, value >>= 8U) {
      bytes.at(size++) = static_cast<std::byte>(value & 0xFFU);
    }
  }
};

std::uint64_t little_endian(std::span<const std::byte> bytes) {
  std::uint64_t value = 0;
  for (std::size_t i = 0; i < bytes.size(); ++i) {
    value |= std::to_integer<std::uint64_t>(bytes[i]) << (8 * i);
  }
  return value;
}

unsigned frame_flags(const CanFrame& frame) {
  return frame.extended * extended_flag | frame.remote * remote_flag | frame.error * error_flag | frame.fd * fd_flag |
         frame.bit_rate_switch * bit_rate_switch_flag | frame.error_state_indicator * error_state_flag;
}

CanFrame frame_with(std::uint8_t flags) {
  CanFrame frame;
  frame.extended = (flags & extended_flag) != 0;
  frame.remote = (flags & remote_flag) != 0;
  frame.error = (flags & error_flag) != 0;
  frame.fd = (flags & fd_flag) != 0;
  frame.bit_rate_switch = (flags & bit_rate_switch_flag) != 0;
  frame.error_state_indicator = (flags & error_state_flag) != 0;
  return frame;
}

std::size_t data_bytes(const CanFrame& frame) {
  return frame.remote ? 0 : frame.length;
}

}  // namespace

bool can_length_is_sound(std::size_t length, bool fd) {
  static constexpr std::array<std::size_t, 7> fd_lengths = {12, 16, 20, 24, 32, 48, can_fd_length_max};
  return length <= can_length_max ||
         (fd && std::find(fd_lengths.begin(), fd_lengths.end(), length) != fd_lengths.end());
}

bool is_sound(const CanFrame& frame) {
  const bool long_id = frame.extended || frame.error;
  return frame.id <= (long_id ? can_extended_id_max : can_id_max) && can_length_is_sound(frame.length, frame.fd) &&
         !(frame.error && (frame.extended || frame.remote)) && !(frame.fd && (frame.remote || frame.error)) &&
         (frame.fd || !(frame.bit_rate_switch || frame.error_state_indicator));
}

bool add_can_frame(ItemBuffer& out, std::uint8_t channel, std::int64_t source_ns, const CanFrame& frame) {
  if (!is_sound(frame)) {
    return false;
  }
  const bool same = frame.kernel_ns == source_ns;
  const bool kernel = frame.kernel_ns && !same;
  PayloadBytes payload;
  payload.put(frame.id, sizeof frame.id);
  payload.put(frame_flags(frame), 1);
  payload.put(same * kernel_is_source | kernel * kernel_follows | frame.hardware_ns.has_value() * hardware_follows, 1);
  payload.put(frame.length, 1);
  const auto data = std::span(frame.data).first(data_bytes(frame));
  std::copy(data.begin(), data.end(), payload.bytes.begin() + head_bytes);
  payload.size += data.size();
  if (kernel) {
    payload.put(static_cast<std::uint64_t>(*frame.kernel_ns), stamp_bytes);
  }
  if (frame.hardware_ns) {
    payload.put(static_cast<std::uint64_t>(*frame.hardware_ns), stamp_bytes);
  }
  Item item;
  item.kind = ItemKind::can_frame;
  item.channel = channel;
  item.source_ns = source_ns;
  out.add_with_payload(item, std::span(payload.bytes).first(payload.size));
  return true;
}

std::optional<CanFrame> can_frame_of(const Item& item, std::span<const std::byte> payload) {
  auto bytes = payload_of(item, payload);
  if (item.kind != ItemKind::can_frame || bytes.size() < head_bytes) {
    return std::nullopt;
  }
  const auto flags = std::to_integer<std::uint8_t>(bytes[4]);
  const auto stamps = std::to_integer<std::uint8_t>(bytes[5]);
  CanFrame frame = frame_with(flags);
  frame.id = static_cast<std::uint32_t>(little_endian(bytes.first(4)));
  frame.length = std::to_integer<std::uint8_t>(bytes[6]);
  const bool both = (stamps & kernel_is_source) != 0 && (stamps & kernel_follows) != 0;
  if (flags > all_frame_flags || stamps > all_stamp_flags || both || !is_sound(frame)) {
    return std::nullopt;
  }
  const bool kernel = (stamps & kernel_follows) != 0;
  const bool hardware = (stamps & hardware_follows) != 0;
  const std::size_t data = data_bytes(frame);
  if (bytes.size() != head_bytes + data + (kernel ? stamp_bytes : 0) + (hardware ? stamp_bytes : 0)) {
    return std::nullopt;
  }
  bytes = bytes.subspan(head_bytes);
  std::copy(bytes.begin(), bytes.begin() + static_cast<std::ptrdiff_t>(data), frame.data.begin());
  bytes = bytes.subspan(data);
  if ((stamps & kernel_is_source) != 0) {
    frame.kernel_ns = item.source_ns;
  } else if (kernel) {
    frame.kernel_ns = static_cast<std::int64_t>(little_endian(bytes.first(stamp_bytes)));
  }
  if (hardware) {
    frame.hardware_ns = static_cast<std::int64_t>(little_endian(bytes.last(stamp_bytes)));
  }
  return frame;
}

}  // namespace cw
