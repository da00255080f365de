// Name and version of this program.
#pragma once

#include <string>

namespace cw {

// "crankwitness 0.1.0"
std::string program_version();

}  // namespace cw
