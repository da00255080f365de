// What the kernel hands over of a CAN interface: drivers/socketcan.hpp. The input is records as receiving makes them, each
// with its size and length bytes brought near to what they may be.
#include "drivers/socketcan.hpp"

#include <cstring>
#include <string>

#include "driver_rules.hpp"
#include "drivers/source_time.hpp"

namespace cw::fuzz {

namespace {

std::string bytes_of(const SocketCanRecord& record) {
  std::string bytes(sizeof record, '\0');
  std::memcpy(bytes.data(), &record, sizeof record);
  return bytes;
}

}  // namespace

void run(std::string_view input) {
  Choices choices(input);
  std::string bytes(choices.rest());
  const bool mend = choices.flag();
  for (std::size_t at = 0; mend && at + sizeof(SocketCanRecord) <= bytes.size(); at += sizeof(SocketCanRecord)) {
    SocketCanRecord record;
    std::memcpy(&record, bytes.data() + at, sizeof record);
    record.frame_size = record.frame_size % 3 == 0 ? CANFD_MTU : CAN_MTU;
    record.frame.len %= record.frame_size == CAN_MTU ? 9 : 65;
    std::memcpy(bytes.data() + at, &record, sizeof record);
  }
  try_driver({.driver = "socketcan",
              .silence_ns_max = static_cast<std::int64_t>(silence_max_ns),
              .back_ns_max = 1'000'000'000,
              .may_restart = true,
              .always_live = true},
             bytes, choices);
}

void seeds(const AddSeed& add) {
  std::string bytes;
  for (std::uint32_t i = 0; i < 6; ++i) {
    SocketCanRecord record;
    record.frame.can_id = i == 5 ? CAN_ERR_FLAG | 0x40U : i == 4 ? CAN_EFF_FLAG | 0x123U : i;
    record.frame.len = 8;
    record.frame_size = i == 3 ? CANFD_MTU : CAN_MTU;
    record.drops = i / 2;
    record.kernel_ns = 1'700'000'000'000'000'000 + i * 135'000;
    record.arrival_ns = record.kernel_ns + 1000;
    bytes += bytes_of(record);
  }
  add(bytes);
}

std::span<const std::string_view> words() {
  return {};
}

}  // namespace cw::fuzz
