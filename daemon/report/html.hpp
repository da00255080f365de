// Pieces of HTML and SVG as text. What comes from outside goes through escaped(), without exception.
#pragma once

#include <initializer_list>
#include <string>
#include <string_view>
#include <vector>

namespace cw {

// Fit for the text of an element and for a quoted attribute of HTML and SVG: & < > " ' as references, control characters
// as "\xNN" (line feeds and tabs stay), and what is not UTF-8 as U+FFFD.
std::string escaped(std::string_view text);

// A number for SVG: at most one decimal, none where it is 0. 0 for what is not finite.
std::string coordinate(double value);

// "<tr><td>..</td>..</tr>"; the cells are HTML already. `header`: th with scope="col".
std::string table_row(const std::vector<std::string>& cells, bool header = false);
// A row of a table of names and values: "<tr><th scope=row>..". Both are escaped here.
std::string value_row(std::string_view name, std::string_view value);

}  // namespace cw
