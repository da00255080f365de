// The other ends of links: a pseudo-terminal behind a stable name and a small TCP server. And what a session has
// recorded so far.
#pragma once

#include <arpa/inet.h>
#include <fcntl.h>
#include <gtest/gtest.h>
#include <netinet/in.h>
#include <poll.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <termios.h>
#include <unistd.h>

#include <chrono>
#include <filesystem>
#include <string>
#include <string_view>
#include <thread>

#include "record/session_reader.hpp"
#include "tests/unit/record/scratch_folder.hpp"

namespace cw::test {

inline bool write_all(int descriptor, std::string_view text) {
  while (!text.empty()) {
    const ssize_t put = ::write(descriptor, text.data(), text.size());
    if (put <= 0) {
      return false;
    }
    text.remove_prefix(static_cast<std::size_t>(put));
  }
  return true;
}

// Whether the other side has sent anything: it never may.
inline bool has_received(int descriptor) {
  pollfd wanted = {descriptor, POLLIN, 0};
  char byte = 0;
  return ::poll(&wanted, 1, 0) > 0 && (wanted.revents & POLLIN) != 0 && ::read(descriptor, &byte, 1) > 0;
}

// A capture device on a serial port, plugged in while it lives. `link` leads to it, as the names that udev gives do.
class PseudoTerminal {
 public:
  explicit PseudoTerminal(const std::string& link) : master_(::posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC)) {
    ::grantpt(master_);
    ::unlockpt(master_);
    path_ = ::ptsname(master_);
    termios settings{};
    ::tcgetattr(master_, &settings);
    ::cfmakeraw(&settings);
    ::tcsetattr(master_, TCSANOW, &settings);
    const std::string fresh = link + ".new";
    std::filesystem::create_symlink(path_, fresh);
    std::filesystem::rename(fresh, link);
  }
  PseudoTerminal(const PseudoTerminal&) = delete;
  PseudoTerminal& operator=(const PseudoTerminal&) = delete;
  ~PseudoTerminal() { ::close(master_); }

  int descriptor() const { return master_; }
  const std::string& path() const { return path_; }

 private:
  int master_;
  std::string path_;
};

// A network serial server on the loopback address. Refuses until listen() is called.
class Server {
 public:
  Server() : socket_(::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0)) {
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    EXPECT_EQ(::bind(socket_, reinterpret_cast<sockaddr*>(&address), sizeof address), 0);
    socklen_t size = sizeof address;
    ::getsockname(socket_, reinterpret_cast<sockaddr*>(&address), &size);
    port_ = ntohs(address.sin_port);
  }
  Server(const Server&) = delete;
  Server& operator=(const Server&) = delete;
  ~Server() { ::close(socket_); }

  void listen() const { ::listen(socket_, 4); }
  int accept() const { return ::accept4(socket_, nullptr, nullptr, SOCK_CLOEXEC); }
  std::string address() const { return "127.0.0.1:" + std::to_string(port_); }

 private:
  int socket_;
  int port_ = 0;
};

template <typename Condition>
bool wait_until(Condition condition, std::chrono::seconds at_most = std::chrono::seconds(60)) {
  const auto end = std::chrono::steady_clock::now() + at_most;
  while (!condition()) {
    if (std::chrono::steady_clock::now() > end) {
      return false;
    }
    std::this_thread::sleep_for(std::chrono::milliseconds(20));
  }
  return true;
}

inline int count_in(const std::string& text, const std::string& word) {
  int count = 0;
  for (std::size_t at = text.find(word); at != std::string::npos; at = text.find(word, at + 1)) {
    ++count;
  }
  return count;
}

// How often `event` stands in the session's service.jsonl by now.
inline int events_of_service(const std::string& session, const std::string& event) {
  return count_in(file_text(session + "/service.jsonl"), "\"event\":\"" + event + "\"");
}
inline bool wait_for_event(const std::string& session, const std::string& event, int times = 1) {
  return wait_until([&] { return events_of_service(session, event) >= times; });
}

// Edges in the capture by now.
inline std::size_t edges_recorded(const std::string& session) {
  auto reader = SessionReader::open(session);
  if (!std::holds_alternative<SessionReader>(reader)) {
    return 0;
  }
  std::size_t edges = 0;
  for (ItemBuffer some; std::get<SessionReader>(reader).next(some);) {
    for (const Item& item : some.items) {
      edges += item.kind == ItemKind::edge ? 1 : 0;
    }
  }
  return edges;
}
inline bool wait_for_edges(const std::string& session, std::size_t edges) {
  return wait_until([&] { return edges_recorded(session) >= edges; });
}

}  // namespace cw::test
