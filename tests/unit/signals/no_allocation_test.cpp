// Reading a frame allocates nothing: operator new is counted.
#include <gtest/gtest.h>

#include "frames.hpp"
#include "tests/unit/count_allocations.hpp"

namespace cw {
namespace {

TEST(SignalMap, reading_frames_allocates_nothing) {
  const SignalMap map = test::ready_map("marl");
  CanFrame frame = test::frame_of("152#1F40F834C5708000");
  SignalReadings out;
  std::size_t read = 0;
  const std::size_t before = test::allocations();
  for (int run = 0; run < 1000; ++run) {
    frame.data[0] = static_cast<std::byte>(run);
    read += read_signals(map, frame, out).size();
  }
  EXPECT_EQ(test::allocations(), before);
  EXPECT_EQ(read, 6000U);
}

}  // namespace
}  // namespace cw
