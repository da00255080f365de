#include "drivers/driver.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <system_error>

namespace cw {

std::string_view our_name(const ChannelNames& names, std::string_view theirs) {
  const auto renamed =
      std::find_if(names.begin(), names.end(), [&](const auto& pair) { return pair.second == theirs; });
  return renamed == names.end() ? theirs : std::string_view(renamed->first);
}

std::string open_problem(const std::string& address, int error) {
  return address + ": cannot open: " + std::generic_category().message(error);
}

Opened open_for_reading(const SourceAddress& where) {
  // Without O_NONBLOCK the open of a FIFO would wait for its writer, and nothing could stop it.
  const int descriptor = where.address == "-"
                             ? ::dup(STDIN_FILENO)
                             : ::open(where.address.c_str(), O_RDONLY | O_NONBLOCK | O_CLOEXEC | O_NOCTTY);
  return descriptor >= 0 ? Opened{descriptor, {}} : Opened{-1, open_problem(where.address, errno)};
}

}  // namespace cw
