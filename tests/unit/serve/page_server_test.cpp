// The server against peers that do as they should not: too much, too slowly, for ever. The table of limits stands in
// DEVELOPERS.md.
#include "serve/page_server.hpp"

#include <arpa/inet.h>
#include <gtest/gtest.h>
#include <netinet/in.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <string>
#include <thread>
#include <vector>

namespace cw {
namespace {

using std::chrono::milliseconds;

class Peer {
 public:
  explicit Peer(std::uint16_t port, int receive_buffer = 0)
      : socket_(::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0)) {
    if (receive_buffer > 0) {
      ::setsockopt(socket_, SOL_SOCKET, SO_RCVBUF, &receive_buffer, sizeof receive_buffer);
    }
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_port = htons(port);
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    connected_ = ::connect(socket_, reinterpret_cast<sockaddr*>(&address), sizeof address) == 0;
  }
  Peer(const Peer&) = delete;
  Peer& operator=(const Peer&) = delete;
  ~Peer() { ::close(socket_); }

  bool send(const std::string& text) const {
    return ::send(socket_, text.data(), text.size(), MSG_NOSIGNAL) == static_cast<ssize_t>(text.size());
  }
  // What comes within the time, until `enough` is among it or the other side has closed.
  std::string receive(const std::string& enough = "", milliseconds within = milliseconds(3000)) {
    const auto until = std::chrono::steady_clock::now() + within;
    std::string text;
    while (std::chrono::steady_clock::now() < until && (enough.empty() || text.find(enough) == std::string::npos)) {
      pollfd wanted = {socket_, POLLIN, 0};
      std::array<char, 4096> bytes{};
      if (::poll(&wanted, 1, 20) <= 0) {
        continue;
      }
      const ssize_t got = ::recv(socket_, bytes.data(), bytes.size(), 0);
      if (got <= 0) {
        closed_ = true;
        break;
      }
      text.append(bytes.data(), static_cast<std::size_t>(got));
    }
    return text;
  }
  bool connected() const { return connected_; }
  bool closed() const { return closed_; }

