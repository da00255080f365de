#include "cli/history.hpp"

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <optional>
#include <vector>

#include "cli/session_digest.hpp"
#include "cli/terminal.hpp"
#include "cli/words.hpp"
#include "record/session_reader.hpp"
#include "report/finding_words.hpp"
#include "text/json.hpp"
#include "text/one_line.hpp"

namespace cw {

namespace {

struct Row {
  SessionDigest digest;
  std::vector<std::string> changes;  // against the session before
};

// Folders that may be sessions, `folder` itself among them when it is one. The other way round: what could not be looked at.
std::variant<std::vector<std::string>, std::string> folders_in(const std::string& folder) {
  std::error_code error;
  if (is_session(folder)) {
    return std::vector<std::string>{folder};
  }
  std::vector<std::string> found;
  for (std::filesystem::directory_iterator at(folder, error), end; !error && at != end; at.increment(error)) {
    std::error_code ignored;
    if (at->is_directory(ignored)) {
      found.push_back(at->path().string());
    }
  }
  if (error) {
    return folder + ": expected a folder of sessions, found: " + error.message();
  }
  std::sort(found.begin(), found.end());
  return found;
}

std::string with_sign(double value, int decimals, const std::string& unit) {
  return signed_fixed(value, decimals) + " " + unit;
}

// Beyond what both are unsure of, and what means nothing from one day to another.
void tell(std::vector<std::string>& out, const std::string& what, const std::optional<BaselineNumber>& before,
          const std::optional<BaselineNumber>& now, BaselineItem item, const std::string& unit) {
  if (!before || !now) {
    return;
  }
  const double unsure = std::hypot(before->uncertainty, now->uncertainty) + floor_of(item);
  const double change = now->value - before->value;
  if (std::fabs(change) > unsure) {
    out.push_back(what + " changed by " + with_sign(change, 2, unit));
  }
}

std::vector<std::string> changes(const SessionDigest& before, const SessionDigest& now) {
  std::vector<std::string> out;
  if (!before.engine_text.empty() && !now.engine_text.empty() && before.engine_text != now.engine_text) {
    out.emplace_back("the engine file was changed");
  }
  tell(out, "TDC deviation", before.tdc_deviation_deg, now.tdc_deviation_deg, BaselineItem::tdc_deviation, "deg");
  tell(out, "angle", before.offset_deg, now.offset_deg, BaselineItem::offset, "deg");
  tell(out, "delay", before.delay_us, now.delay_us, BaselineItem::delay, "us");
  tell(out, "sync margin", before.sync_margin, now.sync_margin, BaselineItem::sync_margin, "");
  for (const auto& [name, phase] : now.cam_phase_deg) {
    const auto other = before.cam_phase_deg.find(name);
    tell(out, "cam " + name, other == before.cam_phase_deg.end() ? std::nullopt : std::optional(other->second), phase,
         BaselineItem::cam_phase, "deg");
  }
  for (const auto& [kind, count] : now.kinds) {
    if (!before.kinds.contains(kind)) {
      out.push_back(kind + " is new");
    }
  }
  return out;
}

std::string cell(const std::string& text, std::size_t width) {
  return text.size() < width ? text + std::string(width - text.size(), ' ') : text;
}

std::string number_or_dash(const std::optional<BaselineNumber>& number, int decimals, bool sign) {
  return number ? (sign ? signed_fixed(number->value, decimals) : fixed(number->value, decimals)) : "-";
}

std::string duration(double seconds) {
  const auto whole = static_cast<long long>(std::llround(seconds));
  const auto two = [](long long value) { return (value < 10 ? "0" : "") + std::to_string(value); };
  return std::to_string(whole / 3600) + ":" + two(whole / 60 % 60) + ":" + two(whole % 60);
}

constexpr std::size_t name_width = 34;

std::string line_of(const SessionDigest& digest) {
  std::string name = one_line(std::filesystem::path(digest.folder).filename().string());
  std::string out =
      cell(name, name_width) + " " + cell(duration(digest.span_s), 9) +
      cell(fixed(100 * digest.locked_share, 1) + "%", 8) + cell(std::to_string(digest.faults), 7) +
      cell(std::to_string(digest.warnings), 9) + cell(number_or_dash(digest.tdc_deviation_deg, 2, true), 8) +
      cell(number_or_dash(digest.sync_margin, 2, false), 8) + cell(number_or_dash(digest.offset_deg, 2, true), 8) +
      cell(number_or_dash(digest.delay_us, 1, true), 8);
  for (const auto& [cam, phase] : digest.cam_phase_deg) {
    out += one_line(cam) + " " + signed_fixed(phase.value, 1) + " ";
  }
  return out + (digest.closed ? "" : "(not closed in good order)");
}

std::string table_of(const std::vector<Row>& rows) {
  std::string out = cell("session", name_width) + " " + cell("length", 9) + cell("locked", 8) + cell("faults", 7) +
                    cell("warnings", 9) + cell("TDC deg", 8) + cell("margin", 8) + cell("angle", 8) + cell("delay", 8) +
                    "cams deg\n";
  for (const Row& row : rows) {
    std::string line = line_of(row.digest);
    while (line.ends_with(' ')) {
      line.pop_back();
    }
    out += line + "\n";
    for (const std::string& change : row.changes) {
      out += "    " + one_line(change) + "\n";
    }
  }
  return out;
}

void add_number(OrderedJson& json, const std::string& key, const std::optional<BaselineNumber>& number) {
  constexpr double scale = 1e4;
  if (number) {
    json[key]["value"] = std::round(number->value * scale) / scale;
    json[key]["uncertainty"] = std::round(number->uncertainty * scale) / scale;
  }
}

std::string json_of(const std::vector<Row>& rows) {
  std::string out;
  for (const Row& row : rows) {
    const SessionDigest& digest = row.digest;
    OrderedJson json;
    json["session"] = digest.folder;
    if (!digest.wall_time.empty()) {
      json["began"] = digest.wall_time;
    }
    json["engine"] = digest.engine;
    json["closed"] = digest.closed;
    json["span_s"] = digest.span_s;
    json["cycle_locked_share"] = std::round(digest.locked_share * 1e4) / 1e4;
    json["state_s"] = digest.state_s;
    json["findings"] = {{"fault", digest.faults}, {"warning", digest.warnings}, {"info", digest.notes}};
    json["kinds"] = digest.kinds;
    add_number(json, "tdc_deviation_deg", digest.tdc_deviation_deg);
    add_number(json, "sync_margin", digest.sync_margin);
    add_number(json, "offset_deg", digest.offset_deg);
    add_number(json, "delay_us", digest.delay_us);
    for (const auto& [cam, phase] : digest.cam_phase_deg) {
      add_number(json["cam_phase_deg"], cam, phase);
    }
    json["changed"] = row.changes;
    out += dump_json(json) + "\n";
  }
  return out;
}

}  // namespace

ExitCode history(const HistoryOptions& options) {
  Terminal terminal;
  auto folders = folders_in(options.folder);
  if (auto* error = std::get_if<std::string>(&folders)) {
    terminal.complain("crankwitness: " + *error);
    return ExitCode::bad_input;
  }
  std::vector<Row> rows;
  for (const std::string& folder : std::get<std::vector<std::string>>(folders)) {
    auto digest = read_digest(folder);
    if (auto* error = std::get_if<std::string>(&digest)) {
      terminal.complain("crankwitness: " + *error);
      continue;
    }
    rows.push_back({std::move(std::get<SessionDigest>(digest)), {}});
  }
  std::stable_sort(rows.begin(), rows.end(),
                   [](const Row& a, const Row& b) { return a.digest.wall_time < b.digest.wall_time; });
  for (std::size_t i = 1; i < rows.size(); ++i) {
    if (rows[i].digest.engine == rows[i - 1].digest.engine) {
      rows[i].changes = changes(rows[i - 1].digest, rows[i].digest);
    }
  }
  terminal.print(options.json ? json_of(rows) : table_of(rows));
  return ExitCode::done;
}

}  // namespace cw
