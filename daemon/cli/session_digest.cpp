#include "cli/session_digest.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <filesystem>
#include <fstream>
#include <string_view>
#include <vector>

#include "record/disk_file.hpp"
#include "record/session_info.hpp"
#include "record/session_totals.hpp"
#include "text/json.hpp"

namespace cw {

namespace {

constexpr std::uint64_t summary_bytes_max = 16ULL * 1024 * 1024;

double number_at(const OrderedJson& json, const char* key) {
  const auto found = json.find(key);
  return found != json.end() && found->is_number() ? found->get<double>() : 0;
}

std::uint64_t count_at(const OrderedJson& json, const char* key) {
  const auto found = json.find(key);
  return found != json.end() && found->is_number_unsigned() ? found->get<std::uint64_t>() : 0;
}

std::string text_at(const OrderedJson& json, const char* key) {
  const auto found = json.find(key);
  return found != json.end() && found->is_string() ? found->get<std::string>() : std::string();
}

std::optional<BaselineNumber> mean_at(const OrderedJson& json, const std::string& key, const char* value,
                                      const char* uncertainty) {
  const auto found = json.find(key);
  if (found == json.end() || !found->is_object() || !found->contains(value)) {
    return std::nullopt;
  }
  return BaselineNumber{number_at(*found, value), number_at(*found, uncertainty)};
}

void read_counts(const OrderedJson& json, SessionDigest& digest) {
  if (const auto found = json.find("findings"); found != json.end() && found->is_object()) {
    digest.faults = count_at(*found, "fault");
    digest.warnings = count_at(*found, "warning");
    digest.notes = count_at(*found, "info");
  }
  for (const char* key : {"kinds", "state_s"}) {
    const auto found = json.find(key);
    if (found == json.end() || !found->is_object()) {
      continue;
    }
    for (const auto& [name, value] : found->items()) {
      if (value.is_number_unsigned() && key == std::string_view("kinds")) {
        digest.kinds[name] = value.get<std::uint64_t>();
      } else if (value.is_number() && key == std::string_view("state_s")) {
        digest.state_s[name] = value.get<double>();
      }
    }
  }
}

std::optional<std::string> read_summary(const std::string& path, SessionDigest& digest) {
  std::string text;
  if (Problem problem = read_file(path, summary_bytes_max, text)) {
    return *problem;
  }
  const OrderedJson json = parse_ordered_json(text);
  if (!json.is_object()) {
    return path + ": expected a JSON object";
  }
  digest.closed = true;
  digest.engine = text_at(json, "engine");
  digest.wall_time = text_at(json, "first_wall_time");
  digest.span_s = number_at(json, "span_s");
  read_counts(json, digest);
  digest.tdc_deviation_deg = mean_at(json, "tdc_deviation_deg", "mean", "standard_deviation");
  digest.sync_margin = mean_at(json, "sync_margin", "mean", "standard_deviation");
  if (const auto cams = json.find("cam_phase_deg"); cams != json.end() && cams->is_object()) {
    for (const auto& [name, value] : cams->items()) {
      if (const auto phase = mean_at(*cams, name, "mean", "standard_deviation")) {
        digest.cam_phase_deg[name] = *phase;
      }
    }
  }
  if (const auto fit = json.find("offset_and_delay"); fit != json.end() && fit->is_object()) {
    digest.offset_deg = mean_at(*fit, "offset_deg", "value", "half_width");
    digest.delay_us = mean_at(*fit, "delay_us", "value", "half_width");
  }
  return std::nullopt;
}

std::vector<std::string_view> fields_of(std::string_view line) {
  std::vector<std::string_view> out;
  while (true) {
    const std::size_t comma = line.find(',');
    out.push_back(line.substr(0, comma));
    if (comma == std::string_view::npos) {
      return out;
    }
    line.remove_prefix(comma + 1);
  }
}

std::optional<double> number_of(std::string_view text) {
  double value = 0;
  const auto result = std::from_chars(text.data(), text.data() + text.size(), value);
  return result.ec == std::errc() && result.ptr == text.data() + text.size() ? std::optional(value) : std::nullopt;
}

std::optional<BaselineNumber> number_of(const RunningMean& mean) {
  return mean.count() > 0 ? std::optional(BaselineNumber{mean.mean(), mean.deviation()}) : std::nullopt;
}

// Sums over the rows of trend.csv. A last line without its LF is not whole.
class TrendSums {
 public:
  explicit TrendSums(std::string_view header) : names_(strings(fields_of(header))), means_(names_.size()) {}

