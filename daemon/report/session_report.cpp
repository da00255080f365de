#include "report/session_report.hpp"

#include <array>
#include <filesystem>
#include <fstream>
#include <optional>
#include <utility>
#include <vector>

#include "monitor/monitor.hpp"
#include "record/missing_words.hpp"
#include "record/observation_text.hpp"
#include "record/session_totals.hpp"
#include "report/evidence_windows.hpp"
#include "report/report_page.hpp"
#include "report/session_picture.hpp"

namespace cw {

namespace {

constexpr std::size_t piece_items_max = 4096;

// Holds what is found now against the lines of events.jsonl.
class StoredEvents {
 public:
  StoredEvents(const std::string& folder, std::optional<WallAnchor> anchor)
      : file_(folder + "/events.jsonl"), there_(!folder.empty() && file_.good()), anchor_(anchor) {}

  void take(const Finding& finding, std::optional<std::int64_t> first_host_ns) {
    ++found_;
    std::string line;
    if (!there_ || !std::getline(file_, line)) {
      return;
    }
    ++stored_;
    const auto wall_ns =
        anchor_ && first_host_ns ? wall_ns_at(*anchor_, *first_host_ns + finding.session_ns) : std::nullopt;
    if (first_difference_ == 0 && line != finding_json(finding, wall_ns)) {
      first_difference_ = stored_;
    }
  }

  // How the file differs, in a sentence; nothing when it does not, or is not there.
  std::optional<std::string> difference(const std::string& written_by) {
    for (std::string line; there_ && std::getline(file_, line);) {
      ++stored_;
    }
    if (!there_ || (first_difference_ == 0 && stored_ == found_)) {
      return std::nullopt;
    }
    const std::uint64_t first = first_difference_ > 0 ? first_difference_ : std::min(stored_, found_) + 1;
    return "events.jsonl, written by " + written_by + ", has " + std::to_string(stored_) +
           " lines, this analysis gives " + std::to_string(found_) + "; they differ from line " +
           std::to_string(first) +
           " on. That is so when another version wrote it, or when a part of the recording is missing.";
  }

 private:
  std::ifstream file_;
  bool there_ = false;
  std::optional<WallAnchor> anchor_;
  std::uint64_t found_ = 0;
  std::uint64_t stored_ = 0;
  std::uint64_t first_difference_ = 0;
};

// Passes on to all who want to know.
class Gatherer final : public Observer {
 public:
  Gatherer(SessionTotals& totals, SessionPicture& picture, StoredEvents& stored)
      : totals_(totals), picture_(picture), stored_(stored) {}
  void on_finding(const Finding& finding) override {
    totals_.on_finding(finding);
    picture_.on_finding(finding);
    stored_.take(finding, picture_.first_host_ns());
  }
  void on_cycle(const Cycle& cycle) override {
    totals_.on_cycle(cycle);
    picture_.on_cycle(cycle);
  }
  void on_second(const Second& second) override {
    totals_.on_second(second);
    picture_.on_second(second);
  }
  void on_state(const StateChange& change) override {
    totals_.on_state(change);
    picture_.on_state(change);
  }
  void on_wheel(const WheelShape& shape) override {
    totals_.on_wheel(shape);
    picture_.on_wheel(shape);
  }

 private:
  SessionTotals& totals_;
  SessionPicture& picture_;
  StoredEvents& stored_;
};

// `sink` gets the items in pieces that end with a tick, so that clocks are known to 100 ms.
template <typename Sink>
void in_pieces(const ItemBatch& batch, Sink sink) {
  std::size_t begin = 0;
  for (std::size_t i = 0; i < batch.items.size(); ++i) {
    const bool end =
        batch.items[i].kind == ItemKind::tick || i + 1 - begin >= piece_items_max || i + 1 == batch.items.size();
    if (end) {
      sink(ItemBatch{batch.items.subspan(begin, i + 1 - begin), batch.payload});
      begin = i + 1;
    }
  }
}

std::string name_of(const std::string& path) {
  std::error_code error;
  const std::filesystem::path whole = std::filesystem::weakly_canonical(path, error);
  return error ? path : whole.filename().string();
}

std::variant<std::vector<DrawnFinding>, std::string> draw_findings(const std::string& path, const Engine& engine,
                                                                   const FindingList& list) {
  std::vector<ListedFinding> chosen;
  for (const std::size_t index : list.to_draw(drawn_findings_max)) {
    chosen.push_back(list.listed()[index]);
  }
  if (chosen.empty()) {
    return std::vector<DrawnFinding>{};
  }
  auto again = SessionReader::open(path);
  if (auto* error = std::get_if<std::string>(&again)) {
    return std::move(*error);
  }
  auto& reader = std::get<SessionReader>(again);
  EvidenceWindows windows(engine, chosen);
  ItemBuffer items;
  while (!windows.done() && reader.next(items)) {
    windows.take(items.batch());
  }
  return windows.finish();
}

}  // namespace

std::variant<SessionReport, std::string> make_session_report(const std::string& path, SessionReader reader,
                                                             const Engine& engine, const std::string& made_with,
                                                             const std::vector<BusMap>& maps) {
  const SessionInfo& info = *reader.info();
  SessionTotals totals(engine, maps);
  SessionPicture picture(engine);
  StoredEvents stored(session_places(path).folder, info.anchor);
  Gatherer gatherer(totals, picture, stored);
  Monitor monitor(engine, gatherer, maps);
  ItemBuffer items;
  while (reader.next(items)) {
    in_pieces(items.batch(), [&](const ItemBatch& piece) {
      totals.take_items(piece);
      picture.take_items(piece);
      monitor.push(piece);
    });
  }
  monitor.finish();
  totals.finish();
  picture.finish();
  auto drawn = draw_findings(path, engine, picture.findings());
  if (auto* error = std::get_if<std::string>(&drawn)) {
    return std::move(*error);
  }
  ReportContent content{engine,
                        info,
                        totals,
                        picture,
                        reader.report(),
                        std::move(std::get<std::vector<DrawnFinding>>(drawn)),
                        made_with,
                        name_of(path),
                        reader.closed_in_good_order(),
                        std::nullopt};
  if (content.closed) {
    content.other_events = stored.difference(info.program);
  }
  SessionReport report;
  report.html = report_page(content);
  report.missing = missing_in_words(reader.report(), info.anchor);
  report.lossy = !report.missing.empty() || totals.gaps() > 0;
  return report;
}

}  // namespace cw
