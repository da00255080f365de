// Setting of plain text for the terminal: labelled paragraphs, wrapped, with a degree sign where the locale has one.
#pragma once

#include <cstddef>
#include <iosfwd>
#include <string>
#include <string_view>
#include <vector>

#include "cli/check.hpp"

namespace cw {

class Page {
 public:
  // `out` must outlive the page.
  Page(const CheckLook& look, std::ostream& out) : look_(look), out_(out) {}

  // A paragraph whose first line begins with `label`; the text stands in a column of its own.
  void entry(std::string_view label, std::string_view text);
  // A further point under the last label, with a dash before it.
  void point(std::string_view text);
  // One of a list under a heading, with a dash before it.
  void item(std::string_view text);
  // A heading on a line of its own, an empty line before it.
  void heading(std::string_view text);
  void line(std::string_view text);
  void blank();

 private:
  void paragraph(std::string first, std::string_view text, std::size_t indent);

  CheckLook look_;
  std::ostream& out_;
};

// Columns that a UTF-8 text takes, one for each code point.
std::size_t columns_of(std::string_view text);

// `text` with degree signs and the micro sign written out where the locale can't show it.
std::string for_locale(std::string_view text, bool utf8);

// At most two decimals, without trailing zeros and without groups, as it would be typed into a file.
std::string plain_number(double value);

// "1, 2 and 3".
std::string listed(const std::vector<std::string>& words);

// "1 tooth", "2 teeth".
std::string counted(int count, std::string_view one, std::string_view many);

}  // namespace cw
