#include "drivers/serial.hpp"

// For termios2, which takes any baud rate; <termios.h> declares the same names and can't stand beside it.
#include <asm/termbits.h>
#include <fcntl.h>
#include <linux/serial.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstdlib>

#include "drivers/edge_csv.hpp"
#include "drivers/edge_stream.hpp"

namespace cw {

namespace {

constexpr int baud_min = 50;
constexpr int baud_max = 12'000'000;

// 8N1 as bytes come: no echo, no line editing, no signals, no translation. VMIN 1, since with 0 a read without data
// would look like the end.
void set_raw(termios2& settings, int baud) {
  settings.c_iflag = IGNBRK;
  settings.c_oflag = 0;
  settings.c_lflag = 0;
  // CLOCAL: no carrier is waited for. Without HUPCL closing leaves DTR as it is.
  settings.c_cflag = CS8 | CREAD | CLOCAL | BOTHER | (BOTHER << IBSHIFT);
  settings.c_ispeed = static_cast<speed_t>(baud);
  settings.c_ospeed = static_cast<speed_t>(baud);
  settings.c_cc[VMIN] = 1;
  settings.c_cc[VTIME] = 0;
}

std::string cannot(const std::string& address, const char* what, int error) {
  std::string line = open_problem(address, error);
  return line.replace(line.find("cannot open"), 11, what);
}

// Empty when the port does as told. Frames of ten bits are read up to some 5 % off between both ends; half of that is
// left to the device.
std::string set_up(int descriptor, const SourceAddress& where) {
  termios2 settings{};
  if (::ioctl(descriptor, TCGETS2, &settings) != 0) {
    return errno == ENOTTY ? where.address + ": expected a serial port, found something else"
                           : cannot(where.address, "cannot read its settings", errno);
  }
  if (::ioctl(descriptor, TIOCEXCL) != 0) {
    return cannot(where.address, "cannot lock", errno);
  }
  set_raw(settings, where.baud);
  if (::ioctl(descriptor, TCSETS2, &settings) != 0 || ::ioctl(descriptor, TCGETS2, &settings) != 0) {
    return cannot(where.address, "cannot set up", errno);
  }
  constexpr int share = 40;  // 2.5 %
  const int off = std::abs(static_cast<int>(settings.c_ispeed) - where.baud);
  return off <= where.baud / share ? std::string()
                                   : where.address + ": expected a port that can do " + std::to_string(where.baud) +
                                         " baud, found one that does " + std::to_string(settings.c_ispeed);
}

Opened open_serial(const SourceAddress& where) {
  // O_NONBLOCK: without it the open would wait for a carrier.
  const int descriptor = ::open(where.address.c_str(), O_RDONLY | O_NONBLOCK | O_CLOEXEC | O_NOCTTY);
  if (descriptor < 0) {
    return {-1, open_problem(where.address, errno)};
  }
  std::string problem = set_up(descriptor, where);
  if (problem.empty()) {
    return {descriptor, {}};
  }
  ::close(descriptor);
  return {-1, std::move(problem)};
}

std::string serial_address_problem(const SourceAddress& where) {
  if (where.baud < baud_min || where.baud > baud_max) {
    return where.address + ": expected a baud rate from " + std::to_string(baud_min) + " to " +
           std::to_string(baud_max) + ", found " + std::to_string(where.baud);
  }
  struct stat status {};
  if (::stat(where.address.c_str(), &status) == 0 && !S_ISCHR(status.st_mode)) {
    return where.address + ": expected a serial port, found something else";
  }
  return {};
}

// Overruns of the port's own buffer and of the kernel's. Frame and parity errors show as input that can't be read.
std::optional<std::uint64_t> serial_lost_bytes(int descriptor) {
  serial_icounter_struct counters{};
  if (::ioctl(descriptor, TIOCGICOUNT, &counters) != 0) {
    return std::nullopt;  // a pseudo-terminal, and some adapters
  }
  return static_cast<std::uint64_t>(counters.overrun) + static_cast<std::uint64_t>(counters.buf_overrun);
}

constexpr DriverEntry on_a_port(std::string_view name, std::string_view title,
                                std::unique_ptr<Driver> (*make)(const DriverSettings& settings)) {
  return {.name = name,
          .title = title,
          .make = make,
          .recognises = nullptr,
          .open = open_serial,
          .reconnects = true,
          .address_problem = serial_address_problem,
          .lost_bytes = serial_lost_bytes};
}

}  // namespace

constinit const DriverEntry serial_entry =
    on_a_port("serial", "edge stream from a serial port by its path", make_edge_stream);
constinit const DriverEntry serial_csv_entry =
    on_a_port("serial-csv", "edge CSV from a serial port by its path", make_edge_csv);

}  // namespace cw
