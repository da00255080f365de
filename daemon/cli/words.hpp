// Paragraphs as the program prints them for people.
#pragma once

#include <cstddef>
#include <string>

namespace cw {

inline constexpr std::size_t text_width = 100;

// `text` broken into lines that fit, each after the first indented.
void append_wrapped(std::string& out, const std::string& first, const std::string& indent, const std::string& text);

// A paragraph with its label in the margin; nothing when `text` is empty.
void append_labelled(std::string& out, std::string label, const std::string& text);

}  // namespace cw
