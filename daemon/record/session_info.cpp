#include "record/session_info.hpp"

#include <fcntl.h>
#include <openssl/evp.h>
#include <toml++/toml.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <charconv>
#include <memory>

#include "record/capture_block.hpp"
#include "record/crc32c.hpp"
#include "record/disk_file.hpp"
#include "text/one_line.hpp"
#include "text/toml_shape.hpp"

namespace cw {

namespace {

constexpr std::string_view hex_digits = "0123456789abcdef";

enum class Letters : std::uint8_t { utf8, bytes };  // of bytes, one from 0x80 up becomes U+0080 to U+00FF

void append_escaped(std::string& out, std::string_view text, bool keep_lines, Letters letters = Letters::utf8) {
  const unsigned plain_max = letters == Letters::bytes ? 0x7E : 0xFF;
  for (const char letter : text) {
    const auto byte = static_cast<unsigned char>(letter);
    if (letter == '"' || letter == '\\') {
      out += '\\';
      out += letter;
    } else if ((letter == '\n' && keep_lines) || (byte >= 0x20 && byte != 0x7F && byte <= plain_max)) {
      out += letter;
    } else {
      out += "\\u00";
      out += hex_digits[byte >> 4U];
      out += hex_digits[byte & 0xFU];
    }
  }
}

std::string toml_string(std::string_view text) {
  std::string out = "\"";
  append_escaped(out, text, false);
  return out + "\"";
}

// Over several lines, so that a person can read the engine file in place.
std::string toml_text(std::string_view text, Letters letters = Letters::utf8) {
  std::string out = "\"\"\"\n";  // this first line end is not part of the value
  append_escaped(out, text, true, letters);
  return out + "\"\"\"";
}

std::string hex_number(std::uint64_t number, std::size_t digits) {
  std::string out(digits, '0');
  for (std::size_t i = digits; i > 0; --i, number >>= 4U) {
    out[i - 1] = hex_digits[number & 0xFU];
  }
  return out;
}

void append_sources(std::string& out, const SessionInfo& info) {
  for (const SourceInfo& source : info.sources) {
    out += "\n[[source]]\nnumber = " + std::to_string(source.number) + "\ndriver = " + toml_string(source.driver) +
           "\naddress = " + toml_string(source.address) + "\n";
    if (source.shift_ns != 0) {
      out += "shift_ns = " + std::to_string(source.shift_ns) + "\n";
    }
    if (!source.channels.empty()) {
      out += "channels = {";
      for (std::size_t i = 0; i < source.channels.size(); ++i) {
        const auto& [ours, theirs] = source.channels[i];
        out += (i > 0 ? ", " : " ") + toml_string(ours) + " = " + toml_string(theirs);
      }
      out += " }\n";
    }
  }
}

void append_signal_maps(std::string& out, const SessionInfo& info) {
  for (const MapText& map : info.signal_maps) {
    out += "\n[[signal_map]]\nname = " + toml_string(map.name) + "\ntext = " + toml_text(map.text) + "\n";
    if (!map.dbc_name.empty()) {
      out +=
          "dbc_name = " + toml_string(map.dbc_name) + "\ndbc_bytes = " + toml_text(map.dbc_text, Letters::bytes) + "\n";
    }
  }
}

// Back from the letters U+0000 to U+00FF, as UTF-8, to the bytes that they stand for; nothing when another is among them.
std::optional<std::string> bytes_of_letters(std::string_view text) {
  std::string out;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const auto byte = static_cast<unsigned char>(text[i]);
    if (byte < 0x80) {
      out += text[i];
    } else if ((byte == 0xC2 || byte == 0xC3) && i + 1 < text.size()) {
      out += static_cast<char>((byte & 3U) << 6U | (static_cast<unsigned char>(text[++i]) & 0x3FU));
    } else {
      return std::nullopt;
    }
  }
  return out;
}

constexpr std::string_view checksum_start = "# crc32c of all above: ";

// The last line of session.toml. It is a comment: a cut that takes only it away has taken nothing of the content.
std::string checksum_line(std::string_view text) {
  return std::string(checksum_start) + hex_number(crc32c(std::as_bytes(std::span(text))), 8) + "\n";
}

// Nothing when there is no whole checksum line at the end of `text`.
std::optional<bool> checksum_fits(std::string_view text) {
  const std::size_t at = text.rfind(checksum_start);
  constexpr std::size_t length = checksum_start.size() + 8 + 1;
  if (at == std::string_view::npos || text.size() != at + length) {
    return std::nullopt;
  }
  return text.substr(at) == checksum_line(text.substr(0, at));
}

std::string text_at(const toml::table& table, std::string_view key) {
  return table[key].value_or(std::string());
}

void read_sources(const toml::table& root, SessionInfo& info) {
  const toml::array* sources = root["source"].as_array();
  for (std::size_t i = 0; sources != nullptr && i < sources->size(); ++i) {
    const toml::table* table = (*sources)[i].as_table();
    if (table == nullptr) {
      continue;
    }
    SourceInfo source;
    source.number = (*table)["number"].is_integer() ? (*table)["number"].value_or(0) : 0;
    source.driver = text_at(*table, "driver");
    source.address = text_at(*table, "address");
    source.shift_ns = (*table)["shift_ns"].value_exact<std::int64_t>().value_or(0);
    if (const toml::table* channels = (*table)["channels"].as_table()) {
      for (const auto& [ours, theirs] : *channels) {
        source.channels.emplace_back(std::string(ours.str()), theirs.value_or(std::string()));
      }
    }
    info.sources.push_back(std::move(source));
  }
}

std::optional<std::string> read_signal_maps(const toml::table& root, SessionInfo& info) {
  const toml::array* maps = root["signal_map"].as_array();
  for (std::size_t i = 0; maps != nullptr && i < maps->size(); ++i) {
    const toml::table* table = (*maps)[i].as_table();
    const auto text = table != nullptr ? (*table)["text"].value<std::string>() : std::nullopt;
    if (!text) {
      return "signal_map: expected the key text";
    }
    auto dbc = bytes_of_letters(text_at(*table, "dbc_bytes"));
    if (!dbc) {
      return "signal_map: expected dbc_bytes of the letters U+0000 to U+00FF, one a byte";
    }
    info.signal_maps.push_back({text_at(*table, "name"), *text, text_at(*table, "dbc_name"), std::move(*dbc)});
  }
  return std::nullopt;
}

std::optional<std::string> read_anchor(const toml::table& root, SessionInfo& info) {
  const toml::array* anchors = root["anchor"].as_array();
  if (anchors == nullptr || anchors->empty()) {
    return std::nullopt;
  }
  const toml::table* table = (*anchors)[0].as_table();
  const auto host_ns = table != nullptr ? (*table)["host_ns"].value_exact<std::int64_t>() : std::nullopt;
  const auto wall_ns = table != nullptr ? parse_rfc3339(text_at(*table, "wall_time")) : std::nullopt;
  if (!host_ns || !wall_ns) {
    return "anchor: expected host_ns and wall_time (RFC 3339, UTC)";
  }
  info.anchor = WallAnchor{*host_ns, *wall_ns};
  return std::nullopt;
}

std::optional<std::string> read_head(const toml::table& root, bool may_lack_engine, SessionInfo& info) {
  const auto format = root["format"].value_exact<std::int64_t>();
  if (!format || *format > session_format) {
    return "format: expected " + std::to_string(session_format) + ", found " +
           (format ? std::to_string(*format) : std::string("none"));
  }
  info.program = text_at(root, "program");
  info.made_by = text_at(root, "made_by");
  const std::string id = text_at(root, "id");
  std::from_chars(id.data(), id.data() + id.size(), info.id, 16);
  const auto text = root["engine_file"]["text"].value<std::string>();
  if (text.value_or(std::string()).empty() && !may_lack_engine) {
    return "engine_file: expected the key text";  // an empty one is what a cut in the quotes before it leaves
  }
  info.engine_file_text = text.value_or(std::string());
  info.engine_file_name = root["engine_file"]["name"].value_or(std::string());
  info.baseline_name = root["baseline"]["name"].value_or(std::string());
  info.baseline_text = root["baseline"]["text"].value_or(std::string());
  info.engine_replaced = root["settings"]["engine_replaced"].value_or(false);
  return read_anchor(root, info);
}

std::optional<std::string> read_made_from(const toml::table& root, SessionInfo& info) {
  const toml::array* files = root["made_from"].as_array();
  for (std::size_t i = 0; files != nullptr && i < files->size(); ++i) {
    if (const toml::table* table = (*files)[i].as_table()) {
      const std::int64_t bytes = (*table)["bytes"].value_exact<std::int64_t>().value_or(0);
      if (bytes < 0) {
        return "made_from: expected bytes from 0, found " + std::to_string(bytes);
      }
      info.made_from.push_back({text_at(*table, "path"), static_cast<std::uint64_t>(bytes), text_at(*table, "sha256")});
    }
  }
  return std::nullopt;
}

}  // namespace

