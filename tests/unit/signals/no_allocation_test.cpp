// Reading a frame allocates nothing: operator new is counted.
#include <gtest/gtest.h>

#include <cstdlib>
#include <new>

#include "frames.hpp"

namespace {
std::size_t allocations = 0;
}

// Not inlined: gcc 12 with sanitizers would see malloc of one against the other's free and warn falsely.
[[gnu::noinline]] void* operator new(std::size_t size) {
  ++allocations;
  void* memory = std::malloc(size == 0 ? 1 : size);
  if (memory == nullptr) {
    throw std::bad_alloc();
  }
  return memory;
}
[[gnu::noinline]] void operator delete(void* memory) noexcept {
  std::free(memory);
}
[[gnu::noinline]] void operator delete(void* memory, std::size_t) noexcept {
  std::free(memory);
}

namespace cw {
namespace {

TEST(SignalMap, reading_frames_allocates_nothing) {
  const SignalMap map = test::ready_map("marl");
  CanFrame frame = test::frame_of("152#1F40F834C5708000");
  SignalReadings out;
  std::size_t read = 0;
  const std::size_t before = allocations;
  for (int run = 0; run < 1000; ++run) {
    frame.data[0] = static_cast<std::byte>(run);
    read += read_signals(map, frame, out).size();
  }
  EXPECT_EQ(allocations, before);
  EXPECT_EQ(read, 6000U);
}

}  // namespace
}  // namespace cw
