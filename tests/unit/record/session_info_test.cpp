#include "record/session_info.hpp"

#include <gtest/gtest.h>

#include "tests/unit/record/scratch_folder.hpp"

namespace cw {
namespace {

SessionInfo trial_info() {
  SessionInfo info;
  info.program = "crankwitness 1.2.3";
  info.made_by = "replay";
  info.id = 0xFEDCBA9876543210ULL;
  info.engine_file_name = "odd \"name\".toml";
  info.engine_file_text = "# \"\"\" quotes, a \\ backslash,\ttab\r\nand \x01 control\n\nlast line without end";
  std::string every_byte = "\"\"\"";
  for (int byte = 0; byte < 256; ++byte) {
    every_byte += static_cast<char>(byte);
  }
  info.signal_maps = {{"maps/a.toml", "name = \"Zündung\"\n", "a.dbc", every_byte}, {"b.toml", "\n# \\", "", ""}};
  info.anchor = WallAnchor{-12, 1'772'366'400'123'456'789};
  info.sources = {{0, "csv", "/run/a b.fifo", {{"crank", "D0"}, {"cam 1", "D\"1"}}}, {1, "csv", "-", {}}};
  info.made_from = {{"x.csv", 12, "abc"}};
  info.engine_replaced = true;
  return info;
}

TEST(SessionInfo, comes_back_from_its_text_as_it_was) {
  const SessionInfo info = trial_info();
  const auto parsed = parse_session_toml(session_toml(info), "session.toml");
  ASSERT_TRUE(std::holds_alternative<SessionInfo>(parsed)) << std::get<std::string>(parsed);
  const auto& back = std::get<SessionInfo>(parsed);
  EXPECT_EQ(back.program, info.program);
  EXPECT_EQ(back.made_by, info.made_by);
  EXPECT_EQ(back.id, info.id);
  EXPECT_EQ(back.engine_file_name, info.engine_file_name);
  EXPECT_EQ(back.engine_file_text, info.engine_file_text);
  EXPECT_EQ(back.signal_maps, info.signal_maps);
  ASSERT_TRUE(back.anchor);
  EXPECT_EQ(back.anchor->host_ns, -12);
  EXPECT_EQ(back.anchor->wall_ns, info.anchor->wall_ns);
  ASSERT_EQ(back.sources.size(), 2U);
  EXPECT_EQ(back.sources[0].address, info.sources[0].address);
  EXPECT_EQ(back.sources[1].number, 1);
  ASSERT_EQ(back.sources[0].channels.size(), 2U);
  ASSERT_EQ(back.made_from.size(), 1U);
  EXPECT_EQ(back.made_from[0].bytes, 12U);
  EXPECT_TRUE(back.engine_replaced);
}

TEST(SessionInfo, with_a_signal_map_that_can_be_none_is_one_error_line) {
  const auto error = [](const std::string& maps) {
    return std::get<std::string>(
        parse_session_toml("format = 1\nengine_file = { text = 'x' }\nsignal_map = " + maps + "\n", "F"));
  };
  EXPECT_EQ(error("[{ name = 'a' }]"), "F: signal_map: expected the key text");
  EXPECT_EQ(error("[4]"), "F: signal_map: expected the key text");
  EXPECT_EQ(error("[{ text = 'a', dbc_bytes = '€' }]"),
            "F: signal_map: expected dbc_bytes of the letters U+0000 to U+00FF, one a byte");
}

TEST(SessionInfo, text_that_is_no_session_is_one_error_line) {
  const auto error = [](const char* text) { return std::get<std::string>(parse_session_toml(text, "s/session.toml")); };
  EXPECT_EQ(error("format = 9\n"), "s/session.toml: format: expected 1, found 9");
  EXPECT_EQ(error(""), "s/session.toml: format: expected 1, found none");
  EXPECT_EQ(error("format = 1\n"), "s/session.toml: engine_file: expected the key text");
  EXPECT_EQ(error("format = \n").rfind("s/session.toml:1: expected TOML", 0), 0U);
  EXPECT_EQ(error("format = 1\nengine_file = { text = 'x' }\nanchor = [{ host_ns = 1 }]\n"),
            "s/session.toml: anchor: expected host_ns and wall_time (RFC 3339, UTC)");
}

// Found by fuzzing.
TEST(SessionInfo, an_error_of_the_toml_parser_stays_on_one_line) {
  const auto parsed = parse_session_toml("format = 1\nseed = t\n28", "F");
  EXPECT_EQ(std::get<std::string>(parsed).find('\n'), std::string::npos);
}

// Found by fuzzing: it was read as 2^64 - 12, which the next reader of what was made from it refused.
// Found by fuzzing: no whole number can hold it.
TEST(SessionInfo, a_number_with_an_exponent_where_a_whole_one_belongs_is_one_error_line) {
  const auto read = parse_session_toml("format = 1e43\n", "session.toml");
  ASSERT_TRUE(std::holds_alternative<std::string>(read));
  EXPECT_NE(std::get<std::string>(read).find("format: expected"), std::string::npos);
}

TEST(SessionInfo, a_negative_size_of_a_file_is_refused) {
  const auto parsed = parse_session_toml(
      "format = 1\nengine_file = { text = 'x' }\n[[made_from]]\npath = \"edges.csv\"\nbytes = -12\n", "F");
  ASSERT_TRUE(std::holds_alternative<std::string>(parsed));
  EXPECT_EQ(std::get<std::string>(parsed), "F: made_from: expected bytes from 0, found -12");
}

// Found while fuzzing: toml++ frees the tables of a.a.a... by recursion, and the stack ended.
TEST(SessionInfo, a_chain_of_two_million_keys_is_refused) {
  std::string text = "format = 1\na";
  for (int i = 0; i < 2'000'000; ++i) {
    text += ".a";
  }
  const auto parsed = parse_session_toml(text + " = 1\n", "F");
  ASSERT_TRUE(std::holds_alternative<std::string>(parsed));
  EXPECT_EQ(std::get<std::string>(parsed), "F:2: expected keys of at most 9 dotted parts, found more");
}

// FIPS 180-4 example, as NIST publishes it: SHA-256 of "abc".
TEST(SessionInfo, hash_of_a_file_is_sha_256) {
  const test::ScratchFolder folder;
  test::write_text(folder / "abc", "abc");
  const auto hashed = hash_file(folder / "abc");
  ASSERT_TRUE(std::holds_alternative<MadeFrom>(hashed));
  EXPECT_EQ(std::get<MadeFrom>(hashed).sha256, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  EXPECT_EQ(std::get<MadeFrom>(hashed).bytes, 3U);
  EXPECT_TRUE(std::holds_alternative<std::string>(hash_file(folder / "none")));
}

}  // namespace
}  // namespace cw
