#include "report/time_line.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "report/finding_words.hpp"
#include "report/svg.hpp"

namespace cw {

namespace {

constexpr double width = 960;
constexpr double left = 128;
constexpr double right = width - 16;
constexpr double panel_height = 96;
constexpr double panel_gap = 16;
constexpr double ns_per_s = 1e9;

// What time is told in along the axis.
struct TimeUnit {
  double seconds = 1;
  const char* name = "s";
};

TimeUnit unit_for(double length_s) {
  constexpr double minutes_from_s = 600;
  constexpr double hours_from_s = 3 * 3600;
  return length_s >= hours_from_s ? TimeUnit{3600, "h"} : length_s >= minutes_from_s ? TimeUnit{60, "min"} : TimeUnit{};
}

// A value over time with its limits.
struct Panel {
  std::string name;
  std::string unit;
  const BinnedSeries* series = nullptr;
  std::string style = "a";
  double span_least = 1;
  bool with_zero = false;
  std::vector<double> limits;           // drawn where they lie within the panel
  const BinnedSeries* other = nullptr;  // beside it, dashed
  std::string other_name;
};

class TimeLine {
 public:
  TimeLine(const Engine& engine, const SessionPicture& picture, const CaptureReport& capture)
      : engine_(engine), picture_(picture), capture_(capture) {
    const double length_s = std::max(static_cast<double>(picture.length_ns()) / ns_per_s, 0.01);
    unit_ = unit_for(length_s);
    x_ = {0, length_s, left, right};
    list_panels();
  }

  std::string draw();

 private:
  void list_panels();
  double draw_marks(Svg& svg, double y) const;
  double draw_states(Svg& svg, double y) const;
  void draw_panel(Svg& svg, double y, const Panel& panel) const;
  void draw_missing(Svg& svg, double bottom) const;
  void draw_faults(Svg& svg, double bottom) const;
  void draw_axis(Svg& svg, double y) const;
  double height() const;
  double s_of_host(std::int64_t host_ns) const {
    return static_cast<double>(host_ns - picture_.first_host_ns().value_or(host_ns)) / ns_per_s;
  }

