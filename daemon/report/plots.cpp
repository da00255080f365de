#include "report/plots.hpp"

#include <algorithm>
#include <cmath>

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

}  // namespace

std::string deviation_svg(const Engine& engine, const std::vector<SpeedBin>& by_speed) {
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
