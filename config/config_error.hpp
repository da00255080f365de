// What is wrong with a file that describes something.
#pragma once

#include <string>

namespace cw {

// One line for a person: "FILE:LINE: KEY: what was expected, what was found".
struct ConfigError {
  std::string message;
};

}  // namespace cw
