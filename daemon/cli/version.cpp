#include "cli/version.hpp"

namespace cw {

std::string program_version() {
  return "crankwitness " CRANKWITNESS_VERSION;
}

}  // namespace cw
