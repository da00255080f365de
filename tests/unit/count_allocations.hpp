// Counts the calls of operator new in a program that is linked with count_allocations.cpp.
#pragma once

#include <cstddef>

namespace cw::test {

std::size_t allocations();  // since the program began

}  // namespace cw::test