 private:
  int socket_;
  bool connected_ = false;
  bool closed_ = false;
};

struct Serving {
  explicit Serving(ServeLimits limits = {}) {
    auto made = PageServer::create({"127.0.0.1", 0}, {}, state, limits);
    server = std::move(std::get<std::unique_ptr<PageServer>>(made));
  }
  std::uint16_t port() const { return server->address().port; }
  std::string ask(const std::string& request) const {
    Peer peer(port());
    peer.send(request);
    return peer.receive();
  }
  LiveState state{"crankwitness 0.0.0"};
  std::unique_ptr<PageServer> server;
};

std::string get(const std::string& target, const std::string& more = "Connection: close\r\n") {
  return "GET " + target + " HTTP/1.1\r\nHost: 127.0.0.1\r\n" + more + "\r\n";
}

TEST(PageServerLimits, answers_get_and_head_and_nothing_else) {
  const Serving serving;
  const std::string found = serving.ask(get("/"));
  EXPECT_TRUE(found.starts_with("HTTP/1.1 200 OK\r\n")) << found;
  EXPECT_NE(found.find("Content-Security-Policy: default-src 'none'"), std::string::npos);
  EXPECT_EQ(found.find("Access-Control"), std::string::npos);
  const std::string head = serving.ask("HEAD / HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n");
  EXPECT_TRUE(head.starts_with("HTTP/1.1 200 OK\r\n")) << head;
  EXPECT_TRUE(head.ends_with("\r\n\r\n")) << "no body";
  const std::string post = serving.ask("POST /status.json HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 3\r\n\r\nabc");
  EXPECT_TRUE(post.starts_with("HTTP/1.1 405 ")) << post;
  EXPECT_NE(post.find("Allow: GET, HEAD"), std::string::npos);
}

TEST(PageServerLimits, a_name_that_points_here_from_elsewhere_is_refused) {
  const Serving serving;
  const std::string found =
      serving.ask("GET /status.json HTTP/1.1\r\nHost: rebound.example\r\nConnection: close\r\n\r\n");
  EXPECT_TRUE(found.starts_with("HTTP/1.1 421 ")) << found;
}

TEST(PageServerLimits, garbage_and_headers_beyond_8_kib_or_64_lines_are_refused_and_the_connection_is_closed) {
  const Serving serving;
  EXPECT_TRUE(serving.ask("\x16\x03\x01 no HTTP\r\n\r\n").starts_with("HTTP/1.1 400 "));
  EXPECT_TRUE(serving.ask(get("/", "X: " + std::string(9000, 'x') + "\r\n")).starts_with("HTTP/1.1 431 "));
  std::string lines;
  for (int i = 0; i < 70; ++i) {
    lines += "X-" + std::to_string(i) + ": y\r\n";
  }
  EXPECT_TRUE(serving.ask(get("/", lines)).starts_with("HTTP/1.1 431 "));
  EXPECT_TRUE(serving.ask(get("/healthz")).starts_with("HTTP/1.1 200 ")) << "and it goes on";
}

TEST(PageServerLimits, a_request_that_comes_byte_by_byte_is_not_waited_for) {
  ServeLimits limits;
  limits.request_within = milliseconds(300);
  const Serving serving(limits);
  Peer peer(serving.port());
  const auto begin = std::chrono::steady_clock::now();
  for (const char byte : std::string("GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n")) {
    if (!peer.send({byte})) {
      break;
    }
    std::this_thread::sleep_for(milliseconds(30));
  }
  EXPECT_EQ(peer.receive(), "");
  EXPECT_TRUE(peer.closed());
  EXPECT_LT(std::chrono::steady_clock::now() - begin, std::chrono::seconds(3));
}

TEST(PageServerLimits, a_connection_that_stays_open_and_idle_is_closed) {
  ServeLimits limits;
  limits.request_within = milliseconds(300);
  const Serving serving(limits);
  Peer peer(serving.port());
  peer.send(get("/healthz", ""));
  EXPECT_NE(peer.receive("ok\n").find("ok\n"), std::string::npos);
  EXPECT_FALSE(peer.closed());
  peer.send(get("/healthz", ""));
  EXPECT_NE(peer.receive("ok\n").find("ok\n"), std::string::npos) << "used again";
  peer.receive();
  EXPECT_TRUE(peer.closed());
}

TEST(PageServerLimits, connections_beyond_the_most_are_closed_and_others_go_on) {
  ServeLimits limits;
  limits.connections_max = 5;
  const Serving serving(limits);
  std::vector<std::unique_ptr<Peer>> peers;
  for (int i = 0; i < 5; ++i) {
    peers.push_back(std::make_unique<Peer>(serving.port()));
    peers.back()->send(get("/healthz", ""));
    EXPECT_NE(peers.back()->receive("ok\n").find("200 OK"), std::string::npos);
  }
  EXPECT_EQ(serving.ask(get("/healthz")), "");
  peers.clear();
  std::this_thread::sleep_for(milliseconds(200));
  EXPECT_TRUE(serving.ask(get("/healthz")).starts_with("HTTP/1.1 200 "));
}

TEST(PageServerLimits, pages_beyond_the_most_are_refused_and_metrics_are_still_served) {
  ServeLimits limits;
  limits.pages_max = 2;
  const Serving serving(limits);
  Peer first(serving.port());
  Peer second(serving.port());
  for (Peer* page : {&first, &second}) {
    page->send(get("/events", ""));
    EXPECT_NE(page->receive("event: status").find("text/event-stream"), std::string::npos);
  }
  EXPECT_TRUE(serving.ask(get("/events")).starts_with("HTTP/1.1 503 "));
  EXPECT_NE(serving.ask(get("/metrics")).find("crankwitness_pages_open 2\n"), std::string::npos);
}

TEST(PageServerLimits, a_page_that_reads_nothing_is_dropped_and_no_one_waits_for_it) {
  ServeLimits limits;
  limits.event_within = milliseconds(500);
  limits.event_every = milliseconds(2);
  limits.send_buffer_bytes = 4096;
  Serving serving(limits);
  Peer slow(serving.port(), 2048);
  slow.send(get("/events", ""));
  Peer quick(serving.port());
  quick.send(get("/events", ""));
  const std::string seen = quick.receive("no such text", milliseconds(3000));
  EXPECT_GT(seen.size(), 100'000U) << "the other page had its events throughout";
  EXPECT_FALSE(quick.closed());
  EXPECT_NE(serving.ask(get("/metrics")).find("crankwitness_pages_dropped_total 1\n"), std::string::npos);
}

TEST(PageServerLimits, a_page_that_goes_away_is_forgotten) {
  const Serving serving;
  {
    Peer page(serving.port());
    page.send(get("/events", ""));
    page.receive("event: status");
  }
  std::this_thread::sleep_for(milliseconds(700));
  EXPECT_NE(serving.ask(get("/metrics")).find("crankwitness_pages_open 0\n"), std::string::npos);
}

TEST(PageServer, tells_a_page_of_a_change_within_half_a_second) {
  Serving serving;
  SessionFacts facts;
  facts.engine.name = "trial";
  const unsigned session = serving.state.begin_session(facts);
  Peer page(serving.port());
  page.send(get("/events", ""));
  page.receive("\"state\":\"no-signal\"");
  serving.state.take(session, StateChange{LockState::no_signal, LockState::cycle_locked, 0, 0});
  const auto begin = std::chrono::steady_clock::now();
  EXPECT_NE(page.receive("\"state\":\"cycle-locked\"").find("\"state\":\"cycle-locked\""), std::string::npos);
  EXPECT_LT(std::chrono::steady_clock::now() - begin, milliseconds(1500)) << "on a busy machine";
}

TEST(PageServer, says_why_an_address_cannot_be_had) {
  const Serving serving;
  LiveState other("crankwitness 0.0.0");
  const auto second = PageServer::create(serving.server->address(), {}, other);
  EXPECT_NE(std::get<std::string>(second).find("Address already in use"), std::string::npos);
}

}  // namespace
}  // namespace cw
