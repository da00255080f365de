// DBC files: what is read of them. That values come out as with another reader: tests/tools/dbc_against_canmatrix.
#include "config/dbc.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <fstream>
#include <iterator>
#include <string>

namespace cw {
namespace {

Dbc dbc_of(const std::string& text) {
  const auto read = parse_dbc(text, "t.dbc");
  const auto* error = std::get_if<ConfigError>(&read);
  EXPECT_EQ(error, nullptr) << error->message;
  return error == nullptr ? std::get<Dbc>(read) : Dbc{};
}

// The error of `text`, or "sound".
std::string error_of(const std::string& text) {
  const auto read = parse_dbc(text, "t.dbc");
  const auto* error = std::get_if<ConfigError>(&read);
  return error == nullptr ? "sound" : error->message;
}

Dbc dbc_of_file(const std::string& name) {
  std::ifstream file(CRANKWITNESS_SOURCE_DIR "/tests/data/dbc/" + name, std::ios::binary);
  return dbc_of(std::string(std::istreambuf_iterator<char>(file), {}));
}

const DbcSignal& signal_of(const Dbc& dbc, const std::string& name) {
  for (const DbcMessage& message : dbc.messages) {
    const auto found = std::ranges::find(message.signals, name, &DbcSignal::name);
    if (found != message.signals.end()) {
      return *found;
    }
  }
  static const DbcSignal none;
  ADD_FAILURE() << name;
  return none;
}

const std::string one = "BO_ 100 Message: 8 Node\n SG_ Signal : 7|16@0+ (0.5,-10) [0|100] \"rpm\" Vector__XXX\n";

TEST(Dbc, a_message_and_its_signal_are_read) {
  const Dbc dbc = dbc_of(one);
  ASSERT_EQ(dbc.messages.size(), 1U);
  const DbcMessage& message = dbc.messages.front();
  EXPECT_EQ(message.name, "Message");
  EXPECT_EQ(message.id, 100U);
  EXPECT_FALSE(message.extended);
  EXPECT_EQ(message.bytes, 8U);
  EXPECT_EQ(message.line, 1);
  ASSERT_EQ(message.signals.size(), 1U);
  const DbcSignal& signal = message.signals.front();
  EXPECT_EQ(signal.coding.field, (BitField{7, 16, ByteOrder::big}));
  EXPECT_EQ(signal.coding.form, RawForm::unsigned_whole);
  EXPECT_EQ(signal.coding.scale, 0.5);
  EXPECT_EQ(signal.coding.offset, -10);
  EXPECT_EQ(signal.min, 0);
  EXPECT_EQ(signal.max, 100);
  EXPECT_EQ(signal.unit, "rpm");
  EXPECT_EQ(signal.line, 2);
}

// 2364539904 = 8CF00400 hex: bit 31 says 29 bits (test data of the canparse crate).
TEST(Dbc, bit_31_of_a_number_says_29_bits) {
  const Dbc dbc = dbc_of("BO_ 2364539904 EEC1: 8 X\n SG_ EngineSpeed : 24|16@1+ (0.125,0) [0|8031.875] \"rpm\" X\n");
  EXPECT_EQ(dbc.messages.front().id, 0x0cf00400U);
  EXPECT_TRUE(dbc.messages.front().extended);
}

TEST(Dbc, a_file_with_every_statement_of_the_format_is_read) {
  const Dbc dbc = dbc_of_file("features.dbc");
  EXPECT_EQ(dbc.messages.size(), 7U);
  EXPECT_EQ(signal_of(dbc, "Crossing").long_name, "CrossingTheBorderBetweenTwoBytesAndMore");
  EXPECT_EQ(signal_of(dbc, "Single").coding.form, RawForm::float32);
  EXPECT_EQ(signal_of(dbc, "Double").coding.form, RawForm::float64);
  EXPECT_EQ(signal_of(dbc, "Negative").coding.scale, -2.5);
  EXPECT_EQ(signal_of(dbc, "SingleLittle").max, 1e30);
}

TEST(Dbc, latin_1_bytes_become_utf_8_and_utf_8_stays) {
  EXPECT_EQ(signal_of(dbc_of_file("features.dbc"), "High").unit, "°");
  EXPECT_EQ(signal_of(dbc_of_file("features.dbc"), "Crossing").unit, "µs");
  const std::string head = "BO_ 1 M: 8 N\n SG_ S : 0|8@1+ (1,0) [0|0] \"";
  EXPECT_EQ(signal_of(dbc_of(head + "\xb0\x43\" N\n"), "S").unit, "°C");
  EXPECT_EQ(signal_of(dbc_of(head + "\xc2\xb0\x43\" N\n"), "S").unit, "°C");
  EXPECT_EQ(signal_of(dbc_of("\xef\xbb\xbf" + head + "\xc2\xb0\x43\" N\n"), "S").unit, "°C");
}

TEST(Dbc, value_names_are_read_also_from_a_table) {
  const Dbc dbc = dbc_of_file("features.dbc");
  using Names = std::vector<std::pair<std::int64_t, std::string>>;
  EXPECT_EQ(signal_of(dbc, "High").value_names,
            (Names{{-1, "minus one"}, {0, "semicolon; inside"}, {7, "quote \" inside"}}));
  EXPECT_EQ(
      signal_of(dbc_of("VAL_TABLE_ T 1 \"on\" 0 \"off\" ;\n" + one + "VAL_ 100 Signal T;\n"), "Signal").value_names,
      (Names{{1, "on"}, {0, "off"}}));
}

TEST(Dbc, multiplexers_of_several_levels_are_conditions_of_each_level) {
  const Dbc dbc = dbc_of_file("multiplex.dbc");
  const SignalCoding& leaf = signal_of(dbc, "LeafOfRanges").coding;
  ASSERT_EQ(leaf.when.size(), 2U);
  EXPECT_EQ(leaf.when[0].field, (BitField{2, 2, ByteOrder::little}));
  EXPECT_EQ(leaf.when[0].values, (std::vector<RawRange>{{0, 0}, {2, 3}}));
  EXPECT_EQ(leaf.when[1].field, (BitField{0, 2, ByteOrder::little}));
  EXPECT_EQ(leaf.when[1].values, (std::vector<RawRange>{{1, 1}}));
  EXPECT_TRUE(signal_of(dbc, "Free").coding.when.empty());
  EXPECT_EQ(signal_of(dbc, "AlsoOnThree").coding.when.size(), 1U);
}

TEST(Dbc, a_range_of_multiplexer_values_may_be_spaced_in_any_way) {
  const std::string head =
      "BO_ 1 M: 8 N\n SG_ P M : 0|8@1+ (1,0) [0|0] \"\" N\n SG_ S m0 : 8|8@1+ (1,0) [0|0] \"\" N\nSG_MUL_VAL_ 1 S P ";
  for (const char* ranges : {"1-3,7-7;", "1 - 3, 7 - 7 ;", "1-3 , 7 -7;"}) {
    EXPECT_EQ(signal_of(dbc_of(head + ranges), "S").coding.when.front().values, (std::vector<RawRange>{{1, 3}, {7, 7}}))
        << ranges;
  }
}

TEST(Dbc, what_can_not_be_told_is_a_problem_of_that_signal_only) {
  const std::string tail = " : 8|8@1+ (1,0) [0|0] \"\" N\n";
  EXPECT_EQ(signal_of(dbc_of("BO_ 1 M: 8 N\n SG_ S m0" + tail), "S").problem, "its message has no multiplexer (M)");
  const Dbc two = dbc_of("BO_ 1 M: 8 N\n SG_ A M" + tail + " SG_ B m1M" + tail + " SG_ C m0" + tail + " SG_ D" + tail);
  EXPECT_EQ(signal_of(two, "C").problem,
            "its message has several multiplexers, and no SG_MUL_VAL_ says which is its own");
  EXPECT_EQ(signal_of(two, "B").problem, "");
  EXPECT_EQ(signal_of(two, "D").problem, "");
  const Dbc circle = dbc_of("BO_ 1 M: 8 N\n SG_ A m0M" + tail + " SG_ B m0M" + tail +
                            "SG_MUL_VAL_ 1 A B 0-0;\nSG_MUL_VAL_ 1 B A 0-0;\n");
  EXPECT_EQ(signal_of(circle, "A").problem, "its multiplexers depend on each other, or go deeper than 8");
  const Dbc twins = dbc_of("BO_ 1 M: 8 N\n SG_ A" + tail + " SG_ A" + tail);
  EXPECT_EQ(twins.messages.front().signals[0].problem, "its message has another signal of that name");
  EXPECT_EQ(twins.messages.front().signals[1].problem, "its message has another signal of that name");
}

TEST(Dbc, groups_of_sae_j1939_are_known_by_their_attribute) {
  const Dbc dbc = dbc_of_file("groups.dbc");
  ASSERT_EQ(dbc.messages.size(), 3U);
  EXPECT_TRUE(dbc.messages[0].j1939);
  EXPECT_TRUE(dbc.messages[1].j1939);
  EXPECT_FALSE(dbc.messages[2].j1939);
}

TEST(Dbc, signals_of_no_message_are_left_out) {
  const Dbc dbc = dbc_of("BO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 Vector__XXX\n" + one.substr(one.find(" SG_")) +
                         one + "CM_ SG_ 3221225472 Signal \"unused\";\n");
  ASSERT_EQ(dbc.messages.size(), 1U);
  EXPECT_EQ(dbc.messages.front().name, "Message");
}

TEST(Dbc, new_symbols_end_where_a_statement_begins) {
  for (const char* symbols : {"NS_ :\n", "NS_ : CM_ BA_ VAL_\n", "NS_ :\n\tCM_\n\tBO_TX_BU_\n", "NS_:\nCM_\nBA_\n",
                              "NS_ :\n CM_\n FUTURE_\nBS_:\nBU_:\n", "NS_ :\n CM_\nBS_: 500 : 1,2\nBU_: A B\n"}) {
    EXPECT_EQ(dbc_of(symbols + one).messages.size(), 1U) << symbols;
  }
  EXPECT_EQ(dbc_of("NS_ :\n CM_\nVAL_TABLE_ T 1 \"a\" ;\n" + one).messages.size(), 1U);
}

TEST(Dbc, an_empty_file_and_one_without_messages_are_sound) {
  EXPECT_TRUE(dbc_of("").messages.empty());
  EXPECT_TRUE(dbc_of("VERSION \"\"\n\nNS_ :\n\nBS_:\n\nBU_:\n").messages.empty());
}

TEST(Dbc, what_is_about_something_else_is_passed_over) {
  EXPECT_EQ(error_of(one + "VAL_ 7 Signal 1 \"a\" ;\nVAL_ 100 Other 1 \"a\" ;\nCM_ SG_ 7 Signal \"x\";\n"
                           "BA_ \"A\" SG_ 100 Other 1;\nBA_ \"A\" BO_ 7 \"x\";\n"),
            "sound");
}

TEST(Dbc, unknown_statements_are_passed_over_when_they_end) {
  EXPECT_EQ(error_of("NEW_ 1 2 \"a;b\" [3|4] ;\n" + one), "sound");
  EXPECT_EQ(error_of(one + "NEW_ 1 2\nBO_ 7 X: 8 N\n"),
            "t.dbc:4: NEW_: expected ; at the end of the statement, found \"BO_\"");
  EXPECT_EQ(error_of(one + "NEW_ 1 $ 2;\n"),
            "t.dbc:3: NEW_: expected ; at the end of the statement, found the byte '$'");
}

struct Bad {
  std::string text;
  std::string error;  // behind "t.dbc:"
};

TEST(Dbc, a_bad_file_gets_one_line_with_line_statement_and_what_was_expected) {
  const std::string bo = "BO_ 100 M: 8 N\n";
  const std::vector<Bad> files = {
      {"100\n", "1: file: expected a statement, found \"100\""},
      {"VERSION 3\n", "1: VERSION: expected the version in double quotes, found \"3\""},
      {"VERSION \"3\n\nBO_\n",
       "1: VERSION: expected the version in double quotes, found a text without a closing quote"},
      {"NS_ CM_\n", "1: NS_: expected \":\", found \"CM_\""},
      {"BU_ A\n", "1: BU_: expected \":\", found \"A\""},
      {"\nBO_ M: 8 N\n", "2: BO_: expected the message's number, a whole number from 0 to 4294967295, found \"M\""},
      {"BO_ -1 M: 8 N\n", "1: BO_: expected the message's number, a whole number from 0 to 4294967295, found \"-1\""},
      {"BO_ 2048 M: 8 N\n",
       "1: BO_: expected an identifier of 11 bits (to 2047), or of 29 bits and 2147483648, found 2048"},
      {"BO_ 2684354560 M: 8 N\n",
       "1: BO_: expected an identifier of 11 bits (to 2047), or of 29 bits and 2147483648, found 2684354560"},
      {"BO_ 1 : 8 N\n", "1: BO_: expected the message's name, found \":\""},
      {"BO_ 1 M 8 N\n", "1: BO_: expected \":\", found \"8\""},
      {"BO_ 1 M: 1786 N\n", "1: BO_: expected its length in bytes, a whole number from 0 to 1785, found \"1786\""},
      {bo + bo, "2: BO_: expected each message once, found 100 a second time (line 1)"},
      {"SG_ S : 0|8@1+ (1,0) [0|0] \"\" N\n", "1: SG_: expected a message (BO_) before its signals, found a signal"},
      {bo + " SG_ 7 : 0|8@1+ (1,0) [0|0] \"\" N\n", "2: SG_: expected the signal's name, found \"7\""},
      {bo + " SG_ S X : 0|8@1+ (1,0) [0|0] \"\" N\n",
       "2: SG_: expected a colon, or M, m and a number, or m, a number and M, found \"X\""},
      {bo + " SG_ S mM : 0|8@1+ (1,0) [0|0] \"\" N\n", "2: SG_: expected m and a number before M, found \"mM\""},
      {bo + " SG_ S : 0,8@1+ (1,0) [0|0] \"\" N\n", "2: SG_: expected \"|\", found \",\""},
      {bo + " SG_ S : 0|0@1+ (1,0) [0|0] \"\" N\n",
       "2: SG_: expected the length in bits, a whole number from 1 to 14280, found \"0\""},
      {bo + " SG_ S : 0|8@2+ (1,0) [0|0] \"\" N\n",
       "2: SG_: expected the byte order, 1 (little) or 0 (big), a whole number from 0 to 1, found \"2\""},
      {bo + " SG_ S : 0|8@1 (1,0) [0|0] \"\" N\n", "2: SG_: expected + (unsigned) or - (signed), found \"(\""},
      {bo + " SG_ S : 0|8@1+ (1 0) [0|0] \"\" N\n", "2: SG_: expected \",\", found \"0\""},
      {bo + " SG_ S : 0|8@1+ (x,0) [0|0] \"\" N\n", "2: SG_: expected the factor, found \"x\""},
      {bo + " SG_ S : 0|8@1+ (1e999,0) [0|0] \"\" N\n", "2: SG_: expected the factor, found \"1e999\""},
      {bo + " SG_ S : 0|8@1+ (1,0) [0-0] \"\" N\n", "2: SG_: expected \"|\", found \"-0\""},
      {bo + " SG_ S : 0|8@1+ (1,0) [0|0] rpm N\n", "2: SG_: expected the unit in double quotes, found \"rpm\""},
      {bo + " SG_ S : 0|8@1+ (1,0) [0|0]", "2: SG_: expected the unit in double quotes, found the end of the file"},
      {one + "VAL_ 100 Signal 1 \"a\"\n", "4: VAL_: expected a value and its name, or ;, found the end of the file"},
      {one + "VAL_ 100 Signal one \"a\";\n",
       "3: VAL_: expected values, or the name of a table (VAL_TABLE_) before it, found \"one\""},
      {one + "VAL_ 100 Signal 1 a;\n", "3: VAL_: expected the name of a value in double quotes, found \"a\""},
      {one + "SIG_VALTYPE_ 100 Other : 1;\n",
       "3: SIG_VALTYPE_: expected a message and a signal of this file, found others"},
      {one + "SIG_VALTYPE_ 100 Signal : 1;\n", "3: SIG_VALTYPE_: expected a signal of 32 bits, found \"Signal\" of 16"},
      {one + "SIG_VALTYPE_ 100 Signal : 3;\n",
       "3: SIG_VALTYPE_: expected 0 (whole), 1 (32-bit float) or 2 (64-bit float), a whole number from 0 to 2, found "
       "\"3\""},
      {one + "SG_MUL_VAL_ 7 Signal Signal 0-0;\n", "3: SG_MUL_VAL_: expected a message of this file, found another"},
      {one + "SG_MUL_VAL_ 100 Signal Other 0-0;\n",
       "3: SG_MUL_VAL_: expected a signal of the message, found \"Other\", which is none"},
      {one + "SG_MUL_VAL_ 100 Signal Signal 3-1;\n",
       "3: SG_MUL_VAL_: expected a range that rises, found one that falls"},
      {one + "CM_ SG_ 100 Signal \"no end;\n",
       "3: CM_: expected the comment in double quotes, found a text without a "
       "closing quote"},
      {one + "CM_ \"x\"\nVAL_ 100 Signal 1 \"a\";\n", "4: CM_: expected ; at the end of the statement, found \"VAL_\""},
      {one + "BA_DEF_ BO_ Name INT 0 1;\n",
       "3: BA_DEF_: expected the attribute's name in double quotes, found \"Name\""},
      {one + "BA_ \"A\" BO_ 100 ;\n", "3: BA_: expected the attribute's value, found \";\""},
      {one + "\x01\n", "3: file: expected a statement, found the byte '\\x01'"},
  };
  for (const Bad& file : files) {
    EXPECT_EQ(error_of(file.text), "t.dbc:" + file.error) << file.text;
  }
}

TEST(Dbc, a_file_too_large_is_refused) {
  EXPECT_EQ(error_of(std::string(dbc_bytes_max + 1, ' ')),
            "t.dbc:1: file: expected at most 16777216 bytes, found more");
}

TEST(Dbc, too_many_messages_and_signals_are_refused) {
  std::string many;
  for (std::size_t i = 0; i <= dbc_messages_max; ++i) {
    many += "BO_ " + std::to_string(2147483648U + i) + " M: 8 N\n";
  }
  EXPECT_EQ(error_of(many), "t.dbc:20001: BO_: expected at most 20000 messages, found more");
  std::string wide = "BO_ 1 M: 8 N\n";
  for (std::size_t i = 0; i <= dbc_signals_max; ++i) {
    wide += " SG_ S" + std::to_string(i) + " : 0|8@1+ (1,0) [0|0] \"\" N\n";
  }
  EXPECT_EQ(error_of(wide + "\n"), "t.dbc:2002: SG_: expected at most 2000 signals in a message, found more");
}

TEST(Dbc, cut_at_any_byte_a_file_gives_one_line_or_what_came_before) {
  std::ifstream file(CRANKWITNESS_SOURCE_DIR "/tests/data/dbc/features.dbc", std::ios::binary);
  const std::string whole(std::istreambuf_iterator<char>(file), {});
  for (std::size_t size = 0; size <= whole.size(); ++size) {
    const std::string error = error_of(whole.substr(0, size));
    EXPECT_TRUE(error == "sound" || error.starts_with("t.dbc:")) << error;
    EXPECT_EQ(error.find('\n'), std::string::npos);
  }
}

}  // namespace
}  // namespace cw
