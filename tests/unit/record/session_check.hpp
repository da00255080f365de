// Holds a session that was cut off against the edges it was fed: for tests that kill the recorder.
#pragma once

#include <cstdint>
#include <string>
#include <variant>

namespace cw::test {

struct CheckedSession {
  std::uint64_t edges = 0;        // read back: the first so many of those fed
  std::uint64_t events = 0;       // whole lines of events.jsonl
  std::int64_t host_span_ns = 0;  // from the first item to the last
};

// `csv`: the edges as fed (edge CSV). Every edge of the capture must be the next of these, from the first on and with
// no item missing between; every whole line of events.jsonl must have its evidence in the capture. An error line if
// not.
std::variant<CheckedSession, std::string> check_session(const std::string& folder, const std::string& csv);

}  // namespace cw::test
