#pragma once

#include <cstdio>
#include <string>

namespace cw::load {

// Prints what must hold and whether it does; returns that.
inline bool check(bool holds, const std::string& what) {
  std::printf("  %-8s %s\n", holds ? "yes" : "NO", what.c_str());
  return holds;
}

}  // namespace cw::load
