#include "drivers/tcp.hpp"

#include <arpa/inet.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cerrno>
#include <charconv>
#include <chrono>
#include <cstring>

#include "drivers/edge_csv.hpp"
#include "drivers/edge_stream.hpp"

namespace cw {

namespace {

constexpr std::chrono::milliseconds connect_within{3000};

struct HostPort {
  std::string host;  // without brackets
  std::string port;
};

// Nothing when it is not HOST:PORT with a port from 1 to 65535.
std::optional<HostPort> split_address(const std::string& address) {
  const std::size_t colon = address.rfind(':');
  if (colon == std::string::npos || colon == 0) {
    return std::nullopt;
  }
  HostPort parts{address.substr(0, colon), address.substr(colon + 1)};
  if (parts.host.size() > 2 && parts.host.front() == '[' && parts.host.back() == ']') {
    parts.host = parts.host.substr(1, parts.host.size() - 2);
  } else if (parts.host.find_first_of(":[]") != std::string::npos) {
    return std::nullopt;
  }
  unsigned port = 0;
  constexpr unsigned port_max = 65535;
  const char* const end = parts.port.data() + parts.port.size();
  const auto read = std::from_chars(parts.port.data(), end, port);
  return read.ec == std::errc() && read.ptr == end && port > 0 && port <= port_max ? std::optional(parts)
                                                                                   : std::nullopt;
}

// 127.0.0.0/8 (RFC 1122, 3.2.1.3), ::1 (RFC 4291, 2.5.3), and the former within the latter's ::ffff:0:0/96.
bool is_loopback(const sockaddr& address) {
  constexpr unsigned char loopback_net = 127;
  if (address.sa_family == AF_INET) {
    sockaddr_in four{};
    std::memcpy(&four, &address, sizeof four);
    return (ntohl(four.sin_addr.s_addr) >> 24U) == loopback_net;
  }
  if (address.sa_family == AF_INET6) {
    sockaddr_in6 six{};
    std::memcpy(&six, &address, sizeof six);
    constexpr std::size_t mapped_at = 12;
    return IN6_IS_ADDR_LOOPBACK(&six.sin6_addr) ||
           (IN6_IS_ADDR_V4MAPPED(&six.sin6_addr) && six.sin6_addr.s6_addr[mapped_at] == loopback_net);
  }
  return false;
}

using Addresses = std::unique_ptr<addrinfo, void (*)(addrinfo*)>;

// The addresses of a host; `flags` as of getaddrinfo, whose result goes to `result`.
Addresses look_up(const HostPort& where, int flags, int& result) {
  addrinfo hints{};
  hints.ai_family = AF_UNSPEC;
  hints.ai_socktype = SOCK_STREAM;
  hints.ai_flags = flags;
  addrinfo* found = nullptr;
  result = ::getaddrinfo(where.host.c_str(), where.port.c_str(), &hints, &found);
  return {result == 0 ? found : nullptr, ::freeaddrinfo};
}

std::string remote_problem(const SourceAddress& where) {
  return where.address +
         ": expected a loopback address (127.0.0.1, [::1], localhost), or allow_remote = true in its [[source]], or "
         "--allow-remote";
}

std::string tcp_address_problem(const SourceAddress& where) {
  const auto parts = split_address(where.address);
  if (!parts) {
    return where.address + ": expected HOST:PORT, with a port from 1 to 65535 and an IPv6 address in brackets";
  }
  if (where.allow_remote || parts->host == "localhost") {
    return {};
  }
  // Without a look-up a name is no address; whatever it means today, it may mean another computer tomorrow.
  int result = 0;
  const Addresses found = look_up(*parts, AI_NUMERICHOST | AI_NUMERICSERV, result);
  return found && is_loopback(*found->ai_addr) ? std::string() : remote_problem(where);
}

// Asked after 5 s of silence, every 3 s, three times in vain: gone.
bool keep_alive(int descriptor) {
  const auto set = [&](int level, int option, int value) {
    return ::setsockopt(descriptor, level, option, &value, sizeof value) == 0;
  };
  return set(SOL_SOCKET, SO_KEEPALIVE, 1) && set(IPPROTO_TCP, TCP_KEEPIDLE, 5) && set(IPPROTO_TCP, TCP_KEEPINTVL, 3) &&
         set(IPPROTO_TCP, TCP_KEEPCNT, 3);
}

// Waits until a connection that has been begun stands; 0, or an errno value.
int wait_connected(int descriptor, std::chrono::steady_clock::time_point until) {
  for (;;) {
    const auto left =
        std::chrono::duration_cast<std::chrono::milliseconds>(until - std::chrono::steady_clock::now()).count();
    if (left <= 0) {
      return ETIMEDOUT;
    }
    pollfd wanted = {descriptor, POLLOUT, 0};
    const int ready = ::poll(&wanted, 1, static_cast<int>(left));
    if (ready < 0 && errno != EINTR) {
      return errno;
    }
    if (ready > 0) {
      int error = 0;
      socklen_t size = sizeof error;
      return ::getsockopt(descriptor, SOL_SOCKET, SO_ERROR, &error, &size) == 0 ? error : errno;
    }
  }
}

// A connected descriptor, or minus an errno value.
int connect_to(const addrinfo& address, std::chrono::steady_clock::time_point until) {
  const int descriptor =
      ::socket(address.ai_family, address.ai_socktype | SOCK_NONBLOCK | SOCK_CLOEXEC, address.ai_protocol);
  if (descriptor < 0) {
    return -errno;
  }
  int error = 0;
  if (!keep_alive(descriptor)) {
    error = errno;
  } else if (::connect(descriptor, address.ai_addr, address.ai_addrlen) != 0) {
    error = errno == EINPROGRESS ? wait_connected(descriptor, until) : errno;
  }
  if (error == 0) {
    return descriptor;
  }
  ::close(descriptor);
  return -error;
}

Opened open_tcp(const SourceAddress& where) {
  std::string problem = tcp_address_problem(where);
  if (!problem.empty()) {
    return {-1, std::move(problem)};
  }
  int result = 0;
  const Addresses found = look_up(*split_address(where.address), AI_NUMERICSERV, result);
  if (!found) {
    return {-1, where.address + ": cannot find the host: " + ::gai_strerror(result)};
  }
  const auto until = std::chrono::steady_clock::now() + connect_within;
  for (const addrinfo* address = found.get(); address != nullptr; address = address->ai_next) {
    if (!where.allow_remote && !is_loopback(*address->ai_addr)) {
      problem = remote_problem(where);
      continue;
    }
    const int descriptor = connect_to(*address, until);
    if (descriptor >= 0) {
      return {descriptor, {}};
    }
    problem = open_problem(where.address, -descriptor);
  }
  return {-1, std::move(problem)};
}

constexpr DriverEntry on_a_connection(std::string_view name, std::string_view title,
                                      std::unique_ptr<Driver> (*make)(const DriverSettings& settings)) {
  return {.name = name,
          .title = title,
          .make = make,
          .recognises = nullptr,
          .open = open_tcp,
          .reconnects = true,
          .address_problem = tcp_address_problem};
}

}  // namespace

constinit const DriverEntry tcp_entry =
    on_a_connection("tcp", "edge stream from a network serial server by HOST:PORT", make_edge_stream);
constinit const DriverEntry tcp_csv_entry =
    on_a_connection("tcp-csv", "edge CSV from a network serial server by HOST:PORT", make_edge_csv);

}  // namespace cw
