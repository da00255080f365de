// Sentences of the form of NMEA 0183: `$` body `*` and the exclusive or of the body's bytes as two hexadecimal digits.
#pragma once

#include <cstdint>
#include <optional>
#include <string_view>

namespace cw {

// The exclusive or of all bytes.
std::uint8_t nmea_checksum(std::string_view body);

// The body of the sentence that `line` (without its LF; a CR at the end is passed over) ends with; what stands before
// its `$` is not looked at. nullopt when there is none, when the checksum is wrong, or when the body holds anything
// but printable ASCII.
std::optional<std::string_view> nmea_body(std::string_view line);

}  // namespace cw
