#include "tests/unit/count_allocations.hpp"

#include <cstdlib>
#include <new>

namespace {
std::size_t count = 0;
}

// Not inlined: gcc 12 with sanitizers would see malloc of one against the other's free and warn falsely.
[[gnu::noinline]] void* operator new(std::size_t size) {
  ++count;
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

namespace cw::test {

std::size_t allocations() {
  return count;
}

}  // namespace cw::test
