#include "drivers/nmea.hpp"

#include <algorithm>
#include <charconv>
#include <functional>
#include <numeric>

namespace cw {

std::uint8_t nmea_checksum(std::string_view body) {
  return std::accumulate(body.begin(), body.end(), std::uint8_t{0}, [](std::uint8_t sum, char letter) {
    return static_cast<std::uint8_t>(sum ^ static_cast<unsigned char>(letter));
  });
}

std::optional<std::string_view> nmea_body(std::string_view line) {
  constexpr std::size_t tail_size = 3;  // *hh
  if (!line.empty() && line.back() == '\r') {
    line.remove_suffix(1);
  }
  const std::size_t begin = line.rfind('$');
  if (begin == std::string_view::npos || line.size() - begin < 1 + tail_size) {
    return std::nullopt;
  }
  const std::string_view body = line.substr(begin + 1, line.size() - begin - 1 - tail_size);
  const std::string_view tail = line.substr(line.size() - tail_size);
  unsigned checksum = 0;
  const auto [end, problem] = std::from_chars(tail.data() + 1, tail.data() + tail.size(), checksum, 16);
  const bool printable = std::all_of(body.begin(), body.end(), [](char c) { return c >= ' ' && c <= '~' && c != '*'; });
  if (tail.front() != '*' || problem != std::errc() || end != tail.data() + tail.size() || !printable ||
      checksum != nmea_checksum(body)) {
    return std::nullopt;
  }
  return body;
}

}  // namespace cw
