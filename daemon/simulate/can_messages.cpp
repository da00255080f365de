#include "simulate/can_messages.hpp"

#include <algorithm>
#include <bit>
#include <cmath>

namespace cw::sim {

namespace {

using Data = std::array<std::uint8_t, 8>;

// The nearest whole number that `length` bits hold.
std::uint64_t unsigned_raw(double value, double scale, int length) {
  const double most = std::ldexp(1.0, length) - 1;
  return static_cast<std::uint64_t>(std::clamp(std::round(value / scale), 0.0, most));
}

std::uint64_t signed_raw(double value, double scale, int length) {
  const double most = std::ldexp(1.0, length - 1);
  const double raw = std::clamp(std::round(value / scale), -most, most - 1);
  return static_cast<std::uint64_t>(static_cast<std::int64_t>(raw));
}

constexpr double fahrenheit(double degc) {
  return degc * 1.8 + 32;
}

int slate_state(EcuState state) {
  switch (state) {
    case EcuState::off:
    case EcuState::no_signal:
      return 0;
    case EcuState::searching:
      return 1;
    case EcuState::revolution:
      return 2;
    case EcuState::cycle:
      return 3;
    case EcuState::lost:
      return 4;
  }
  return 7;
}

// marl has no word for a sync that was lost: it hunts.
int marl_state(EcuState state) {
  const int of_slate = slate_state(state);
  return of_slate > 3 ? 1 : of_slate;
}

constexpr std::uint64_t cam_not_known = 0x8000;  // beyond the range that both layouts state

PackedMessage slate(int number, const EcuValues& values) {
  constexpr std::uint32_t first_id = 0x2B0;
  PackedMessage frame{first_id + static_cast<std::uint32_t>(number), false, {}};
  Data& data = frame.data;
  if (number == 0) {
    put_little(data, 0, 16, unsigned_raw(values.rpm, 0.25, 16));
    put_little(data, 16, 12, signed_raw(values.advance_deg, 0.1, 12));
    put_little(data, 28, 3, static_cast<std::uint64_t>(slate_state(values.state)));
    put_little(data, 31, 1, values.spark_cut ? 1 : 0);
    put_little(data, 32, 8, unsigned_raw(100 * values.fuel_cut, 0.5, 8));
    put_little(data, 40, 8, static_cast<std::uint64_t>(values.losses));
    put_little(data, 48, 16, unsigned_raw(values.trigger_offset_deg, 0.05, 16));
  } else if (number == 1) {
    // Degrees of the camshaft, advance positive.
    put_little(data, 0, 16, values.cam_deg ? signed_raw(-*values.cam_deg / 2, 0.05, 16) : cam_not_known);
    put_little(data, 16, 16, signed_raw(-values.cam_target_deg / 2, 0.05, 16));
  } else {
    put_little(data, 0, 8, unsigned_raw(values.coolant_degc + 40, 1, 8));
    put_little(data, 8, 8, unsigned_raw(values.oil_degc + 40, 1, 8));
    put_little(data, 16, 16, unsigned_raw(values.battery_v, 0.001, 16));
    put_little(data, 32, 16, unsigned_raw(values.oil_kpa / 100, 0.01, 16));
  }
  return frame;
}

PackedMessage marl(int number, int page, const EcuValues& values) {
  constexpr std::uint32_t fast_id = 338;
  constexpr std::uint32_t slow_id = 2170193665U & 0x1fffffffU;  // a DBC sets bit 31 of extended identifiers
  PackedMessage frame{number == 0 ? fast_id : slow_id, number != 0, {}};
  Data& data = frame.data;
  if (number == 0) {
    constexpr unsigned losses_bits = 0x3f;
    put_big(data, 7, 16, unsigned_raw(values.rpm, 0.5, 16));
    put_big(data, 23, 12, signed_raw(-values.advance_deg, 0.1, 12));  // after TDC
    put_big(data, 27, 4, unsigned_raw(values.fuel_cut, 1.0 / 16, 4));
    put_big(data, 39, 2, static_cast<std::uint64_t>(marl_state(values.state)));
    put_big(data, 37, 6, static_cast<unsigned>(values.losses) & losses_bits);
    put_big(data, 47, 14, unsigned_raw(values.trigger_offset_deg, 0.05, 14));
    return frame;
  }
  put_big(data, 7, 4, static_cast<std::uint64_t>(page));
  if (page == 0) {
    put_big(data, 15, 16, signed_raw(values.coolant_degc, 0.1, 16));
    put_big(data, 31, 16, signed_raw(fahrenheit(values.oil_degc), 0.1, 16));
  } else if (page == 1) {
    put_big(data, 15, 16, unsigned_raw(values.battery_v, 0.001, 16));
    put_big(data, 31, 16, unsigned_raw(values.oil_kpa, 0.1, 16));
  } else {
    put_big(data, 15, 16, values.cam_deg ? signed_raw(*values.cam_deg, 0.01, 16) : cam_not_known);
    put_big(data, 31, 32, std::bit_cast<std::uint32_t>(static_cast<float>(values.cam_target_deg)));
  }
  return frame;
}

// SPN 190 in bytes 4 and 5, 0.125 rpm a bit; all else "not available". Priority 3, source address 0.
PackedMessage eec1(const EcuValues& values) {
  PackedMessage frame{0x0CF00400, true, {}};
  frame.data.fill(0xff);
  constexpr double valid_max_rpm = 8031.875;
  put_little(frame.data, 24, 16, unsigned_raw(std::min(values.rpm, valid_max_rpm), 0.125, 16));
  return frame;
}

void put_bit(Data& data, int bit, bool on) {
  const auto mask = static_cast<std::uint8_t>(1U << static_cast<unsigned>(bit % 8));
  std::uint8_t& byte = data[static_cast<std::size_t>(bit / 8)];
  byte = static_cast<std::uint8_t>(on ? byte | mask : byte & ~mask);
}

}  // namespace

void put_little(Data& data, int start, int length, std::uint64_t raw) {
  for (int i = 0; i < length; ++i) {
    put_bit(data, start + i, ((raw >> static_cast<unsigned>(i)) & 1U) != 0);
  }
}

void put_big(Data& data, int start, int length, std::uint64_t raw) {
  int bit = start;
  for (int i = length - 1; i >= 0; --i) {
    put_bit(data, bit, ((raw >> static_cast<unsigned>(i)) & 1U) != 0);
    bit = bit % 8 == 0 ? bit + 15 : bit - 1;
  }
}

std::vector<CanMessage> messages_of(CanLayout layout) {
  switch (layout) {
    case CanLayout::slate:
      return {{layout, 0, 10, 1}, {layout, 1, 20, 1}, {layout, 2, 100, 1}};
    case CanLayout::marl:
      return {{layout, 0, 10, 1}, {layout, 1, 50, 3}};
    case CanLayout::eec1:
      return {{layout, 0, 20, 1}};  // 20 ms: from memory
  }
  return {};
}

PackedMessage pack(const CanMessage& message, int page, const EcuValues& values) {
  switch (message.layout) {
    case CanLayout::slate:
      return slate(message.number, values);
    case CanLayout::marl:
      return marl(message.number, page, values);
    case CanLayout::eec1:
      return eec1(values);
  }
  return {};
}

int frame_bits(bool extended) {
  constexpr int data_bits = 64;
  const int head = extended ? 54 : 34;
  return head + data_bits + 13 + (head + data_bits - 1) / 4;
}

}  // namespace cw::sim
