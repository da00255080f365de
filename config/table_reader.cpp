#include "config/table_reader.hpp"

#include <array>
#include <charconv>
#include <cmath>
#include <cstdint>
#include <utility>

#include "text/one_line.hpp"

namespace cw {

namespace {

constexpr std::size_t printable_bytes_max = 60;

std::string count_text(std::size_t min_count, std::size_t max_count) {
  if (min_count == max_count) {
    return std::to_string(min_count);
  }
  return std::to_string(min_count) + " to " + std::to_string(max_count);
}

std::string whole_text(int min, int max) {
  return "from " + std::to_string(min) + " to " + std::to_string(max);
}

std::optional<double> number_at(const toml::node& node) {
  if (!node.is_number()) {
    return std::nullopt;
  }
  return node.value<double>();
}

std::optional<int> whole_at(const toml::node& node, int min, int max) {
  const std::optional<std::int64_t> value = node.value_exact<std::int64_t>();
  if (!value || *value < min || *value > max) {
    return std::nullopt;
  }
  return static_cast<int>(*value);
}

}  // namespace

Complaints::Complaints(std::string_view file_name) : file_name_(one_line(file_name)) {}

void Complaints::add(int line, std::string_view key, std::string_view expected, std::string_view found) {
  if (first_.empty()) {
    first_ = file_name_ + ":" + std::to_string(line) + ": " + one_line(key) + ": expected " + one_line(expected) +
             ", found " + one_line(found);
  }
}

std::string printable(std::string_view text) {
  if (text.size() <= printable_bytes_max) {
    return one_line(text);
  }
  std::size_t end = printable_bytes_max;
  // Never cut inside a UTF-8 sequence: step back over continuation bytes (10xxxxxx).
  while (end > 0 && (static_cast<unsigned char>(text[end]) & 0xc0) == 0x80) {
    --end;
  }
  return one_line(text.substr(0, end)) + "...";
}

std::string printable_name(std::string_view file_name) {
  return one_line(file_name);
}

std::string number_text(double value) {
  std::array<char, 32> buffer{};
  const auto result = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value);
  return std::string(buffer.data(), result.ptr);
}

std::string found_text(const toml::node* node) {
  if (node == nullptr) {
    return "nothing";
  }
  switch (node->type()) {
    case toml::node_type::string:
      return '"' + printable(*node->value_exact<std::string_view>()) + '"';
    case toml::node_type::integer:
      return std::to_string(*node->value_exact<std::int64_t>());
    case toml::node_type::floating_point:
      return number_text(*node->value_exact<double>());
    case toml::node_type::boolean:
      return *node->value_exact<bool>() ? "true" : "false";
    case toml::node_type::array: {
      const std::size_t size = node->as_array()->size();
      return "an array of " + std::to_string(size) + (size == 1 ? " value" : " values");
    }
    case toml::node_type::table:
      return "a table";
    default:
      return "a date or time";
  }
}

int line_of(const toml::node& node) {
  const auto line = static_cast<int>(node.source().begin.line);
  return line > 0 ? line : 1;
}

bool contains(const Range& range, double value) {
  const bool above = range.open_min ? value > range.min : value >= range.min;
  const bool below = range.open_max ? value < range.max : value <= range.max;
  return above && below;  // false for not-a-number
}

std::string range_text(const Range& range) {
  return std::string(range.open_min ? "above " : "from ") + number_text(range.min) +
         (range.open_max ? " to below " : " to ") + number_text(range.max);
}

TableReader::TableReader(const toml::table& table, std::string path, Complaints& complaints)
    : table_(table), path_(std::move(path)), complaints_(complaints) {}

int TableReader::line() const {
  return line_of(table_);
}

int TableReader::line(std::string_view key) const {
  const toml::node* found = node(key);
  return found == nullptr ? line() : line_of(*found);
}

std::string TableReader::full_key(std::string_view key) const {
  return path_.empty() ? std::string(key) : path_ + "." + std::string(key);
}

std::optional<double> TableReader::number(std::string_view key, const Range& range) const {
  const toml::node* found = node(key);
  if (found == nullptr) {
    return std::nullopt;
  }
  const std::optional<double> value = number_at(*found);
  if (!value || !contains(range, *value)) {
    complain(key, "a number " + range_text(range));
    return std::nullopt;
  }
  return value;
}

