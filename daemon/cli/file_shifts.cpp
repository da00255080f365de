#include "cli/file_shifts.hpp"

#include <algorithm>
#include <boost/algorithm/string/join.hpp>
#include <charconv>
#include <filesystem>
#include <optional>
#include <string_view>

namespace cw {

namespace {

constexpr std::size_t decimals_max = 9;
constexpr std::int64_t ns_per_s = 1'000'000'000;
constexpr std::int64_t seconds_max = 4'000'000'000;  // some 126 years; twice that is within 64 bits

// "-12.5" to -12500000000; exact, which a double is not for the seconds since 1970.
std::optional<std::int64_t> ns_of_seconds(std::string_view text) {
  const bool negative = text.starts_with('-');
  text.remove_prefix(negative || text.starts_with('+') ? 1 : 0);
  const std::size_t point = std::min(text.find('.'), text.size());
  std::string digits(text.substr(0, point));
  const std::string_view decimals = point < text.size() ? text.substr(point + 1) : std::string_view();
  if (digits.empty() || decimals.size() > decimals_max || (point < text.size() && decimals.empty())) {
    return std::nullopt;
  }
  digits += decimals;
  digits.append(decimals_max - decimals.size(), '0');
  std::uint64_t ns = 0;
  const auto [end, problem] = std::from_chars(digits.data(), digits.data() + digits.size(), ns);
  if (problem != std::errc() || end != digits.data() + digits.size() || ns > std::uint64_t{seconds_max} * ns_per_s) {
    return std::nullopt;
  }
  return negative ? -static_cast<std::int64_t>(ns) : static_cast<std::int64_t>(ns);
}

// The file that `name` means; nothing when it is none, or not one alone.
std::optional<std::size_t> file_named(const std::vector<std::string>& files, std::string_view name) {
  const auto whole = std::find(files.begin(), files.end(), name);
  if (whole != files.end()) {
    return static_cast<std::size_t>(whole - files.begin());
  }
  std::optional<std::size_t> found;
  for (std::size_t i = 0; i < files.size(); ++i) {
    if (std::filesystem::path(files[i]).filename() == name) {
      if (found) {
        return std::nullopt;
      }
      found = i;
    }
  }
  return found;
}

}  // namespace

std::variant<std::vector<std::int64_t>, std::string> file_shifts(const std::vector<std::string>& files,
                                                                 const std::vector<std::string>& shifts,
                                                                 bool same_clock) {
  const std::string given = boost::algorithm::join(files, ", ");
  if (files.size() < 2 && (same_clock || !shifts.empty())) {
    return std::string(same_clock ? "--same-clock" : "--shift") + ": expected several files, found one";
  }
  if (same_clock && !shifts.empty()) {
    return std::string("--same-clock: expected this or --shift, found both");
  }
  if (files.size() > 1 && !same_clock && shifts.empty()) {
    return given +
           ": expected --same-clock when one clock stamped these files, or --shift NAME=SECONDS to say how much is to "
           "be added to the times of one";
  }
  std::vector<std::optional<std::int64_t>> found(files.size());
  for (const std::string& shift : shifts) {
    const std::size_t equals = std::min(shift.rfind('='), shift.size());
    const auto ns = equals < shift.size() ? ns_of_seconds(std::string_view(shift).substr(equals + 1)) : std::nullopt;
    if (!ns) {
      return "--shift: expected NAME=SECONDS, such as can.log=-12.5 (at most 9 decimals), found \"" + shift + "\"";
    }
    const auto file = file_named(files, std::string_view(shift).substr(0, equals));
    if (!file) {
      return "--shift: expected one of the files (" + given + "), found \"" + shift.substr(0, equals) + "\"";
    }
    if (found[*file]) {
      return "--shift: expected each file once, found " + files[*file] + " again";
    }
    found[*file] = ns;
  }
  std::vector<std::int64_t> all;
  all.reserve(found.size());
  for (const auto& shift : found) {
    all.push_back(shift.value_or(0));
  }
  return all;
}

}  // namespace cw