  void take(std::string_view line, SessionDigest& digest) {
    const auto fields = fields_of(line);
    if (fields.size() != names_.size()) {
      return;
    }
    for (std::size_t i = 0; i < fields.size(); ++i) {
      if (names_[i] == "state") {
        digest.state_s[std::string(fields[i])] += 1;
      } else if (const auto value = number_of(fields[i])) {
        means_[i].add(*value);
      }
    }
  }

  void finish(SessionDigest& digest) const {
    for (std::size_t i = 0; i < names_.size(); ++i) {
      const std::string& name = names_[i];
      constexpr std::string_view phase = "phase_";
      constexpr std::string_view unit = "_deg";
      const auto mean = number_of(means_[i]);
      if (!mean) {
        continue;
      }
      if (name == "session_s") {
        digest.span_s = means_[i].greatest();
      } else if (name == "sync_margin") {
        digest.sync_margin = mean;
      } else if (name == "tdc_deviation_deg") {
        digest.tdc_deviation_deg = mean;
      } else if (name.starts_with(phase) && name.ends_with(unit)) {
        digest.cam_phase_deg[name.substr(phase.size(), name.size() - phase.size() - unit.size())] = *mean;
      }
    }
  }

 private:
  static std::vector<std::string> strings(const std::vector<std::string_view>& views) {
    return {views.begin(), views.end()};
  }
  std::vector<std::string> names_;
  std::vector<RunningMean> means_;
};

void read_trend(const std::string& path, SessionDigest& digest) {
  std::ifstream file(path);
  std::string line;
  if (!std::getline(file, line) || file.eof()) {
    return;
  }
  TrendSums sums(line);
  while (std::getline(file, line) && !file.eof()) {
    sums.take(line, digest);
  }
  sums.finish(digest);
}

void read_events(const std::string& path, SessionDigest& digest) {
  std::ifstream file(path);
  for (std::string line; std::getline(file, line) && !file.eof();) {
    const OrderedJson json = parse_ordered_json(line);
    if (!json.is_object() || text_at(json, "phase") == "close") {
      continue;
    }
    const std::uint64_t count = std::max<std::uint64_t>(1, count_at(json, "count"));
    const std::string severity = text_at(json, "severity");
    (severity == "fault" ? digest.faults : severity == "warning" ? digest.warnings : digest.notes) += count;
    digest.kinds[text_at(json, "kind")] += count;
  }
}

}  // namespace

std::variant<SessionDigest, std::string> read_digest(const std::string& folder) {
  SessionDigest digest;
  digest.folder = folder;
  std::error_code ignored;
  const auto has = [&](const char* name) { return std::filesystem::exists(folder + name, ignored); };
  if (!has("/session.toml") || !has("/trend.csv")) {
    return folder + ": expected a session folder (session.toml, trend.csv), found none; left out";
  }
  if (has("/summary.json")) {
    if (auto problem = read_summary(folder + "/summary.json", digest)) {
      return *problem + "; left out";
    }
  } else {
    read_trend(folder + "/trend.csv", digest);
    read_events(folder + "/events.jsonl", digest);
  }
  const auto info = read_session_info(folder);
  if (const auto* known = std::get_if<SessionInfo>(&info)) {
    digest.engine_text = known->engine_file_text;
    if (digest.wall_time.empty() && known->anchor) {
      digest.wall_time = rfc3339(known->anchor->wall_ns, 3);
    }
    if (digest.engine.empty()) {
      digest.engine = known->engine_file_name;
    }
  }
  double all_s = 0;
  for (const auto& [state, seconds] : digest.state_s) {
    all_s += seconds;
  }
  const auto locked = digest.state_s.find("cycle-locked");
  digest.locked_share = all_s > 0 && locked != digest.state_s.end() ? locked->second / all_s : 0;
  return digest;
}

}  // namespace cw