std::optional<double> TableReader::one_of(std::string_view key, std::span<const double> values,
                                          std::string_view expected) const {
  const toml::node* found = node(key);
  if (found == nullptr) {
    return std::nullopt;
  }
  const std::optional<double> value = number_at(*found);
  for (const double allowed : values) {
    if (value == allowed) {
      return value;
    }
  }
  complain(key, expected);
  return std::nullopt;
}

std::optional<int> TableReader::whole(std::string_view key, int min, int max) const {
  const toml::node* found = node(key);
  if (found == nullptr) {
    return std::nullopt;
  }
  const std::optional<int> value = whole_at(*found, min, max);
  if (!value) {
    complain(key, "a whole number " + whole_text(min, max));
  }
  return value;
}

std::optional<bool> TableReader::flag(std::string_view key) const {
  const toml::node* found = node(key);
  if (found == nullptr) {
    return std::nullopt;
  }
  const std::optional<bool> value = found->value_exact<bool>();
  if (!value) {
    complain(key, "true or false");
  }
  return value;
}

std::optional<std::string> TableReader::text(std::string_view key, std::size_t max_bytes) const {
  const toml::node* found = node(key);
  if (found == nullptr) {
    return std::nullopt;
  }
  const std::optional<std::string_view> value = found->value_exact<std::string_view>();
  if (!value || value->empty() || value->size() > max_bytes) {
    complain(key, "text of 1 to " + std::to_string(max_bytes) + " bytes");
    return std::nullopt;
  }
  for (std::size_t i = 0; i < value->size(); ++i) {
    if (is_control(*value, i)) {
      complain(key, "text without control characters");
      return std::nullopt;
    }
  }
  return std::string(*value);
}

const toml::array* TableReader::array(std::string_view key, std::size_t min_count, std::size_t max_count,
                                      std::string_view what) const {
  const toml::node* found = node(key);
  if (found == nullptr) {
    return nullptr;
  }
  const toml::array* values = found->as_array();
  if (values == nullptr || values->size() < min_count || values->size() > max_count) {
    complain(key, "an array of " + count_text(min_count, max_count) + " " + std::string(what));
    return nullptr;
  }
  return values;
}

std::optional<std::vector<double>> TableReader::numbers(std::string_view key, std::size_t min_count,
                                                        std::size_t max_count, const Range& range) const {
  const toml::array* values = array(key, min_count, max_count, "numbers");
  if (values == nullptr) {
    return std::nullopt;
  }
  std::vector<double> out;
  for (std::size_t i = 0; i < values->size(); ++i) {
    const toml::node& element = *values->get(i);
    const std::optional<double> value = number_at(element);
    if (!value || !contains(range, *value)) {
      complain_at(key, i, "a number " + range_text(range), found_text(&element));
      return std::nullopt;
    }
    out.push_back(*value);
  }
  return out;
}

std::optional<std::vector<int>> TableReader::wholes(std::string_view key, std::size_t min_count, std::size_t max_count,
                                                    int min, int max) const {
  const toml::array* values = array(key, min_count, max_count, "whole numbers");
  if (values == nullptr) {
    return std::nullopt;
  }
  std::vector<int> out;
  for (std::size_t i = 0; i < values->size(); ++i) {
    const toml::node& element = *values->get(i);
    const std::optional<int> value = whole_at(element, min, max);
    if (!value) {
      complain_at(key, i, "a whole number " + whole_text(min, max), found_text(&element));
      return std::nullopt;
    }
    out.push_back(*value);
  }
  return out;
}

void TableReader::complain(std::string_view key, std::string_view expected, std::string_view found) const {
  complaints_.add(line(key), full_key(key), expected, found);
}

void TableReader::complain(std::string_view key, std::string_view expected) const {
  complain(key, expected, found_text(node(key)));
}

void TableReader::complain_at(std::string_view key, std::size_t index, std::string_view expected,
                              std::string_view found) const {
  const toml::array* values = table_.get_as<toml::array>(key);
  const toml::node* element = values == nullptr ? nullptr : values->get(index);
  const int at = element == nullptr ? line(key) : line_of(*element);
  complaints_.add(at, full_key(key) + "[" + std::to_string(index + 1) + "]", expected, found);
}

void TableReader::complain_at_line(int line, std::string_view key, std::string_view expected,
                                   std::string_view found) const {
  complaints_.add(line, full_key(key), expected, found);
}

}  // namespace cw
