#include "record/recovered_lines.hpp"

#include <algorithm>
#include <charconv>

#include "text/json.hpp"

namespace cw {

namespace {

template <typename Integer>
std::optional<Integer> integer_at(const Json& object, const char* key) {
  const auto found = object.find(key);
  return found != object.end() && found->is_number_integer() ? std::optional(found->get<Integer>()) : std::nullopt;
}

// "12.345" in nanoseconds; nothing unless it has exactly 3 decimals, as trend.csv has.
std::optional<std::int64_t> seconds_cell_ns(std::string_view cell) {
  constexpr std::size_t decimals = 3;
  constexpr std::int64_t ns_per_s = 1'000'000'000;
  constexpr std::int64_t ns_per_ms = 1'000'000;
  const std::size_t point = cell.find('.');
  if (point == std::string_view::npos || cell.size() != point + 1 + decimals) {
    return std::nullopt;
  }
  std::int64_t seconds = 0;
  std::int64_t milliseconds = 0;
  const char* end = cell.data() + cell.size();
  const auto whole = std::from_chars(cell.data(), cell.data() + point, seconds);
  const auto rest = std::from_chars(cell.data() + point + 1, end, milliseconds);
  const bool sound = whole.ec == std::errc() && whole.ptr == cell.data() + point && rest.ec == std::errc() &&
                     rest.ptr == end && seconds >= 0 && seconds < INT64_MAX / ns_per_s - 1 && milliseconds >= 0;
  return sound ? std::optional(seconds * ns_per_s + milliseconds * ns_per_ms) : std::nullopt;
}

}  // namespace

void KeptItems::add(const CaptureBlock& block) {
  const Item& first = block.items.items.front();
  const Item& last = block.items.items.back();
  if (runs_.empty() || runs_.back().last + 1 != first.sequence) {
    runs_.push_back({first.sequence, last.sequence, first.host_ns, last.host_ns});
  }
  runs_.back().last = last.sequence;
  runs_.back().last_host_ns = last.host_ns;
}

bool KeptItems::holds(std::uint64_t first, std::uint64_t last) const {
  const auto run =
      std::find_if(runs_.begin(), runs_.end(), [&](const Run& r) { return r.first <= first && first <= r.last; });
  return first <= last && run != runs_.end() && last <= run->last;
}

bool KeptItems::spans(std::int64_t from_host_ns, std::int64_t to_host_ns) const {
  return std::any_of(runs_.begin(), runs_.end(),
                     [&](const Run& r) { return r.first_host_ns <= from_host_ns && to_host_ns <= r.last_host_ns; });
}

std::optional<std::int64_t> KeptItems::session_start_ns() const {
  return !runs_.empty() && runs_.front().first == 0 ? std::optional(runs_.front().first_host_ns) : std::nullopt;
}

bool is_json_object(std::string_view line) {
  return parse_json(line).is_object();
}

LineFate EventLines::judge(std::string_view line) {
  const Json event = parse_json(line);
  if (!event.is_object() || !event.contains("evidence") || !event["evidence"].is_object()) {
    return LineFate::unreadable;
  }
  const auto session_ns = integer_at<std::int64_t>(event, "session_ns");
  const auto first = integer_at<std::uint64_t>(event["evidence"], "first_sequence");
  const auto last = integer_at<std::uint64_t>(event["evidence"], "last_sequence");
  if (!session_ns || !first || !last) {
    return LineFate::unreadable;
  }
  // A stale line of another session tells another wall time for its session time than this session's anchor does.
  const auto start_ns = items_.session_start_ns();
  std::int64_t host_ns = 0;
  if (anchor_ && start_ns && !__builtin_add_overflow(*start_ns, *session_ns, &host_ns)) {
    const auto wall_ns = wall_ns_at(*anchor_, host_ns);
    const auto told = event.find("wall_time");
    if (wall_ns && (told == event.end() || *told != rfc3339(*wall_ns, 3))) {
      return LineFate::unreadable;
    }
  }
  return items_.holds(*first, *last) ? LineFate::kept : LineFate::without_evidence;
}

LineFate TrendLines::judge(std::string_view line) {
  const auto commas = std::count(line.begin(), line.end(), ',');
  if (!commas_) {
    if (!line.starts_with("session_s,")) {
      return LineFate::unreadable;
    }
    commas_ = commas;
    return LineFate::kept;
  }
  const auto end_ns = seconds_cell_ns(line.substr(0, line.find(',')));
  const bool printable = std::all_of(line.begin(), line.end(), [](char letter) { return letter >= ' '; });
  if (!printable || commas != *commas_ || !end_ns || *end_ns < last_end_ns_) {
    return LineFate::unreadable;
  }
  constexpr std::int64_t ns_per_s = 1'000'000'000;
  const std::int64_t begin_ns = std::max<std::int64_t>(*end_ns - ns_per_s, 0);
  last_end_ns_ = *end_ns;
  const auto start_ns = items_.session_start_ns();
  std::int64_t end_host_ns = 0;
  const bool kept = start_ns && !__builtin_add_overflow(*start_ns, *end_ns, &end_host_ns) &&
                    items_.spans(end_host_ns - (*end_ns - begin_ns), end_host_ns);
  return kept ? LineFate::kept : LineFate::without_evidence;
}

}  // namespace cw
