// Numbers and paragraphs as the program prints them for people.
#pragma once

#include <cstddef>
#include <string>

namespace cw {

inline constexpr std::size_t text_width = 100;

// With exactly `decimals` digits behind the point; "?" when it is not finite.
std::string fixed(double value, int decimals);
std::string signed_fixed(double value, int decimals);  // with + or -

// `text` broken into lines that fit, each after the first indented.
void append_wrapped(std::string& out, const std::string& first, const std::string& indent, const std::string& text);

// A paragraph with its label in the margin; nothing when `text` is empty.
void append_labelled(std::string& out, std::string label, const std::string& text);

}  // namespace cw
