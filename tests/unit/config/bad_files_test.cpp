// Every bad file gives its one line; no text, however broken, gives a crash or more than one line.
#include "bad_files.hpp"

#include <gtest/gtest.h>

#include <cstddef>
#include <cstdint>
#include <ostream>
#include <random>
#include <set>
#include <string>
#include <variant>

#include "config/engine_file.hpp"
#include "config/engine_keys.hpp"

namespace cw {

void PrintTo(const BadFile& file, std::ostream* out) {
  *out << file.name;
}

namespace {

std::string edited(const std::vector<LineEdit>& edits) {
  std::string out;
  int line = 1;
  std::size_t at = 0;
  const std::string text = sound_file;
  while (at < text.size()) {
    const std::size_t end = text.find('\n', at);
    std::string own = text.substr(at, end - at);
    for (const LineEdit& edit : edits) {
      own = edit.line == line ? edit.text : own;
    }
    out += own + "\n";
    at = end + 1;
    ++line;
  }
  return out;
}

// The error of `text`, or "sound" when there is none.
std::string error_of(std::string_view text) {
  const auto result = parse_engine(text, "bad.toml");
  const auto* error = std::get_if<ConfigError>(&result);
  return error == nullptr ? "sound" : error->message;
}

bool is_one_line(const std::string& text) {
  for (const char c : text) {
    if (static_cast<unsigned char>(c) < 0x20) {
      return false;
    }
  }
  return !text.empty();
}

std::string repeated(std::string_view part, int count) {
  std::string out;
  for (int i = 0; i < count; ++i) {
    out += part;
  }
  return out;
}

class BadFiles : public testing::TestWithParam<BadFile> {};

TEST_P(BadFiles, are_refused_with_one_line_that_says_where_and_what_was_expected) {
  EXPECT_EQ(error_of(edited(GetParam().edits)), GetParam().error);
}

INSTANTIATE_TEST_SUITE_P(EngineFile, BadFiles, testing::ValuesIn(bad_files()),
                         [](const testing::TestParamInfo<BadFile>& info) { return std::string(info.param.name); });

TEST(BadFileTable, starts_from_a_file_that_is_sound) {
  EXPECT_EQ(error_of(sound_file), "sound");
}

TEST(BadFileTable, has_a_bad_value_for_every_key_that_the_file_knows) {
  std::set<std::string> covered;
  for (const BadFile& file : bad_files()) {
    covered.insert(file.key);
  }
  for (const EngineKey& key : engine_keys()) {
    const std::string name = std::string(key.section) + "." + std::string(key.key);
    EXPECT_TRUE(covered.count(name) == 1) << name;
  }
}

TEST(BadFileTable, names_the_key_that_each_error_is_about) {
  for (const BadFile& file : bad_files()) {
    const std::string key = file.key;
    EXPECT_NE(std::string(file.error).find(key.substr(key.find('.') + 1)), std::string::npos) << file.name;
  }
}

TEST(BrokenText, that_is_empty_lacks_its_first_section) {
  EXPECT_EQ(error_of(""), "bad.toml:1: engine: expected a section [engine], found nothing");
}

TEST(BrokenText, with_a_nul_byte_is_called_binary_with_its_line) {
  EXPECT_EQ(error_of(std::string_view("[engine]\ncy\0l = 4", 17)),
            "bad.toml:2: file: expected TOML text, found a NUL byte (is this a binary file?)");
}

TEST(BrokenText, that_is_too_large_is_refused_before_it_is_parsed) {
  EXPECT_EQ(error_of(std::string(2'000'000, '#')), "bad.toml:1: file: expected at most 1048576 bytes, found more");
}

TEST(BrokenText, of_bytes_that_are_not_utf8_is_a_syntax_error) {
  const std::string error = error_of("[engine]\nname = \"\xff\xfe\"\n");
  EXPECT_EQ(error.substr(0, 46), "bad.toml:2: syntax: expected TOML, found an er");
  EXPECT_TRUE(is_one_line(error)) << error;
}

TEST(BrokenText, nested_ever_deeper_is_refused_whatever_nests) {
  for (const std::string& text : {repeated("[", 100'000), "a = " + repeated("[", 100'000),
                                  "a = " + repeated("{ b = ", 100'000), "[" + repeated("a.", 100'000) + "a]",
                                  repeated("a.", 100'000) + "a = 1", "[\"a\"" + repeated(".\"a\"", 100'000) + "]",
                                  repeated("[a]\n[a.b]\n", 1000), "x = \"" + repeated("\\", 100'001)}) {
    const std::string error = error_of(text);
    EXPECT_NE(error, "sound");
    EXPECT_TRUE(is_one_line(error)) << error.substr(0, 200);
    EXPECT_LT(error.size(), 400U);
  }
}

TEST(BrokenText, with_dotted_keys_that_chain_too_far_names_the_line) {
  EXPECT_EQ(error_of("[engine]\n'a'.b.c.d.e.f.g.h.i.j = 1\n"),
            "bad.toml:2: file: expected keys of at most 9 dotted parts, found more");
}

TEST(SoundText, may_hold_any_number_of_dots_in_text_and_comments) {
  EXPECT_EQ(error_of(edited({{2, "name = \"a.b.c.d.e.f.g.h.i.j.k.l\"  # 1.2.3.4.5.6.7.8.9.10.11.12"}})), "sound");
}

TEST(SoundText, may_have_windows_line_ends) {
  std::string text;
  for (const char c : std::string(sound_file)) {
    text += c == '\n' ? "\r\n" : std::string(1, c);
  }
  EXPECT_EQ(error_of(text), "sound");
}

TEST(BrokenText, gets_one_line_wherever_the_file_is_cut_off) {
  const std::string text = sound_file;
  for (std::size_t size = 0; size < text.size(); ++size) {
    EXPECT_TRUE(is_one_line(error_of(std::string_view(text).substr(0, size)))) << size;
  }
}

TEST(BrokenText, gets_one_line_after_any_random_damage) {
  std::mt19937 random(20240817);
  for (int run = 0; run < 3000; ++run) {
    std::string text = sound_file;
    for (int hit = 0; hit < 1 + run % 7; ++hit) {
      text[random() % text.size()] = static_cast<char>(random() % 256);
    }
    EXPECT_TRUE(is_one_line(error_of(text))) << "run " << run;
  }
}

TEST(ErrorLines, escape_control_characters_of_names_and_cut_long_values) {
  const auto result = parse_engine("[engine]\nname = 4\n", "a\nb\x1b[31m.toml");
  EXPECT_EQ(std::get<ConfigError>(result).message,
            "a\\x0ab\\x1b[31m.toml:2: engine.name: expected text of 1 to 100 bytes, found 4");
  const std::string error = error_of(edited({{12, ("offset_basis = \"" + repeated("ä", 300) + "\"").c_str()}}));
  EXPECT_TRUE(error.ends_with("found \"" + repeated("ä", 30) + "...\"")) << error;
}

TEST(FileLoading, says_why_a_file_can_not_be_read) {
  const auto missing = load_engine("/nonexistent/engine.toml");
  EXPECT_EQ(std::get<ConfigError>(missing).message,
            "/nonexistent/engine.toml: expected a readable engine file, found: No such file or directory");
  const auto folder = load_engine("/");
  EXPECT_EQ(std::get<ConfigError>(folder).message, "/: expected an engine file, found a folder");
}

TEST(FileLoading, never_reads_an_endless_file_to_its_end) {
  const auto endless = load_engine("/dev/zero");
  EXPECT_EQ(std::get<ConfigError>(endless).message, "/dev/zero:1: file: expected at most 1048576 bytes, found more");
}

}  // namespace
}  // namespace cw
