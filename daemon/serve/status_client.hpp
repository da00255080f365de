// Asks a running crankwitness for its status.
#pragma once

#include <chrono>
#include <string>
#include <variant>

#include "serve/serve_address.hpp"

namespace cw {

struct StatusText {
  std::string json;  // as /status.json gave it
};

// An error line when nothing answers within `within`, or something else than a crankwitness does.
std::variant<StatusText, std::string> fetch_status(const ServeAddress& address, std::chrono::milliseconds within);

}  // namespace cw
