// Drawings as SVG text: a few shapes, axes with sensible numbers, series as bands. Colours and strokes are classes of the
// page's style (page_style.cpp), so that light, dark and print are its matter; what a colour says, a shape or a word says
// too.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "report/binned_series.hpp"

namespace cw {

class Svg {
 public:
  // `id`: unique in the page, letters and digits. `title` and `desc` are read to those who can't see it.
  Svg(std::string_view id, double width, double height, std::string_view title, std::string_view desc);

  void line(double x1, double y1, double x2, double y2, std::string_view style);
  // With a title that is shown when it is pointed at, unless it is empty.
  void rect(double x, double y, double width, double height, std::string_view style, std::string_view title = {});
  // `data`: path commands, made of numbers only.
  void path(std::string_view data, std::string_view style, std::string_view title = {});
  enum class Anchor : std::uint8_t { start, middle, end };
  void text(double x, double y, std::string_view words, Anchor anchor = Anchor::start, std::string_view style = "t");

  // The whole element, in a frame that can be scrolled sideways where the screen is narrow.
  std::string finish();

 private:
  std::string out_;
  std::string title_;
};

// "M1 2" and "L1 2" for paths.
std::string move_to(double x, double y);
std::string line_to(double x, double y);
// Closed shapes around (x, y).
std::string diamond(double x, double y, double radius);
std::string triangle(double x, double y, double radius, bool up = true);
std::string disc(double x, double y, double radius);
std::string cross(double x, double y, double radius);

// Values to places in the drawing; `from` != `to`.
struct Scale {
  double from = 0;
  double to = 1;
  double at_from = 0;
  double at_to = 1;

  double at(double value) const { return at_from + (value - from) / (to - from) * (at_to - at_from); }
};

// Round numbers (1, 2 or 5 times a power of ten) within [from, to], about `count` of them, and how many decimals they
// need.
struct Ticks {
  std::vector<double> values;
  int decimals = 0;
};
Ticks ticks_within(double from, double to, int count);
// Multiples of `step` within [from, to].
std::vector<double> multiples_within(double from, double to, double step);

// [least, greatest] made wider by a tenth and to at least `span_least`.
struct Interval {
  double from = 0;
  double to = 1;
};
Interval widened(double least, double greatest, double span_least);

// Adds least and greatest of each bin as a band and the means as a line on it, broken where nothing is known. `x` takes
// seconds. `name` is the prefix of their styles.
void draw_series(Svg& svg, const BinnedSeries& series, const Scale& x, const Scale& y, const std::string& name);

}  // namespace cw