std::string session_toml(const SessionInfo& info) {
  std::string out = "# Written by crankwitness when the session began. SESSION_FORMAT.md says what each key means.\n";
  out += "format = " + std::to_string(session_format) + "\n";
  out += "capture_format = " + std::to_string(capture_version) + "\n";
  out += "program = " + toml_string(info.program) + "\n";
  out += "made_by = " + toml_string(info.made_by) + "\n";
  out += "id = " + toml_string(hex_number(info.id, 16)) + "\n";
  out += "\n[settings]\nengine_replaced = " + std::string(info.engine_replaced ? "true" : "false") + "\n";
  if (info.anchor) {
    out += "\n[[anchor]]\nhost_ns = " + std::to_string(info.anchor->host_ns) +
           "\nwall_time = " + toml_string(rfc3339(info.anchor->wall_ns, 9)) + "\n";
  }
  append_sources(out, info);
  for (const MadeFrom& file : info.made_from) {
    out += "\n[[made_from]]\npath = " + toml_string(file.path) + "\nbytes = " + std::to_string(file.bytes) +
           "\nsha256 = " + toml_string(file.sha256) + "\n";
  }
  // Maps and baseline before the engine file: a cut that leaves that leaves them too.
  append_signal_maps(out, info);
  if (!info.baseline_text.empty()) {
    out +=
        "\n[baseline]\nname = " + toml_string(info.baseline_name) + "\ntext = " + toml_text(info.baseline_text) + "\n";
  }
  if (!info.engine_file_text.empty()) {
    out += "\n[engine_file]\nname = " + toml_string(info.engine_file_name) +
           "\ntext = " + toml_text(info.engine_file_text) + "\n";
  }
  return out + checksum_line(out);
}

