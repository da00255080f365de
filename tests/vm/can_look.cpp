// What the guest of tests/vm/can looks with:
//   can-look frames SESSION             the CAN frames of a session as candump -L would have logged them
//   can-look count SESSION              how many, how many were lost, and over how many microseconds
//   can-look listen IFACE S [ID:MASK..] what the driver gives out in S seconds through kernel filters, in hexadecimal (an ID
//                                       of 8 digits is one of 29 bits)
//   can-look slcan OUT                  a CAN adapter on a serial line (can0): what the kernel sends to it goes to OUT,
//                                       lines on standard input go to the kernel
#include <fcntl.h>
#include <poll.h>
#include <sys/ioctl.h>
#include <unistd.h>

#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <iostream>
#include <map>
#include <string>
#include <vector>

#include "drivers/socketcan.hpp"
#include "items/can_frame_text.hpp"
#include "record/session_reader.hpp"

namespace cw {
namespace {

struct Totals {
  std::uint64_t frames = 0;
  std::uint64_t lost = 0;
  std::int64_t first_ns = 0;
  std::int64_t last_ns = 0;
};

// Prints frames as they come, if wanted; counts.
class Printer {
 public:
  explicit Printer(bool prints) : prints_(prints) {}

  void take(const ItemBuffer& items) {
    for (const Item& item : items.items) {
      const auto bytes = payload_of(item, items.payload);
      if (item.kind == ItemKind::link_note && item.code == static_cast<std::uint8_t>(LinkNote::channel_named)) {
        names_[{item.source, item.channel}].assign(reinterpret_cast<const char*>(bytes.data()), bytes.size());
      } else if (item.kind == ItemKind::gap) {
        totals.lost += gap_count(bytes).value_or(0);
      } else if (const auto frame = can_frame_of(item, items.payload)) {
        take_frame(item, *frame);
      }
    }
  }

  Totals totals;

 private:
  void take_frame(const Item& item, const CanFrame& frame) {
    totals.first_ns = totals.frames++ == 0 ? item.source_ns : totals.first_ns;
    totals.last_ns = item.source_ns;
    if (prints_) {
      constexpr std::int64_t ns_per_us = 1000;
      constexpr std::int64_t us_per_s = 1'000'000;
      const std::int64_t us = item.source_ns / ns_per_us;
      std::printf("(%lld.%06lld) %s %s\n", static_cast<long long>(us / us_per_s), static_cast<long long>(us % us_per_s),
                  names_[{item.source, item.channel}].c_str(), can_frame_text(frame).c_str());
    }
  }

  bool prints_;
  std::map<std::pair<int, int>, std::string> names_;
};

int fail(const std::string& why) {
  std::fprintf(stderr, "can-look: %s\n", why.c_str());
  return 1;
}

int look_at_session(const std::string& path, bool prints) {
  auto session = SessionReader::open(path);
  if (const auto* error = std::get_if<std::string>(&session)) {
    return fail(*error);
  }
  Printer printer(prints);
  ItemBuffer items;
  while (std::get<SessionReader>(session).next(items)) {
    printer.take(items);
    items.clear();
  }
  if (!prints) {
    std::printf("%llu %llu %lld\n", static_cast<unsigned long long>(printer.totals.frames),
                static_cast<unsigned long long>(printer.totals.lost),
                static_cast<long long>((printer.totals.last_ns - printer.totals.first_ns) / 1000));
  }
  return 0;
}

int listen(const std::string& interface, double seconds, const std::vector<std::string>& wanted) {
  SourceAddress where{.address = interface};
  for (const std::string& one : wanted) {
    const std::size_t colon = one.find(':');
    where.can_filters.push_back({.id = static_cast<std::uint32_t>(std::stoul(one.substr(0, colon), nullptr, 16)),
                                 .mask = static_cast<std::uint32_t>(std::stoul(one.substr(colon + 1), nullptr, 16)),
                                 .extended = colon == 8});
  }
  const Opened opened = socketcan_entry.open(where);
  if (opened.descriptor < 0) {
    return fail(opened.problem);
  }
  const auto driver = make_socketcan({interface, true, {}});
  Printer printer(true);
  ItemBuffer items;
  driver->start(items);
  std::fputs("listening\n", stderr);
  std::vector<char> bytes(65536);
  const auto end = std::chrono::steady_clock::now() + std::chrono::duration<double>(seconds);
  while (std::chrono::steady_clock::now() < end) {
    pollfd waiting = {opened.descriptor, POLLIN, 0};
    constexpr int at_most_ms = 50;
    if (::poll(&waiting, 1, at_most_ms) > 0) {
      const ssize_t got = socketcan_entry.receive(opened.descriptor, bytes);
      driver->read(std::span(bytes).first(static_cast<std::size_t>(std::max<ssize_t>(got, 0))), items);
    }
    printer.take(items);
    items.clear();
  }
  return 0;
}

int adapter(const std::string& out) {
  const int line = ::posix_openpt(O_RDWR | O_NOCTTY);
  if (line < 0 || ::grantpt(line) != 0 || ::unlockpt(line) != 0) {
    return fail("no pseudo-terminal");
  }
  const int port = ::open(::ptsname(line), O_RDWR | O_NOCTTY);  // NOLINT(concurrency-mt-unsafe): one thread
  constexpr int slcan_discipline = 17;                          // N_SLCAN of linux/tty.h
  if (port < 0 || ::ioctl(port, TIOCSETD, &slcan_discipline) != 0) {
    return fail(std::string("no slcan line discipline: ") + std::strerror(errno));  // NOLINT(concurrency-mt-unsafe)
  }
  const int told = ::open(out.c_str(), O_WRONLY | O_CREAT | O_TRUNC, 0644);
  std::array<char, 4096> bytes{};
  std::array<pollfd, 2> waiting = {pollfd{STDIN_FILENO, POLLIN, 0}, pollfd{line, POLLIN, 0}};
  while (::poll(waiting.data(), waiting.size(), -1) > 0) {
    if (waiting[1].revents != 0) {
      const ssize_t got = ::read(line, bytes.data(), bytes.size());
      if (got <= 0 || ::write(told, bytes.data(), static_cast<std::size_t>(got)) != got) {
        return fail("the line ended");
      }
    }
    if (waiting[0].revents != 0) {
      const ssize_t got = ::read(STDIN_FILENO, bytes.data(), bytes.size());
      if (got <= 0) {
        return 0;
      }
      std::replace(bytes.begin(), bytes.begin() + got, '\n', '\r');  // which ends a line of that protocol
      if (::write(line, bytes.data(), static_cast<std::size_t>(got)) != got) {
        return fail("the line ended");
      }
    }
  }
  return 0;
}

}  // namespace
}  // namespace cw

int main(int argc, char** argv) {
  const std::vector<std::string> words(argv + 1, argv + argc);
  const std::string command = words.empty() ? "" : words[0];
  if (words.size() == 2 && (command == "frames" || command == "count")) {
    return cw::look_at_session(words[1], command == "frames");
  }
  if (words.size() >= 3 && command == "listen") {
    return cw::listen(words[1], std::stod(words[2]), {words.begin() + 3, words.end()});
  }
  if (words.size() == 2 && command == "slcan") {
    return cw::adapter(words[1]);
  }
  return cw::fail("expected frames SESSION, count SESSION, listen IFACE SECONDS [ID:MASK...] or slcan OUT");
}
