#include "report/plots.hpp"

#include <algorithm>
#include <cmath>

#include "geometry/angle.hpp"
#include "report/finding_words.hpp"
#include "report/svg.hpp"

namespace cw {

namespace {

constexpr double width = 960;
constexpr double left = 128;
constexpr double right = width - 16;
constexpr double top = 12;
constexpr double tall = 240;

// Frame, grid and numbers of a plot of (x, y).
void draw_frame(Svg& svg, const Scale& x, const Scale& y, const std::string& x_name) {
  svg.rect(left, top, right - left, tall, "frame");
  const Ticks rows = ticks_within(y.from, y.to, 6);
  for (const double tick : rows.values) {
    svg.line(left, y.at(tick), right, y.at(tick), std::fabs(tick) < 1e-9 ? "zero" : "grid");
    svg.text(left - 6, y.at(tick) + 4, fixed(tick, rows.decimals), Svg::Anchor::end, "n");
  }
  const Ticks columns = ticks_within(x.from, x.to, 10);
  for (const double tick : columns.values) {
    svg.line(x.at(tick), top, x.at(tick), top + tall, "grid");
    svg.text(x.at(tick), top + tall + 18, fixed(tick, columns.decimals), Svg::Anchor::middle, "n");
  }
  svg.text((left + right) / 2, top + tall + 36, x_name, Svg::Anchor::middle);
}

std::string whisker(double at, double low, double high) {
  constexpr double half = 3;
  return move_to(at, low) + line_to(at, high) + move_to(at - half, low) + line_to(at + half, low) +
         move_to(at - half, high) + line_to(at + half, high);
}

// Degrees of deviation by angle and delay: deviation = angle + 6 * rpm * delay (offset_fit.hpp).
double line_deg(const OffsetFit& fit, double rpm) {
  constexpr double s_per_us = 1e-6;
  return fit.offset_deg->value + deg_per_s_per_rpm * rpm * fit.delay_us->value * s_per_us;
}

bool has_line(const OffsetFit& fit) {
  return fit.offset_deg && fit.delay_us && fit.verdict != OffsetVerdict::no_line;
}

void draw_line(Svg& svg, const Scale& x, const Scale& y, const OffsetFit& fit) {
  if (!has_line(fit)) {
    return;
  }
  constexpr int steps = 24;
  std::string line;
  std::string above;
  std::string below;
  const auto within = [&](double deg) { return std::clamp(y.at(deg), top, top + tall); };
  for (int i = 0; i <= steps; ++i) {
    const double rpm = x.to * i / steps;
    const double deg = line_deg(fit, rpm);
    const double half = line_half_width_deg(fit, rpm);
    line += i == 0 ? move_to(x.at(rpm), within(deg)) : line_to(x.at(rpm), within(deg));
    above += i == 0 ? move_to(x.at(rpm), within(deg + half)) : line_to(x.at(rpm), within(deg + half));
    below.insert(0, line_to(x.at(rpm), within(deg - half)));
  }
  svg.path(above + below + "Z", "b-band");
  svg.path(line, "b-line", "fitted line");
}

std::string estimate_words(const Estimate& estimate, int decimals, const std::string& unit) {
  return signed_fixed(estimate.value, decimals) + " " + unit + " (95 %: " + signed_fixed(estimate.least(), decimals) +
         " to " + signed_fixed(estimate.greatest(), decimals) + ")";
}

std::string verdict_words(OffsetVerdict verdict) {
  switch (verdict) {
    case OffsetVerdict::nothing_usable:
      return "There was no steady running with a mark, so nothing was fitted.";
    case OffsetVerdict::cannot_tell_yet:
      return "Whether that is an angle or a delay can't be told yet: it takes steady running at more speeds, farther "
             "apart.";
    case OffsetVerdict::no_line:
      return "No angle and delay together explain all speeds: look for something else, such as an advance that is not "
             "locked.";
    case OffsetVerdict::no_error:
      return "Neither an angle nor a delay could be told from zero.";
    case OffsetVerdict::angle:
      return "It is a wrong angle; no delay could be told.";
    case OffsetVerdict::delay:
      return "It is a delay of the signal, not a wrong angle: degrees that grow with speed.";
    case OffsetVerdict::angle_and_delay:
      return "It is both a wrong angle and a delay of the signal.";
    case OffsetVerdict::dwell_edge:
      return "So long a delay is probably the edge at which the coil is switched on, not the spark: no correction.";
  }
  return {};
}

}  // namespace

double line_half_width_deg(const OffsetFit& fit, double rpm) {
  constexpr double s_per_us = 1e-6;
  const double per_rpm = deg_per_s_per_rpm * fit.delay_us->half_width * s_per_us;
  const double of_slope = per_rpm * fit.mean_rpm;
  const double at_mean_squared =
      std::max(0.0, fit.offset_deg->half_width * fit.offset_deg->half_width - of_slope * of_slope);
  const double lean = per_rpm * (rpm - fit.mean_rpm);
  return std::sqrt(at_mean_squared + lean * lean);
}

std::vector<std::string> offset_fit_words(const OffsetFit& fit) {
  std::vector<std::string> out;
  if (fit.deviation_deg) {
    out.push_back("In steady running the mark came " + estimate_words(*fit.deviation_deg, 2, "deg") +
                  " from the expected angle, positive = late, at " + fixed(fit.mean_rpm, 0) + " rpm in the mean (" +
                  fixed(fit.least_rpm, 0) + " to " + fixed(fit.greatest_rpm, 0) + ").");
  }
  out.push_back(verdict_words(fit.verdict));
  if (has_line(fit)) {
    out.push_back("Angle: " + estimate_words(*fit.offset_deg, 2, "deg") +
                  ". Delay: " + estimate_words(*fit.delay_us, 1, "us") + ".");
  }
  return out;
}

std::string deviation_svg(const Engine& engine, const std::vector<SpeedBin>& by_speed, const std::vector<Hold>& holds,
                          const OffsetFit& fit) {
  ValueBin all;
  double rpm_most = 0;
  for (const SpeedBin& bin : by_speed) {
    all.join(bin.deviation_deg);
    rpm_most = bin.deviation_deg.count > 0 ? std::max(rpm_most, bin.rpm()) : rpm_most;
  }
  if (all.count == 0) {
    return {};
  }
  Svg svg(
      "deviation", width, top + tall + 48, "TDC deviation over speed",
      "Deviation of the ECU's mark from the expected angle, in crank degrees, positive = late, over engine speed in "
      "rpm. A constant angle is a level line; a delay is a line that leans.");
  const Scale x{0, rpm_most * 1.05, left, right};
  const Interval range = widened(std::min(all.least, 0.0), std::max(all.greatest, 0.0), 1);
  const Scale y{range.from, range.to, top + tall, top};
  draw_frame(svg, x, y, "engine speed, rpm");
  svg.text(4, top + 14, "TDC deviation", Svg::Anchor::start, "h");
  svg.text(4, top + 30, "deg, + late");
  for (const double limit : {-engine.limits.tdc_warning_deg, engine.limits.tdc_warning_deg}) {
    if (limit > range.from && limit < range.to) {
      svg.line(left, y.at(limit), right, y.at(limit), "limit");
    }
  }
  draw_line(svg, x, y, fit);
  std::string steady;
  for (const Hold& hold : holds) {
    steady += diamond(x.at(hold.rpm), y.at(hold.deviation_deg), 6);
  }
  svg.path(steady, "hold");
  std::string spans;
  std::string means;
  for (const SpeedBin& bin : by_speed) {
    if (bin.deviation_deg.count > 0) {
      const double at = x.at(bin.rpm());
      spans += whisker(at, y.at(bin.deviation_deg.least), y.at(bin.deviation_deg.greatest));
      means += disc(at, y.at(bin.deviation_deg.mean()), 3);
    }
  }
  svg.path(spans, "whisker");
  svg.path(means, "dot");
  return svg.finish();
}

std::string wheel_svg(const WheelShape& shape) {
  if (shape.teeth.empty()) {
    return {};
  }
  Svg svg(
      "wheel", width, top + tall + 48, "Pitch error of the wheel's teeth",
      "Where each tooth stands less where the engine file puts it, in crank degrees, positive = late, with its 95 % "
      "interval, over the tooth's number.");
  double most = 0;
  int last = 1;
  for (const ToothShape& tooth : shape.teeth) {
    most = std::max(most, std::fabs(tooth.error_deg) + tooth.uncertainty_deg);
    last = std::max(last, tooth.tooth);
  }
  const Scale x{0, static_cast<double>(last) + 1, left, right};
  const Interval range = widened(-most, most, 0.1);
  const Scale y{range.from, range.to, top + tall, top};
  draw_frame(svg, x, y, "tooth, numbered from the reference tooth");
  svg.text(4, top + 14, "Pitch error", Svg::Anchor::start, "h");
  svg.text(4, top + 30, "deg, + late");
  std::string spans;
  std::string dots;
  for (const ToothShape& tooth : shape.teeth) {
    const double at = x.at(tooth.tooth);
    spans += whisker(at, y.at(tooth.error_deg - tooth.uncertainty_deg), y.at(tooth.error_deg + tooth.uncertainty_deg));
    dots += disc(at, y.at(tooth.error_deg), 3);
  }
  svg.path(spans, "whisker");
  svg.path(dots, "dot");
  return svg.finish();
}

}  // namespace cw
