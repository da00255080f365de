#include "tests/unit/record/session_check.hpp"

#include <map>
#include <sstream>

#include "record/session_reader.hpp"
#include "tests/unit/record/scratch_folder.hpp"
#include "text/json.hpp"

namespace cw::test {

namespace {

using Names = std::map<std::uint8_t, std::string>;

// The line of edge CSV that `item` came from.
std::string edge_line(const Item& item, const Names& names) {
  const auto name = names.find(item.channel);
  return std::to_string(item.source_ns) + "," + (name == names.end() ? "?" : name->second) + "," +
         (item.code == static_cast<std::uint8_t>(EdgeCode::rising) ? "r" : "f");
}

std::string check_items(SessionReader& reader, std::istringstream& fed, CheckedSession& checked) {
  Names names;
  CaptureBlock block;
  while (reader.next_block(block)) {
    if (block.hole_before) {
      return "a hole before item " + std::to_string(block.items.items.front().sequence);
    }
    for (const Item& item : block.items.items) {
      if (item.kind == ItemKind::link_note && item.code == static_cast<std::uint8_t>(LinkNote::channel_named)) {
        const auto bytes = payload_of(item, block.items.payload);
        names[item.channel] = std::string(reinterpret_cast<const char*>(bytes.data()), bytes.size());
      }
      std::string line;
      if (item.kind == ItemKind::edge && (!std::getline(fed, line) || line != edge_line(item, names))) {
        return "expected edge \"" + line + "\", found \"" + edge_line(item, names) + "\"";
      }
      checked.edges += item.kind == ItemKind::edge ? 1 : 0;
    }
  }
  const CaptureReport& report = reader.report();
  checked.host_span_ns = report.last_host_ns.value_or(0) - report.first_host_ns.value_or(0);
  return {};
}

std::string check_events(const std::string& text, std::uint64_t next_sequence, CheckedSession& checked) {
  std::istringstream in(text);
  for (std::string line; std::getline(in, line) && !in.eof(); ++checked.events) {
    const auto event = parse_json(line);
    if (!event.is_object()) {
      return "not JSON: " + line;
    }
    if (event.at("evidence").at("last_sequence").get<std::uint64_t>() >= next_sequence) {
      return "its evidence is missing: " + line;
    }
  }
  return {};
}

}  // namespace

std::variant<CheckedSession, std::string> check_session(const std::string& folder, const std::string& csv) {
  auto reader = SessionReader::open(folder);
  if (auto* error = std::get_if<std::string>(&reader)) {
    return std::move(*error);
  }
  std::istringstream fed(csv);
  std::string header;
  std::getline(fed, header);
  CheckedSession checked;
  auto& session = std::get<SessionReader>(reader);
  std::string problem = check_items(session, fed, checked);
  if (problem.empty()) {
    problem = check_events(file_text(folder + "/events.jsonl"), session.report().next_sequence, checked);
  }
  if (!problem.empty()) {
    return folder + ": " + problem;
  }
  return checked;
}

}  // namespace cw::test
