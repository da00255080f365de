#include "record/missing_words.hpp"

#include "record/observation_text.hpp"

namespace cw {

namespace {

// "12.340 s", and the wall time where it is known.
std::string moment(std::int64_t host_ns, const CaptureReport& report, const std::optional<WallAnchor>& anchor) {
  std::string out;
  append_fixed(out, (static_cast<double>(host_ns) - static_cast<double>(report.first_host_ns.value_or(0))) * 1e-9, 3);
  out += " s";
  const auto wall_ns = anchor ? wall_ns_at(*anchor, host_ns) : std::nullopt;
  return wall_ns ? out + " (" + rfc3339(*wall_ns, 3) + ")" : out;
}

std::string span_in_words(const CaptureHole& hole, const CaptureReport& report,
                          const std::optional<WallAnchor>& anchor) {
  if (!hole.after_host_ns) {
    return hole.before_host_ns ? "the end, after " + moment(*hole.before_host_ns, report, anchor) : "all";
  }
  if (!hole.before_host_ns) {
    return "the start, before " + moment(*hole.after_host_ns, report, anchor);
  }
  std::string length;
  append_fixed(length, (static_cast<double>(*hole.after_host_ns) - static_cast<double>(*hole.before_host_ns)) * 1e-9,
               3);
  return length + " s, from " + moment(*hole.before_host_ns, report, anchor) + " to " +
         moment(*hole.after_host_ns, report, anchor);
}

void add_rest(std::vector<std::string>& lines, std::uint64_t all) {
  if (all > lines.size()) {
    lines.push_back("and " + std::to_string(all - lines.size()) + " more");
  }
}

}  // namespace

std::vector<std::string> holes_in_words(const CaptureReport& report, const std::optional<WallAnchor>& anchor) {
  std::vector<std::string> lines;
  for (const CaptureHole& hole : report.holes) {
    lines.push_back(span_in_words(hole, report, anchor) + ": " + std::to_string(hole.items) + " items, " +
                    std::to_string(hole.first_sequence) + " to " +
                    std::to_string(hole.first_sequence + hole.items - 1) +
                    (hole.marked     ? " (marked by the recorder)"
                     : hole.not_kept ? " (not kept: no warning or fault was near)"
                                     : ""));
  }
  add_rest(lines, report.hole_count);
  return lines;
}

std::vector<std::string> damage_in_words(const CaptureReport& report) {
  std::vector<std::string> lines;
  for (const CaptureDamage& damage : report.damage) {
    lines.push_back(damage.file + ": " + std::to_string(damage.bytes) + " bytes from byte " +
                    std::to_string(damage.offset) + ": " + damage.reason);
  }
  add_rest(lines, report.damage_count);
  return lines;
}

std::string missing_in_words(const CaptureReport& report, const std::optional<WallAnchor>& anchor) {
  if (report.whole()) {
    return {};
  }
  std::string out =
      "the recording is not whole: " + std::to_string(report.missing_items) + " items are missing" +
      (report.not_kept_items > 0 ? " (" + std::to_string(report.not_kept_items) + " of them removed on purpose)" : "") +
      ", " + std::to_string(report.bytes_dropped) + " bytes could not be read";
  for (const std::string& line : holes_in_words(report, anchor)) {
    out += "\n  missing: " + line;
  }
  for (const std::string& line : damage_in_words(report)) {
    out += "\n  unreadable: " + line;
  }
  return out;
}

}  // namespace cw
