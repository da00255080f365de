// The live page's server and its client: serve/answer.hpp, serve/serve_address.hpp, cli/status.hpp. Lines of an input are
// method, target, Host and If-None-Match of a request; all of it is also taken for an address and for somebody's status.
// (The bytes of HTTP itself are Boost.Beast's to read.)
#include <array>
#include <cctype>

#include "cli/status.hpp"
#include "serve/answer.hpp"
#include "serve/serve_address.hpp"
#include "serve/status_json.hpp"
#include "target.hpp"

namespace cw::fuzz {

namespace {

void try_request(std::string_view text, Choices& choices) {
  std::array<std::string_view, 4> lines;
  for (std::string_view& line : lines) {
    line = text.substr(0, text.find('\n'));
    text.remove_prefix(std::min(text.size(), line.size() + 1));
  }
  static const LiveState state("crankwitness 0.0.0");
  ServeSpec serve;
  if (choices.flag()) {
    serve.hosts = {"cell-2.example"};
  }
  const bool body = choices.flag();
  const Answer found = answer({lines[0], lines[1], lines[2], lines[3], body, choices.take(7)}, serve, state, {});
  const bool given = found.status == 200 || found.status == 304;
  expect(given || found.status == 404 || (found.status >= 405 && found.status <= 431) || found.status == 503,
         "an answer that is one of ours");
  expect(!given || ((lines[0] == "GET" || lines[0] == "HEAD") && !body), "only GET and HEAD are answered");
  expect(!given || is_our_host(lines[2], serve), "only our names are answered");
  for (const auto& [name, value] : found.headers) {
    expect(value.find_first_of("\r\n") == std::string::npos, "a header is one line");
  }
}

void try_host(std::string_view host) {
  const std::string_view name = host_name(host);
  const bool letters = std::ranges::any_of(name, [](unsigned char each) { return std::isalpha(each) != 0; });
  const bool six = name.find(':') != std::string_view::npos;
  // A name of a network is no address as numbers, so without `hosts` only localhost is ours.
  expect(!is_our_host(host, {}) || !letters || six || name.size() == 9, "no foreign name");
}

}  // namespace

void run(std::string_view input) {
  Choices choices(input);
  try_request(choices.rest(), choices);
  try_host(choices.rest());
  const auto address = parse_serve_address(choices.rest(), choices.flag());
  if (const auto* read = std::get_if<ServeAddress>(&address)) {
    const auto again = parse_serve_address(to_string(*read), true);
    expect(std::holds_alternative<ServeAddress>(again), "an address is written as it is read");
  }
  const StatusWords words = status_in_words(std::string(choices.rest()));
  expect(!words.text.empty(), "words for any status");
}

void seeds(const AddSeed& add) {
  add("GET\n/\n127.0.0.1:7200\n\n");
  add("GET\n/events\nlocalhost\n\n");
  add("GET\n/status.json\nrebound.example\n\n");
  add("HEAD\n/page.js?x\n[::1]:7200\n\"0\"\n");
  add("[::1]:7200");
  LiveState state("crankwitness 0.0.0");
  SessionFacts facts;
  facts.engine.cams.resize(1);
  const unsigned session = state.begin_session(facts);
  Finding finding;
  finding.severity = Severity::fault;
  state.take(session, finding, 0);
  Second second;
  second.rpm = 3000;
  second.tdc_deviation_deg = 0.1;
  second.cam_phase_deg = {-1.0};
  state.take(session, second);
  RunHealth health;
  health.sources = {{"csv", "-", true, std::nullopt, 0}};
  state.take(session, health);
  add(status_json(state.status()));
}

std::span<const std::string_view> words() {
  static constexpr std::array<std::string_view, 9> list = {
      "GET", "HEAD", "/healthz", "/metrics", "/events", "localhost", "cell-2.example", "null", "true"};
  return list;
}

}  // namespace cw::fuzz