  const Engine& engine_;
  const SessionPicture& picture_;
  const CaptureReport& capture_;
  TimeUnit unit_;
  Scale x_;
  std::vector<Panel> panels_;
  static constexpr double marks_top = 8;
  static constexpr double row_height = 16;
};

void TimeLine::list_panels() {
  const Limits& limits = engine_.limits;
  panels_.push_back({"Speed", "rpm", &picture_.rpm(), "a", 100, true, {}, &picture_.ecu_rpm(), "ECU on CAN"});
  const double warn = limits.tdc_warning_deg;
  const double fault = limits.tdc_fault_deg;
  panels_.push_back({"TDC deviation",
                     "deg, + late",
                     &picture_.tdc_deviation_deg(),
                     "b",
                     1,
                     true,
                     {-fault, -warn, warn, fault},
                     nullptr,
                     ""});
  for (std::size_t i = 0; i < engine_.cams.size(); ++i) {
    const CamPattern& cam = engine_.cams[i];
    std::vector<double> lines;
    if (cam.fixed()) {
      lines = {-limits.cam_warning_deg, limits.cam_warning_deg};
    }
    panels_.push_back(
        {"Cam " + cam.name, "deg, + late", &picture_.cam_phase_deg()[i], "c", 2, true, lines, nullptr, ""});
  }
  panels_.push_back(
      {"Sync margin", "1 = ideal", &picture_.margin(), "d", 1, true, {limits.margin_warning}, nullptr, ""});
  std::erase_if(panels_, [](const Panel& panel) { return panel.series->all().count == 0; });
}

double TimeLine::height() const {
  constexpr double axis_height = 40;
  return marks_top + 3 * row_height + 5 * row_height + 2 * panel_gap +
         static_cast<double>(panels_.size()) * (panel_height + panel_gap) + axis_height;
}

// Findings by severity, those that lie closer than a mark is wide as one.
double TimeLine::draw_marks(Svg& svg, double y) const {
  constexpr double mark_width = 9;
  static constexpr std::array<const char*, 3> names = {"Notes", "Warnings", "Faults"};
  static constexpr std::array<const char*, 3> words = {"note", "warning", "fault"};
  static constexpr std::array<const char*, 3> styles = {"m-note", "m-warning", "m-fault"};
  const auto slots = static_cast<std::size_t>((right - left) / mark_width) + 1;
  for (std::size_t row = 0; row < 3; ++row) {
    const std::size_t severity = 2 - row;
    const double middle = y + (static_cast<double>(row) + 0.5) * row_height;
    svg.text(left - 8, middle + 4, names.at(severity), Svg::Anchor::end);
    svg.line(left, middle, right, middle, "grid");
    std::vector<BinnedMarks::Mark> joined(slots);
    for (const BinnedMarks::Bin& bin : picture_.marks().bins()) {
      const BinnedMarks::Mark& mark = bin.at(severity);
      if (mark.count > 0) {
        const double at = x_.at(static_cast<double>(mark.first_ns) / ns_per_s);
        const auto slot =
            static_cast<std::size_t>(std::clamp((at - left) / mark_width, 0.0, static_cast<double>(slots - 1)));
        const std::uint64_t before = joined[slot].count;
        joined[slot] = before == 0 ? mark : joined[slot];
        joined[slot].count = before + mark.count;
      }
    }
    for (const BinnedMarks::Mark& mark : joined) {
      if (mark.count == 0) {
        continue;
      }
      const double at = std::clamp(x_.at(static_cast<double>(mark.first_ns) / ns_per_s), left, right);
      const double r = 5;
      const std::string shape = severity == 2   ? diamond(at, middle, r + 1)
                                : severity == 1 ? triangle(at, middle, r)
                                                : disc(at, middle, r - 1);
      svg.path(shape, styles.at(severity),
               moment_words(mark.first_ns) + ": " + words.at(severity) + ", " + kind_words(mark.first_kind) +
                   (mark.count > 1 ? ", and " + std::to_string(mark.count - 1) + " more here" : ""));
    }
  }
  return y + 3 * row_height;
}

// A row a state: what was, is seen without telling colours apart, and a loss of a millisecond is at least a line.
double TimeLine::draw_states(Svg& svg, double y) const {
  static constexpr std::array<const char*, 5> styles = {"s-none", "s-search", "s-turn", "s-cycle", "s-lost"};
  static constexpr std::array<std::size_t, 5> order = {3, 2, 1, 0, 4};
  constexpr double least_width = 1.6;
  const double bin_s = static_cast<double>(picture_.states().bin_ns()) / ns_per_s;
  for (std::size_t row = 0; row < order.size(); ++row) {
    const std::size_t state = order.at(row);
    const double top = y + static_cast<double>(row) * row_height;
    svg.text(left - 8, top + 12, std::string(to_string(static_cast<LockState>(state))), Svg::Anchor::end);
    svg.line(left, top + row_height, right, top + row_height, "grid");
    const auto& bins = picture_.states().bins();
    std::string bars;
    for (std::size_t i = 0; i < bins.size();) {
      std::size_t end = i;
      while (end < bins.size() && bins[end].at(state) > 0) {
        ++end;
      }
      if (end > i) {
        // What the first and last bin hold of it, at its proper side.
        const double first_share = end - i > 1 ? static_cast<double>(bins[i].at(state)) / ns_per_s : 0;
        const double from_s = static_cast<double>(end - i > 1 ? i + 1 : i) * bin_s - first_share;
        const double to_s =
            static_cast<double>(end - 1) * bin_s + static_cast<double>(bins[end - 1].at(state)) / ns_per_s;
        const double x1 = x_.at(from_s);
        const double x2 = std::max(x_.at(to_s), x1 + least_width);
        bars += move_to(x1, top + 3) + line_to(x2, top + 3) + line_to(x2, top + row_height - 3) +
                line_to(x1, top + row_height - 3) + "Z";
      }
      i = std::max(end, i + 1);
    }
    svg.path(bars, styles.at(state));
  }
  return y + 5 * row_height;
}

void TimeLine::draw_panel(Svg& svg, double y, const Panel& panel) const {
  double least = panel.series->all().least;
  double greatest = panel.series->all().greatest;
  const bool with_other = panel.other != nullptr && panel.other->all().count > 0;
  if (with_other) {
    least = std::min(least, panel.other->all().least);
    greatest = std::max(greatest, panel.other->all().greatest);
  }
  if (panel.with_zero) {
    least = std::min(least, 0.0);
    greatest = std::max(greatest, 0.0);
  }
  const Interval range = widened(least, greatest, panel.span_least);
  const Scale scale{range.from, range.to, y + panel_height, y};
  svg.rect(left, y, right - left, panel_height, "frame");
  const Ticks ticks = ticks_within(range.from, range.to, 4);
  for (const double tick : ticks.values) {
    svg.line(left, scale.at(tick), right, scale.at(tick), std::fabs(tick) < 1e-9 ? "zero" : "grid");
    svg.text(left - 6, scale.at(tick) + 4, fixed(tick, ticks.decimals), Svg::Anchor::end, "n");
  }
  svg.text(4, y + 14, panel.name, Svg::Anchor::start, "h");
  svg.text(4, y + 30, panel.unit);
  for (const double limit : panel.limits) {
    if (limit > range.from && limit < range.to) {
      svg.line(left, scale.at(limit), right, scale.at(limit), "limit");
    }
  }
  draw_series(svg, *panel.series, x_, scale, panel.style);
  if (with_other) {
    draw_series(svg, *panel.other, x_, scale, "o");
    svg.text(right - 6, y + panel_height - 15, "dashed: " + panel.other_name, Svg::Anchor::end);
  }
}

void TimeLine::draw_missing(Svg& svg, double bottom) const {
  for (const CaptureHole& hole : capture_.holes) {
    const double from = hole.before_host_ns ? s_of_host(*hole.before_host_ns) : 0;
    const double to = hole.after_host_ns ? s_of_host(*hole.after_host_ns) : x_.to;
    const double x1 = std::clamp(x_.at(from), left, right);
    const double x2 = std::clamp(x_.at(to), left, right);
    svg.rect(x1, marks_top, std::max(x2 - x1, 1.6), bottom - marks_top, "missing", "not in the recording");
  }
}

// Lines from the first faults down through all values.
void TimeLine::draw_faults(Svg& svg, double bottom) const {
  constexpr std::size_t most = 40;
  const std::vector<ListedFinding>& listed = picture_.findings().listed();
  for (std::size_t i = 0; i < std::min(listed.size(), most) && listed[i].finding.severity == Severity::fault; ++i) {
    const double at = x_.at(static_cast<double>(listed[i].begin_ns) / ns_per_s);
    svg.line(at, marks_top + row_height, at, bottom, "fault-line");
  }
}

void TimeLine::draw_axis(Svg& svg, double y) const {
  const Ticks ticks = ticks_within(0, x_.to / unit_.seconds, 8);
  for (const double tick : ticks.values) {
    const double at = x_.at(tick * unit_.seconds);
    svg.line(at, y, at, y + 5, "axis");
    svg.text(at, y + 18, fixed(tick, ticks.decimals), Svg::Anchor::middle, "n");
  }
  svg.line(left, y, right, y, "axis");
  svg.text((left + right) / 2, y + 34, std::string("time from the first item, ") + unit_.name, Svg::Anchor::middle);
}

std::string TimeLine::draw() {
  Svg svg(
      "line", width, height(), "Time line of the session",
      "From top to bottom: findings by severity, lock state, then speed, TDC deviation, phase of each cam and sync "
      "margin over time. Bands span the least and the greatest value, lines are means, dashed lines are limits. The "
      "findings are listed in the table below it.");
  double y = draw_marks(svg, marks_top) + panel_gap;
  y = draw_states(svg, y) + panel_gap;
  for (const Panel& panel : panels_) {
    draw_panel(svg, y, panel);
    y += panel_height + panel_gap;
  }
  draw_missing(svg, y - panel_gap);
  draw_faults(svg, y - panel_gap);
  draw_axis(svg, y - panel_gap + 4);
  return svg.finish();
}

}  // namespace

std::string time_line_svg(const Engine& engine, const SessionPicture& picture, const CaptureReport& capture) {
  return TimeLine(engine, picture, capture).draw();
}

std::string series_svg(const std::string& id, const std::string& name, const std::string& unit,
                       const BinnedSeries& series, std::int64_t length_ns) {
  if (series.all().count == 0) {
    return {};
  }
  constexpr double top = 8;
  constexpr double tall = 120;
  Svg svg(id, width, tall + 56, name + " over time",
          name + " in " + unit + ": band from least to greatest, line: mean.");
  const double length_s = std::max(static_cast<double>(length_ns) / ns_per_s, 0.01);
  const TimeUnit unit_of_time = unit_for(length_s);
  const Scale x{0, length_s, left, right};
  const double span = std::max(std::fabs(series.all().greatest) * 1e-3, 1e-3);
  const Interval range = widened(series.all().least, series.all().greatest, span);
  const Scale y{range.from, range.to, top + tall, top};
  svg.rect(left, top, right - left, tall, "frame");
  const Ticks ticks = ticks_within(range.from, range.to, 4);
  for (const double tick : ticks.values) {
    svg.line(left, y.at(tick), right, y.at(tick), "grid");
    svg.text(left - 6, y.at(tick) + 4, fixed(tick, ticks.decimals), Svg::Anchor::end, "n");
  }
  svg.text(4, top + 14, name, Svg::Anchor::start, "h");
  svg.text(4, top + 30, unit);
  draw_series(svg, series, x, y, "a");
  const Ticks times = ticks_within(0, length_s / unit_of_time.seconds, 8);
  for (const double tick : times.values) {
    svg.text(x.at(tick * unit_of_time.seconds), top + tall + 18, fixed(tick, times.decimals), Svg::Anchor::middle, "n");
  }
  svg.text((left + right) / 2, top + tall + 36, std::string("time, ") + unit_of_time.name, Svg::Anchor::middle);
  return svg.finish();
}

std::string moment_words(std::int64_t session_ns) {
  constexpr std::int64_t ns_per_ms = 1'000'000;
  constexpr std::int64_t ms_per_min = 60'000;
  const std::int64_t ms = session_ns / ns_per_ms;
  const std::int64_t minutes = ms / ms_per_min;
  std::string seconds = fixed(static_cast<double>(ms % ms_per_min) / 1000.0, 3) + " s";
  if (minutes == 0) {
    return seconds;
  }
  std::string in_minutes = std::to_string(minutes % 60) + " min " + seconds;
  return minutes < 60 ? in_minutes : std::to_string(minutes / 60) + " h " + in_minutes;
}

}  // namespace cw
