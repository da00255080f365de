#include "drivers/driver.hpp"

#include <fcntl.h>
#include <unistd.h>

namespace cw {

int open_for_reading(const std::string& address) {
  if (address == "-") {
    return ::dup(STDIN_FILENO);
  }
  // Without O_NONBLOCK the open of a FIFO would wait for its writer, and nothing could stop it.
  return ::open(address.c_str(), O_RDONLY | O_NONBLOCK | O_CLOEXEC | O_NOCTTY);
}

}  // namespace cw
