// session.toml: what is needed to understand and to replay a session (SESSION_FORMAT.md).
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <variant>
#include <vector>

#include "record/wall_time.hpp"

namespace cw {

inline constexpr int session_format = 1;
inline constexpr std::size_t session_toml_bytes_max =
    std::size_t{128} * 1024 * 1024;  // a DBC of 16 MiB, escaped, is at most six times that

struct SourceInfo {
  int number = 0;
  std::string driver;
  std::string address;
  std::vector<std::pair<std::string, std::string>> channels;  // (name in the engine file, device's own name)
  std::int64_t shift_ns = 0;  // replay of several raw files: added to its times to give host time
};

// A file that a replay or a recovery was made from.
struct MadeFrom {
  std::string path;
  std::uint64_t bytes = 0;
  std::string sha256;
};

// A signal map of the engine file, and the DBC file that it names, as whole files.
struct MapText {
  std::string name;  // as [[can]] has it
  std::string text;
  std::string dbc_name;  // as the map has it; empty: it names none
  std::string dbc_text;  // any bytes: DBC files are seldom UTF-8

  friend bool operator==(const MapText&, const MapText&) = default;
};

struct SessionInfo {
  std::string program;          // "crankwitness 0.1.0"
  std::string made_by = "run";  // "run" | "replay" | "recover"
  std::uint64_t id = 0;         // of the capture blocks
  std::string engine_file_name;
  std::string engine_file_text;      // empty: not known (recovered from a capture alone)
  std::vector<MapText> signal_maps;  // in the order of [[can]]
  std::string baseline_name;         // of the file that the engine file names; empty: it names none
  std::string baseline_text;         // its whole text
  std::optional<WallAnchor> anchor;
  std::vector<SourceInfo> sources;
  std::vector<MadeFrom> made_from;
  bool engine_replaced = false;
};

std::string session_toml(const SessionInfo& info);

// The other way; an error line that begins with `file_name` when the text is not what session_toml writes.
std::variant<SessionInfo, std::string> parse_session_toml(std::string_view text, const std::string& file_name);

// Of the session.toml in a session folder; an error line with its path when it can't be read.
std::variant<SessionInfo, std::string> read_session_info(const std::string& folder);

// Lower-case hexadecimal SHA-256 (FIPS 180-4) and size of a file, or an error line.
std::variant<MadeFrom, std::string> hash_file(const std::string& path);

}  // namespace cw
