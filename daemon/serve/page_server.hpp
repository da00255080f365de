// Serves the live page, the status and the metrics (Boost.Beast on Asio), on a thread of its own. Read-only, and bounded
// in everything that a peer decides.
#pragma once

#include <chrono>
#include <cstddef>
#include <functional>
#include <memory>
#include <string>
#include <variant>

#include "geometry/engine.hpp"
#include "serve/live_state.hpp"
#include "serve/serve_address.hpp"

namespace cw {

struct ServeLimits {
  std::size_t connections_max = 64;
  std::size_t pages_max = 32;                        // of those, that may have the live events
  std::size_t header_bytes_max = 8192;               // request line and header lines
  std::chrono::milliseconds request_within{10'000};  // a request must be here whole, and its answer taken
  std::chrono::milliseconds event_within{10'000};    // a page must take a message, else it is dropped
  std::chrono::milliseconds event_every{250};
  int send_buffer_bytes = 64 * 1024;  // in the kernel, of each connection
};

class PageServer {
 public:
  // Listens at once; an error line when the address can't be had. `state` must outlive the server; `hosts` of `serve` as
  // is_our_host.
  static std::variant<std::unique_ptr<PageServer>, std::string> create(const ServeAddress& address,
                                                                       const ServeSpec& serve, const LiveState& state,
                                                                       const ServeLimits& limits = {});
  PageServer(const PageServer&) = delete;
  PageServer& operator=(const PageServer&) = delete;
  ~PageServer();  // closes all connections

  const ServeAddress& address() const;  // with the real port

 private:
  class Loop;
  explicit PageServer(std::unique_ptr<Loop> loop);
  std::unique_ptr<Loop> loop_;
};

}  // namespace cw
