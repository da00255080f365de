#include "cli/check_page.hpp"

#include <array>
#include <charconv>
#include <cmath>
#include <ostream>

namespace cw {

namespace {

constexpr std::size_t label_columns = 12;

struct Spelling {
  std::string_view sign;
  std::string_view plain;
};
constexpr std::array ascii_for_signs = {Spelling{"°", " deg"}, Spelling{"µ", "u"}};

}  // namespace

std::size_t columns_of(std::string_view text) {
  std::size_t columns = 0;
  for (const char c : text) {
    columns += (static_cast<unsigned char>(c) & 0xc0) != 0x80 ? 1 : 0;
  }
  return columns;
}

std::string for_locale(std::string_view text, bool utf8) {
  std::string out(text);
  if (utf8) {
    return out;
  }
  for (const auto& [sign, plain] : ascii_for_signs) {
    for (std::size_t at = out.find(sign); at != std::string::npos; at = out.find(sign, at)) {
      out.replace(at, sign.size(), plain);
    }
  }
  return out;
}

std::string plain_number(double value) {
  const double rounded = std::round(value * 100) / 100;
  std::array<char, 64> buffer{};
  // A rounded -0.001 would print as "-0".
  const auto result = std::to_chars(buffer.data(), buffer.data() + buffer.size(), rounded == 0 ? 0.0 : rounded,
                                    std::chars_format::fixed);
  return std::string(buffer.data(), result.ptr);
}

std::string listed(const std::vector<std::string>& words) {
  std::string out;
  for (std::size_t i = 0; i < words.size(); ++i) {
    if (i > 0) {
      out += i + 1 == words.size() ? " and " : ", ";
    }
    out += words[i];
  }
  return out;
}

std::string counted(int count, std::string_view one, std::string_view many) {
  return std::to_string(count) + " " + std::string(count == 1 ? one : many);
}

void Page::paragraph(std::string first, std::string_view text, std::size_t indent) {
  const std::string set = for_locale(text, look_.utf8);
  const auto width = static_cast<std::size_t>(look_.width);
  std::string line = std::move(first);
  line.resize(line.size() + (columns_of(line) < indent ? indent - columns_of(line) : 0), ' ');
  bool empty = true;
  std::size_t at = 0;
  while (at < set.size()) {
    const std::size_t end = std::min(set.find(' ', at), set.size());
    const std::string_view word = std::string_view(set).substr(at, end - at);
    if (!empty && columns_of(line) + 1 + columns_of(word) > width) {
      out_ << line << '\n';
      line.assign(indent, ' ');
      empty = true;
    }
    line += (empty ? "" : " ");
    line += word;
    empty = false;
    at = end + 1;
  }
  out_ << line << '\n';
}

void Page::entry(std::string_view label, std::string_view text) {
  std::string first(label);
  if (columns_of(label) >= label_columns) {
    out_ << label << '\n';
    first.clear();
  }
  paragraph(first, text, label_columns);
}

void Page::point(std::string_view text) {
  paragraph(std::string(label_columns, ' ') + "- ", text, label_columns + 2);
}

void Page::item(std::string_view text) {
  paragraph("- ", text, 2);
}

void Page::heading(std::string_view text) {
  out_ << '\n' << text << '\n';
}

void Page::line(std::string_view text) {
  paragraph("", text, 0);
}

void Page::blank() {
  out_ << '\n';
}

}  // namespace cw
