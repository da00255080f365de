#include "report/svg.hpp"

#include <algorithm>
#include <cmath>

#include "report/html.hpp"

namespace cw {

namespace {

std::string attribute(std::string_view name, double value) {
  return " " + std::string(name) + "=\"" + coordinate(value) + "\"";
}

std::string class_of(std::string_view style) {
  return " class=\"" + std::string(style) + "\"";
}

std::string end_of(std::string_view element, std::string_view title) {
  return title.empty() ? "/>" : "><title>" + escaped(title) + "</title></" + std::string(element) + ">";
}

}  // namespace

Svg::Svg(std::string_view id, double width, double height, std::string_view title, std::string_view desc)
    : title_(title) {
  const std::string name(id);
  out_ = "<svg role=\"img\" aria-labelledby=\"" + name + "-t " + name + "-d\" viewBox=\"0 0 " + coordinate(width) +
         " " + coordinate(height) + "\"><title id=\"" + name + "-t\">" + escaped(title) + "</title><desc id=\"" + name +
         "-d\">" + escaped(desc) + "</desc>\n";
}

void Svg::line(double x1, double y1, double x2, double y2, std::string_view style) {
  out_ += "<line" + class_of(style) + attribute("x1", x1) + attribute("y1", y1) + attribute("x2", x2) +
          attribute("y2", y2) + "/>\n";
}

void Svg::rect(double x, double y, double width, double height, std::string_view style, std::string_view title) {
  out_ += "<rect" + class_of(style) + attribute("x", x) + attribute("y", y) + attribute("width", std::max(width, 0.0)) +
          attribute("height", height) + end_of("rect", title) + "\n";
}

void Svg::path(std::string_view data, std::string_view style, std::string_view title) {
  if (!data.empty()) {
    out_ += "<path" + class_of(style) + " d=\"" + std::string(data) + "\"" + end_of("path", title) + "\n";
  }
}

void Svg::text(double x, double y, std::string_view words, Anchor anchor, std::string_view style) {
  const std::string side = anchor == Anchor::start ? "" : anchor == Anchor::middle ? " am" : " ae";
  out_ += "<text" + class_of(std::string(style) + side) + attribute("x", x) + attribute("y", y) + ">" + escaped(words) +
          "</text>\n";
}

std::string Svg::finish() {
  return "<div class=\"plot\" tabindex=\"0\" role=\"group\" aria-label=\"" + escaped(title_) + "\">" + out_ +
         "</svg></div>\n";
}

std::string move_to(double x, double y) {
  return "M" + coordinate(x) + " " + coordinate(y);
}

std::string line_to(double x, double y) {
  return "L" + coordinate(x) + " " + coordinate(y);
}

std::string diamond(double x, double y, double radius) {
  return move_to(x, y - radius) + line_to(x + radius, y) + line_to(x, y + radius) + line_to(x - radius, y) + "Z";
}

std::string triangle(double x, double y, double radius, bool up) {
  const double tip = up ? -radius : radius;
  return move_to(x, y + tip) + line_to(x + radius, y - tip * 0.8) + line_to(x - radius, y - tip * 0.8) + "Z";
}

std::string disc(double x, double y, double radius) {
  const std::string r = coordinate(radius);
  const std::string arc = "a" + r + " " + r + " 0 1 0 ";
  return move_to(x - radius, y) + arc + coordinate(2 * radius) + " 0" + arc + coordinate(-2 * radius) + " 0Z";
}

std::string cross(double x, double y, double radius) {
  return move_to(x - radius, y - radius) + line_to(x + radius, y + radius) + move_to(x - radius, y + radius) +
         line_to(x + radius, y - radius);
}

Ticks ticks_within(double from, double to, int count) {
  Ticks ticks;
  const double rough = (to - from) / count;
  if (!(rough > 0) || !std::isfinite(rough)) {
    return ticks;
  }
  const double power = std::floor(std::log10(rough));
  const double unit = std::pow(10.0, power);
  const double share = rough / unit;
  const double step = unit * (share <= 1.0 ? 1 : share <= 2.0 ? 2 : share <= 5.0 ? 5 : 10);
  ticks.values = multiples_within(from, to, step);
  ticks.decimals = std::clamp(static_cast<int>(-std::floor(std::log10(step) + 1e-9)), 0, 6);
  return ticks;
}

std::vector<double> multiples_within(double from, double to, double step) {
  constexpr double most = 200;
  std::vector<double> values;
  const double first = std::ceil(from / step - 1e-9);
  const double last = std::min(std::floor(to / step + 1e-9), first + most);
  const int count = last < first ? 0 : static_cast<int>(last - first) + 1;
  values.reserve(static_cast<std::size_t>(count));
  for (int i = 0; i < count; ++i) {
    values.push_back((first + i) * step + 0.0);
  }
  return values;
}

Interval widened(double least, double greatest, double span_least) {
  const double span = std::max((greatest - least) * 1.2, span_least);
  const double middle = (least + greatest) / 2;
  return {middle - span / 2, middle + span / 2};
}

void draw_series(Svg& svg, const BinnedSeries& series, const Scale& x, const Scale& y, const std::string& name) {
  const std::vector<ValueBin>& bins = series.bins();
  const double bin_s = static_cast<double>(series.bin_ns()) * 1e-9;
  const auto x_of = [&](std::size_t i) { return x.at((static_cast<double>(i) + 0.5) * bin_s); };
  std::string band;
  std::string means;
  // A cycle may last several bins: shorter breaks are none.
  constexpr double bridged_s = 1.0;
  const auto bridged = std::max<std::size_t>(1, static_cast<std::size_t>(bridged_s / bin_s));
  for (std::size_t begin = 0; begin < bins.size();) {
    if (bins[begin].count == 0) {
      ++begin;
      continue;
    }
    std::vector<std::size_t> run{begin};
    std::size_t next = begin + 1;
    for (; next < bins.size() && next - run.back() <= bridged; ++next) {
      if (bins[next].count > 0) {
        run.push_back(next);
      }
    }
    std::string top;
    std::string bottom;
    for (std::size_t k = 0; k < run.size(); ++k) {
      const ValueBin& bin = bins[run[k]];
      means += k == 0 ? move_to(x_of(run[k]) - (run.size() == 1 ? 1 : 0), y.at(bin.mean()))
                      : line_to(x_of(run[k]), y.at(bin.mean()));
      top += k == 0 ? move_to(x_of(run[k]), y.at(bin.greatest)) : line_to(x_of(run[k]), y.at(bin.greatest));
    }
    means += run.size() == 1 ? line_to(x_of(begin) + 1, y.at(bins[begin].mean())) : "";
    for (auto k = run.rbegin(); k != run.rend(); ++k) {
      bottom += line_to(x_of(*k), y.at(bins[*k].least));
    }
    band += top + bottom + "Z";
    begin = next;
  }
  svg.path(band, name + "-band");
  svg.path(means, name + "-line");
}

}  // namespace cw
