// What is answered to a request: the rules, without a socket.
#pragma once

#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "geometry/engine.hpp"
#include "serve/live_state.hpp"
#include "serve/metrics.hpp"

namespace cw {

// What matters of a request. Views into the caller's.
struct Asked {
  std::string_view method;
  std::string_view target;
  std::string_view host;           // the Host header; empty: there is none
  std::string_view if_none_match;  // RFC 9110, 13.1.2
  bool has_body = false;
  std::size_t header_lines = 0;
};

struct Answer {
  unsigned status = 200;
  std::string_view content_type = "text/plain; charset=utf-8";
  std::string body;
  std::vector<std::pair<std::string_view, std::string>> headers;  // beside those that every answer has
  bool events = false;                                            // the body never ends: the live page's events
};

inline constexpr std::size_t header_lines_max = 64;

// The headers of every answer: nothing is taken from elsewhere, framed, guessed or kept.
const std::vector<std::pair<std::string_view, std::string_view>>& common_headers();

// GET and HEAD of /, the page's files, /events, /status.json, /metrics and /healthz; all else is refused in one line.
Answer answer(const Asked& asked, const ServeSpec& serve, const LiveState& state, const ServeCounts& counts);

}  // namespace cw
