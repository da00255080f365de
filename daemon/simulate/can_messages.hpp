// The messages that a modelled ECU broadcasts, packed from their description in config/can/slate.dbc, marl.dbc and
// SAE J1939-71 by code of the simulator's own: whoever reads them shares nothing with it.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "simulate/scenario.hpp"
#include "simulate/simulation.hpp"

namespace cw::sim {

// What an ECU says at a moment, in units of its user.
struct EcuValues {
  EcuState state = EcuState::no_signal;
  int losses = 0;  // 0 to 255
  double rpm = 0;
  double advance_deg = 0;  // before TDC
  bool spark_cut = false;
  double fuel_cut = 0;  // share, 0 to 1
  double trigger_offset_deg = 0;
  std::optional<double> cam_deg;  // crank degrees from park, positive = late
  double cam_target_deg = 0;
  double coolant_degc = 20;
  double oil_degc = 20;
  double battery_v = 12.5;
  double oil_kpa = 0;
};

// A message of a layout; `page` of one that is multiplexed.
struct CanMessage {
  CanLayout layout = CanLayout::slate;
  int number = 0;  // in its layout
  double period_ms = 10;
  int pages = 1;  // sent in turn
};
std::vector<CanMessage> messages_of(CanLayout layout);

struct PackedMessage {
  std::uint32_t id = 0;
  bool extended = false;
  std::array<std::uint8_t, 8> data = {};
};
// Values beyond what the bits hold are cut to the nearest that they do.
PackedMessage pack(const CanMessage& message, int page, const EcuValues& values);

// Bits of a frame with 8 bytes of data, the greatest number of stuff bits included: 135 and 160 with an 11 and a 29 bit
// identifier. Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007).
int frame_bits(bool extended);

// `raw` into `length` bits. Little-endian: `start` is the least significant bit, the field goes up from there. Big-endian:
// `start` is the most significant, the field goes down in the byte, then on with bit 7 of the next.
void put_little(std::array<std::uint8_t, 8>& data, int start, int length, std::uint64_t raw);
void put_big(std::array<std::uint8_t, 8>& data, int start, int length, std::uint64_t raw);

}  // namespace cw::sim