std::variant<SessionInfo, std::string> parse_session_toml(std::string_view text, const std::string& file_name) {
  const auto checked = checksum_fits(text);
  if (checked == false) {
    return file_name + ": expected the text that was written, found it damaged or changed (its checksum does not fit)";
  }
  if (const auto problem = toml_shape_problem(text, session_toml_bytes_max)) {
    return file_name + ":" + std::to_string(problem->line) + ": expected " + problem->expected + ", found " +
           problem->found;
  }
  try {
    const toml::table root = toml::parse(text, file_name);
    SessionInfo info;
    if (auto problem = read_head(root, checked.has_value(), info)) {
      return file_name + ": " + *problem;
    }
    read_sources(root, info);
    for (const auto& read : {read_made_from, read_signal_maps}) {
      if (auto problem = read(root, info)) {
        return file_name + ": " + *problem;
      }
    }
    return info;
  } catch (const toml::parse_error& error) {
    return file_name + ":" + std::to_string(error.source().begin.line) +
           ": expected TOML, found: " + one_line(error.description());
  }
}

std::variant<MadeFrom, std::string> hash_file(const std::string& path) {
  const int descriptor = ::open(path.c_str(), O_RDONLY | O_CLOEXEC);
  if (descriptor < 0) {
    return disk_problem(path, "cannot open", errno);
  }
  const std::unique_ptr<EVP_MD_CTX, void (*)(EVP_MD_CTX*)> context(EVP_MD_CTX_new(), EVP_MD_CTX_free);
  bool sound = context && EVP_DigestInit_ex(context.get(), EVP_sha256(), nullptr) == 1;
  MadeFrom made_from;
  made_from.path = path;
  std::vector<char> bytes(1024 * 1024);
  ssize_t got = 0;
  while (sound && (got = ::read(descriptor, bytes.data(), bytes.size())) != 0) {
    if (got < 0 && errno == EINTR) {
      continue;
    }
    if (got < 0) {
      const int cause = errno;
      ::close(descriptor);
      return disk_problem(path, "cannot read", cause);
    }
    made_from.bytes += static_cast<std::uint64_t>(got);
    sound = EVP_DigestUpdate(context.get(), bytes.data(), static_cast<std::size_t>(got)) == 1;
  }
  ::close(descriptor);
  std::array<unsigned char, EVP_MAX_MD_SIZE> digest{};
  unsigned size = 0;
  sound = sound && EVP_DigestFinal_ex(context.get(), digest.data(), &size) == 1;
  if (!sound) {
    return path + ": cannot compute its SHA-256";
  }
  for (unsigned i = 0; i < size; ++i) {
    made_from.sha256 += hex_digits[digest[i] >> 4U];
    made_from.sha256 += hex_digits[digest[i] & 0xFU];
  }
  return made_from;
}

std::variant<SessionInfo, std::string> read_session_info(const std::string& folder) {
  const std::string path = folder + "/session.toml";
  std::string text;
  if (Problem problem = read_file(path, session_toml_bytes_max, text)) {
    return std::move(*problem);
  }
  return parse_session_toml(text, path);
}

}  // namespace cw
