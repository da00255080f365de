#include "record/wall_time.hpp"

#include <chrono>

namespace cw {

namespace {

constexpr std::int64_t second_ns = 1'000'000'000;
constexpr std::int64_t day_s = 86'400;

void append_padded(std::string& out, std::int64_t value, std::size_t digits) {
  const std::string number = std::to_string(value);
  out.append(number.size() < digits ? digits - number.size() : 0, '0');
  out += number;
}

std::optional<std::int64_t> take_number(std::string_view text, std::size_t at, std::size_t digits) {
  std::int64_t value = 0;
  for (std::size_t i = at; i < at + digits; ++i) {
    if (i >= text.size() || text[i] < '0' || text[i] > '9') {
      return std::nullopt;
    }
    value = value * 10 + (text[i] - '0');
  }
  return value;
}

}  // namespace

std::int64_t wall_now_ns() {
  return std::chrono::duration_cast<std::chrono::nanoseconds>(std::chrono::system_clock::now().time_since_epoch())
      .count();
}

std::string rfc3339(std::int64_t wall_ns, int decimals) {
  std::int64_t seconds = wall_ns / second_ns;
  std::int64_t nanoseconds = wall_ns % second_ns;
  if (nanoseconds < 0) {
    nanoseconds += second_ns;
    --seconds;
  }
  std::int64_t day = seconds / day_s;
  std::int64_t of_day = seconds % day_s;
  if (of_day < 0) {
    of_day += day_s;
    --day;
  }
  const std::chrono::year_month_day date{std::chrono::sys_days{std::chrono::days{day}}};
  std::string out;
  append_padded(out, static_cast<int>(date.year()), 4);
  out += '-';
  append_padded(out, static_cast<unsigned>(date.month()), 2);
  out += '-';
  append_padded(out, static_cast<unsigned>(date.day()), 2);
  out += 'T';
  append_padded(out, of_day / 3600, 2);
  out += ':';
  append_padded(out, of_day / 60 % 60, 2);
  out += ':';
  append_padded(out, of_day % 60, 2);
  if (decimals > 0) {
    std::string fraction;
    append_padded(fraction, nanoseconds, 9);
    out += '.' + fraction.substr(0, static_cast<std::size_t>(decimals));
  }
  return out + 'Z';
}

std::optional<std::int64_t> parse_rfc3339(std::string_view text) {
  constexpr std::size_t seconds_end = 19;  // "2026-03-01T12:00:00"
  const auto year = take_number(text, 0, 4);
  const auto month = take_number(text, 5, 2);
  const auto day = take_number(text, 8, 2);
  const auto hour = take_number(text, 11, 2);
  const auto minute = take_number(text, 14, 2);
  const auto second = take_number(text, 17, 2);
  if (!year || !month || !day || !hour || !minute || !second || text.size() <= seconds_end || text[4] != '-' ||
      text[7] != '-' || text[10] != 'T' || text[13] != ':' || text[16] != ':' || text.back() != 'Z') {
    return std::nullopt;
  }
  std::int64_t fraction_ns = 0;
  if (text[seconds_end] == '.') {
    const std::size_t digits = text.size() - seconds_end - 2;
    const auto fraction = digits >= 1 && digits <= 9 ? take_number(text, seconds_end + 1, digits) : std::nullopt;
    if (!fraction) {
      return std::nullopt;
    }
    fraction_ns = *fraction;
    for (std::size_t i = digits; i < 9; ++i) {
      fraction_ns *= 10;
    }
  } else if (text.size() != seconds_end + 1) {
    return std::nullopt;
  }
  const std::chrono::year_month_day date{std::chrono::year{static_cast<int>(*year)},
                                         std::chrono::month{static_cast<unsigned>(*month)},
                                         std::chrono::day{static_cast<unsigned>(*day)}};
  // int64 nanoseconds reach from 1677 to 2262.
  if (!date.ok() || *year < 1678 || *year > 2261 || *hour > 23 || *minute > 59 || *second > 59) {
    return std::nullopt;
  }
  const std::int64_t days = std::chrono::sys_days{date}.time_since_epoch().count();
  return (days * day_s + *hour * 3600 + *minute * 60 + *second) * second_ns + fraction_ns;
}

std::optional<std::int64_t> wall_ns_at(const WallAnchor& anchor, std::int64_t host_ns) {
  std::int64_t since = 0;
  std::int64_t wall_ns = 0;
  if (__builtin_sub_overflow(host_ns, anchor.host_ns, &since) ||
      __builtin_add_overflow(anchor.wall_ns, since, &wall_ns)) {
    return std::nullopt;
  }
  return wall_ns;
}

}  // namespace cw
