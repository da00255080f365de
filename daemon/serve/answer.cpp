#include "serve/answer.hpp"

#include <algorithm>

#include "serve/page_files.hpp"
#include "serve/serve_address.hpp"
#include "serve/status_json.hpp"

namespace cw {

namespace {

Answer refusal(unsigned status, const std::string& why) {
  Answer refused;
  refused.status = status;
  refused.body = why + "\n";
  return refused;
}

Answer page_file(const PageFile& file, const Asked& asked) {
  Answer found;
  found.content_type = file.content_type;
  found.headers = {{"ETag", std::string(file.etag)}};
  if (asked.if_none_match == file.etag) {
    found.status = 304;
    return found;
  }
  found.body = file.content;
  return found;
}

// Whether the program works, for whoever starts it anew when it does not; the engine's state is no part of it, nor is a
// full disk.
Answer health(const LiveStatus& status) {
  if (status.stopping) {
    return refusal(503, "stopping");
  }
  if (is_stale(status)) {
    return refusal(503, "the analysis has said nothing for 3 s");
  }
  Answer well;
  well.body = "ok\n";
  return well;
}

Answer text(std::string_view content_type, std::string body) {
  Answer found;
  found.content_type = content_type;
  found.body = std::move(body);
  return found;
}

}  // namespace

const std::vector<std::pair<std::string_view, std::string_view>>& common_headers() {
  static const std::vector<std::pair<std::string_view, std::string_view>> headers = {
      {"Content-Security-Policy",
       "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; base-uri 'none'; "
       "form-action 'none'; frame-ancestors 'none'"},
      {"X-Content-Type-Options", "nosniff"},
      {"Cross-Origin-Resource-Policy", "same-origin"},
      {"Referrer-Policy", "no-referrer"},
      {"Cache-Control", "no-cache"},
  };
  return headers;
}

Answer answer(const Asked& asked, const ServeSpec& serve, const LiveState& state, const ServeCounts& counts) {
  if (asked.header_lines > header_lines_max) {
    return refusal(431, "expected at most " + std::to_string(header_lines_max) + " header lines");
  }
  if (!is_our_host(asked.host, serve)) {
    return refusal(
        421, "expected a Host header with an address as numbers, localhost, or a name that hosts of [serve] lists");
  }
  if (asked.method != "GET" && asked.method != "HEAD") {
    Answer refused = refusal(405, "expected GET or HEAD: this server only shows");
    refused.headers = {{"Allow", "GET, HEAD"}};
    return refused;
  }
  if (asked.has_body) {
    return refusal(413, "expected a request without a body");
  }
  const std::string_view path = asked.target.substr(0, asked.target.find('?'));
  for (const PageFile& file : page_files()) {
    if (path == file.path || (path == "/" && file.path == "/index.html")) {
      return page_file(file, asked);
    }
  }
  if (path == "/events") {
    Answer events = text("text/event-stream", "");
    events.events = true;
    return events;
  }
  if (path == "/status.json") {
    return text("application/json", status_json(state.status()) + "\n");
  }
  if (path == "/metrics") {
    return text("text/plain; version=0.0.4; charset=utf-8", metrics_text(state.status(), counts));
  }
  if (path == "/healthz") {
    return health(state.status());
  }
  return refusal(404, "expected /, /status.json, /metrics, /healthz or /events");
}

}  // namespace cw
