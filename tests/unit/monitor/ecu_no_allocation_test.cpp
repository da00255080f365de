// Frames of the ECU's broadcast are taken without allocating: operator new is counted.
#include <gtest/gtest.h>

#include "monitor/ecu_side.hpp"
#include "tests/unit/count_allocations.hpp"

namespace cw {
namespace {

TEST(EcuSide, takes_frames_without_allocating) {
  MessageDefinition message;
  message.ids = {0x100, can_extended_id_max, false};
  for (const SignalKind& kind : signal_kinds()) {
    SignalDefinition signal;
    signal.name = kind.name;
    signal.coding.field = {0, 16, ByteOrder::little};
    message.signals.push_back(signal);
  }
  const Engine engine;
  std::uint64_t next_id = 1;
  EcuSide ecu(engine, {{{"all signals", {message}}, ""}}, next_id);
  CanFrame frame;
  frame.id = 0x100;
  frame.length = 8;
  frame.data[0] = std::byte{1};
  std::vector<Finding> out;
  Item item;
  item.kind = ItemKind::can_frame;
  const std::size_t before = test::allocations();
  for (int i = 0; i < 2000; ++i) {
    item.host_ns += 10'000'000;
    ecu.take(item, frame, out);
  }
  EXPECT_EQ(test::allocations(), before);
  EXPECT_TRUE(out.empty());
}

}  // namespace
}  // namespace cw
