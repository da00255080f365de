#include "session_look.hpp"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "monitor/monitor.hpp"
#include "record/session_reader.hpp"
#include "tests/unit/record/scratch_folder.hpp"
#include "tests/unit/text_lines.hpp"

namespace cw::load {

namespace {

// Notes the item that was being pushed when a finding came out.
class DecidingWatch final : public Observer {
 public:
  void on_finding(const Finding& finding) override {
    decided.push_back(now);
    decided.back().finding = finding.kind;
  }
  void on_cycle(const Cycle& /*cycle*/) override {}
  void on_second(const Second& /*second*/) override {}
  void on_state(const StateChange& /*change*/) override {}
  DecidingItem now;
  std::vector<DecidingItem> decided;
};

void take_gap(const Item& item, const ItemBuffer& items, SessionLook& look) {
  const auto count = gap_count(payload_of(item, items.payload));
  if (!count) {
    ++look.gaps_of_unknown_count;
    return;
  }
  switch (static_cast<GapReason>(item.code)) {
    case GapReason::device_dropped:
      look.dropped_by_device += *count;
      break;
    case GapReason::queue_full:
      look.dropped_by_queue += *count;
      break;
    case GapReason::link_lost:
      look.lost_on_line += *count;
      break;
    default:
      look.gaps_of_unknown_count += *count > 0 ? 1 : 0;
      break;
  }
}

}  // namespace

namespace {

// The cell `lost_items` of a row of trend.csv: seven columns stand behind it. 0 of the header.
std::uint64_t lost_in(const std::string& row) {
  std::size_t end = row.size();
  for (int behind = 0; behind < 7 && end != std::string::npos; ++behind) {
    end = row.rfind(',', end - 1);
  }
  const std::size_t comma = end == std::string::npos ? end : row.rfind(',', end - 1);
  return comma == std::string::npos ? 0 : std::strtoull(row.c_str() + comma + 1, nullptr, 10);
}

}  // namespace

SessionLook look_at_text_files(const std::string& folder) {
  SessionLook look;
  const auto summary = nlohmann::json::parse(test::file_text(folder + "/summary.json"), nullptr, false);
  if (!summary.is_discarded()) {
    look.analysed_edges = summary.value("edges", std::uint64_t{0});
    look.lost_items = summary["recording"].value("lost_items", std::uint64_t{0});
  }
  for (const std::string& row : test::lines_of(test::file_text(folder + "/trend.csv"))) {
    look.told_lost += lost_in(row);
  }
  for (const std::string& line : test::lines_of(test::file_text(folder + "/events.jsonl"))) {
    const auto finding = nlohmann::json::parse(line, nullptr, false);
    if (!finding.is_discarded() && finding["kind"] == "edges-dropped" && finding.contains("values")) {
      look.findings_lost += static_cast<std::uint64_t>(finding["values"].value("lost_items", 0.0));
    }
  }
  return look;
}

std::variant<SessionLook, std::string> look_at_session(const std::string& folder, const Engine& engine, bool all) {
  auto opened = SessionReader::open(folder);
  if (auto* error = std::get_if<std::string>(&opened)) {
    return std::move(*error);
  }
  auto& reader = std::get<SessionReader>(opened);
  SessionLook look = look_at_text_files(folder);
  DecidingWatch watch;
  Monitor monitor(engine, watch);
  for (ItemBuffer some; reader.next(some);) {
    for (const Item& item : some.items) {
      watch.now = {item.kind, {}, item.host_ns, look.edges};
      if (item.kind == ItemKind::edge) {
        ++look.edges;
        if (all) {
          look.edge_list.push_back(edge_of(item));
        }
      } else if (item.kind == ItemKind::gap) {
        take_gap(item, some, look);
      }
      if (all) {
        monitor.push({std::span(&item, 1), some.payload});
      }
    }
  }
  look.deciding = std::move(watch.decided);
  look.missing_items = reader.report().missing_items;
  return look;
}

}  // namespace cw::load
