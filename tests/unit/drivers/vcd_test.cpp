#include "drivers/vcd.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <random>

#include "drivers/registry.hpp"
#include "feed.hpp"

namespace cw {
namespace {

struct Decoded {
  ItemBuffer items;
  std::string error;
  std::uint64_t bad = 0;
  VcdCounts counts;
};

template <typename NextSize>
Decoded decode_in_pieces(const std::string& text, const DriverSettings& settings, NextSize next_size) {
  Vcd driver(settings);
  Decoded out;
  const bool sound = test::feed(driver, text, next_size, out.items);
  EXPECT_TRUE(sound || !settings.live);
  EXPECT_EQ(sound || driver.error().empty(), sound);
  out.error = driver.error();
  out.bad = driver.bad_inputs();
  out.counts = driver.counts();
  return out;
}

Decoded decode(const std::string& text, bool live = false, const ChannelNames& channels = {}) {
  return decode_in_pieces(text, {"F", live, channels}, [&] { return text.size(); });
}

// "NAME r@TIME" for each edge, "gap@TIME", "epoch@TIME"; one a line.
std::string told(const ItemBuffer& items) {
  std::vector<std::string> names(256);
  std::string out;
  for (const Item& item : items.items) {
    const std::string at = "@" + std::to_string(item.source_ns) + "\n";
    if (item.kind == ItemKind::edge) {
      out += names[item.channel] + (item.code == 1 ? " r" : " f") + at;
    } else if (item.kind == ItemKind::gap) {
      out += "gap" + at;
    } else if (item.code == static_cast<std::uint8_t>(LinkNote::new_epoch)) {
      out += "epoch" + at;
    } else if (item.code == static_cast<std::uint8_t>(LinkNote::channel_named)) {
      const auto bytes = payload_of(item, items.payload);
      names[item.channel] = std::string(reinterpret_cast<const char*>(bytes.data()), bytes.size());
    }
  }
  return out;
}

std::string edges_in(const std::string& text, const ChannelNames& channels = {}) {
  const Decoded d = decode(text, false, channels);
  EXPECT_EQ(d.error, "") << text;
  return told(d.items);
}

// The example of IEEE 1364-2005, 18.2.4, typed in from memory of the clause; the counts asked for below (10 time
// stamps, 31 value changes, 4 dump blocks) are the clause's. Some copies corrupt the identifier code `{2`.
const std::string standard_example = R"($date
   June 26, 1989 10:05:41
$end
$version
   VERILOG-SIMULATOR 1.0a
$end
$timescale
   1 ns
$end
$scope module top $end
$scope module m1 $end
$var trireg 1 *@ net1 $end
$var trireg 1 *# net2 $end
$var trireg 1 *$ net3 $end
$upscope $end
$scope task t1 $end
$var reg 32 (k accumulator[31:0] $end
$var integer 32 {2 index $end
$upscope $end
$upscope $end
$enddefinitions $end
$comment
   Note: $dumpvars was executed at time '#500'.
   All initial values are dumped at this time.
$end

#500
$dumpvars
x*@
x*#
x*$
bx (k
bx {2
$end
#505
0*@
1*#
1*$
b10zx1110x11100 (k
b1111000101z01x {2
#510
0*$
#520
1*$
#530
0*$
bz (k
#535
$dumpall
0*@
1*#
0*$
bz (k
b1111000101z01x {2
$end
#540
1*$
#1000
$dumpoff
x*@
x*#
x*$
bx (k
bx {2
$end
#2000
$dumpon
z*@
1*#
0*$
bz (k
bz {2
$end
#2010
1*$
)";

TEST(Vcd, reads_the_example_of_the_standard) {
  const Decoded d = decode(standard_example);
  EXPECT_EQ(d.error, "");
  EXPECT_EQ(d.counts.stamps, 10U);
  EXPECT_EQ(d.counts.changes, 31U);
  EXPECT_EQ(d.counts.blocks, 4U);
  EXPECT_EQ(told(d.items), "net3 f@510\nnet3 r@520\nnet3 f@530\nnet3 r@540\ngap@1000\nnet3 r@2010\n");
  EXPECT_EQ(d.items.items.back().code, static_cast<std::uint8_t>(LinkNote::end_of_input));
}

// Bits of the example's vectors worked out by hand: b10zx1110x11100 is 00000000000000000010zx1110x11100 on 32 bits.
TEST(Vcd, takes_a_bit_of_a_vector_that_the_settings_name) {
  EXPECT_EQ(edges_in(standard_example, {{"crank", "accumulator[5]"}, {"cam1", "none[3]"}}),
            "net3 f@510\nnet3 r@520\nnet3 f@530\nnet3 r@540\ngap@1000\nnet3 r@2010\n");
  const std::string head =
      "$timescale 1ns $end $var reg 4 ! a [3:0] $end $var reg 4 ab b[0:3] $end $enddefinitions $end ";
  EXPECT_EQ(edges_in(head + "#1 b0000 ! #2 b10 ! #3 B1 ! #4 b0 ! #5 bx ! #6 b1000 !",
                     {{"x", "a[1]"}, {"y", "a[0]"}, {"z", "a[3]"}}),
            "x r@2\ny r@3\nx f@3\ny f@4\nz r@6\n");
  EXPECT_EQ(edges_in(head + "#1 b0000 ab #2 b1 ab #3 b1000 ab", {{"last", "b[3]"}, {"first", "b[0]"}}),
            "last r@2\nlast f@3\nfirst r@3\n");
}

// Left extension as the table of 18.2.1 has it (from memory): 10 is 0010, X10 is XX10, ZX0 is ZZX0, 0X10 is 0X10. Each
// bit is told by what follows 1111 and 0000: no edge from an unknown one.
TEST(Vcd, extends_short_vectors_to_the_left) {
  const ChannelNames bits = {{"b3", "a[3]"}, {"b2", "a[2]"}, {"b1", "a[1]"}, {"b0", "a[0]"}};
  const auto after_ones = [&](const std::string& value) {
    return edges_in("$timescale 1ns $end $var reg 4 ! a $end $enddefinitions $end #0 b1111 ! #1 b" + value + " !",
                    bits);
  };
  const auto after_zeros = [&](const std::string& value) {
    return edges_in("$timescale 1ns $end $var reg 4 ! a $end $enddefinitions $end #0 b0000 ! #1 b" + value + " !",
                    bits);
  };
  EXPECT_EQ(after_ones("10"), "b0 f@1\nb2 f@1\nb3 f@1\n");
  EXPECT_EQ(after_zeros("10"), "b1 r@1\n");
  EXPECT_EQ(after_ones("X10"), "b0 f@1\n");
  EXPECT_EQ(after_zeros("X10"), "b1 r@1\n");
  EXPECT_EQ(after_ones("ZX0"), "b0 f@1\n");
  EXPECT_EQ(after_zeros("ZX0"), "");
  EXPECT_EQ(after_ones("0X10"), "b0 f@1\nb3 f@1\n");
  EXPECT_EQ(after_zeros("0X10"), "b1 r@1\n");
}

const std::string head = "$timescale 1 us $end $var wire 1 ! D0 $end $var wire 1 \" D1 $end $enddefinitions $end\n";

TEST(Vcd, an_edge_is_a_change_between_known_levels) {
  EXPECT_EQ(edges_in(head + "#0 1! 0\"\n#1 0! 1\"\n#4 0! 1! 0\"\n"), "D0 f@1000\nD1 r@1000\nD0 r@4000\nD1 f@4000\n");
  EXPECT_EQ(edges_in(head + "#0 0! #1 x! #2 1! #3 z! #4 1! #5 X! #6 0! Z! #7 0!"), "D0 r@2000\nD0 f@6000\n");
  EXPECT_EQ(edges_in(head + "$dumpvars 0! 1\" $end #7 1!"), "D0 r@7000\n");  // initial values before the first stamp
  EXPECT_EQ(edges_in(head + "#1\n0!\n#2\nb1 !\n"), "D0 r@2000\n");
  EXPECT_EQ(edges_in(head + "$dumpvars 0! 1\" $end 1! #7 0!"), "D0 f@7000\n");
}

TEST(Vcd, layout_does_not_matter) {
  const std::string expected = "D0 r@1000\nD0 f@2000\n";
  EXPECT_EQ(edges_in(head + "#0 0! #1 1! #2 0!"), expected);
  EXPECT_EQ(edges_in(head + "\r\n\r\n#0\r\n0!\r\n#1\t1!\v#2\f0!\r\n\r\n"), expected);
  EXPECT_EQ(edges_in("\n \t$comment $var x #3 $dumpoff \xff $end\n" + head +
                     "$comment 1! $end #0 0! #1 $comment $end 1! #2 0!"),
            expected);
  EXPECT_EQ(edges_in(head + "#0 0! r1.5 \" sword \" #1 $unheard of $end 1! #2 0!"), expected);
}

TEST(Vcd, any_printable_text_is_an_identifier_code) {
  for (const std::string code :
       {"!", "~", "$", "(", "{", "#", "0", "b", "$end", "#5", "$$", "{2", "abc", "~~~~~~~~~", "$dumpvars"}) {
    std::string text = "$timescale 1 ns $end $var wire 1 @ crank $end $enddefinitions $end #1 0@ #2 1@ #3 b0 @";
    for (std::size_t at = text.find('@'); at != std::string::npos; at = text.find('@', at + code.size())) {
      text.replace(at, 1, code);
    }
    EXPECT_EQ(edges_in(text), "crank r@2\ncrank f@3\n") << code;
  }
}

TEST(Vcd, time_scales_are_rounded_to_ns_each_by_itself) {
  const auto at = [](const std::string& scale, const std::string& stamp) {
    return edges_in("$timescale " + scale + " $end $var wire 1 ! c $end $enddefinitions $end 0! #" + stamp + " 1!");
  };
  EXPECT_EQ(at("1 s", "3"), "c r@3000000000\n");
  EXPECT_EQ(at("10s", "3"), "c r@30000000000\n");
  EXPECT_EQ(at("100\n ms", "3"), "c r@300000000\n");
  EXPECT_EQ(at("1ms", "3"), "c r@3000000\n");
  EXPECT_EQ(at("10 us", "3"), "c r@30000\n");
  EXPECT_EQ(at("100 ns", "3"), "c r@300\n");
  EXPECT_EQ(at("100 ps", "34"), "c r@3\n");
  EXPECT_EQ(at("100 ps", "35"), "c r@4\n");
  EXPECT_EQ(at("10 ps", "349"), "c r@3\n");
  EXPECT_EQ(at("1 ps", "1499"), "c r@1\n");
  EXPECT_EQ(at("1 ps", "1500"), "c r@2\n");
  EXPECT_EQ(at("1 fs", "18446744073709551615"), "c r@18446744073710\n");  // 2^64 - 1
  EXPECT_EQ(at("100 fs", "15000"), "c r@2\n");
}

TEST(Vcd, the_same_name_in_two_scopes_goes_with_its_scopes) {
  const std::string text =
      "$timescale 1 ns $end $scope module top $end $var wire 1 ! crank $end $scope module a $end $var wire 1 \" crank "
      "$end "
      "$var wire 1 # cam $end $upscope $end $upscope $end $enddefinitions $end #0 0! 0\" 0# #1 1! #2 1\" #3 1#";
  EXPECT_EQ(edges_in(text), "top.crank r@1\ntop.a.crank r@2\ncam r@3\n");
  EXPECT_EQ(edges_in(text, {{"crank", "top.a.crank"}}), "top.crank r@1\ncrank r@2\ncam r@3\n");
  EXPECT_EQ(edges_in(text, {{"crank", "cam"}}), "top.crank r@1\ntop.a.crank r@2\ncrank r@3\n");
  EXPECT_EQ(edges_in(text, {{"cam", "top.crank"}}), "cam r@1\ntop.a.crank r@2\ntop.a.cam r@3\n");
}

TEST(Vcd, an_alias_is_a_channel_too_and_the_same_name_only_once) {
  EXPECT_EQ(
      edges_in("$timescale 1 ns $end $scope module t $end $var wire 1 ! crank $end $upscope $end $scope module u $end "
               "$var wire 1 ! crank $end $var wire 1 ! in $end $upscope $end $enddefinitions $end #0 0! #1 1!"),
      "crank r@1\nin r@1\n");
}

TEST(Vcd, the_select_of_one_bit_is_a_part_of_its_name) {
  EXPECT_EQ(
      edges_in("$timescale 1 ns $end $var wire 1 ! D [3] $end $var wire 1 \" D[4] $end $var wire 1 # E [0:0] $end "
               "$enddefinitions $end #0 0! 0\" 0# #1 1! 1\" 1#"),
      "D[3] r@1\nD[4] r@1\nE[0] r@1\n");
}

TEST(Vcd, only_variables_with_a_level_are_channels) {
  EXPECT_EQ(
      edges_in("$timescale 1 ns $end $var real 64 ! speed $end $var event 1 \" ev $end $var reg 8 # bus [7:0] $end "
               "$var parameter 1 $ p $end $enddefinitions $end #0 r1 ! 1\" b0 # 0$ #1 r2 ! 0\" b11111111 # 1$"),
      "p r@1\n");
}

struct BadFile {
  std::string text;
  std::string error;
};

TEST(Vcd, a_bad_file_gives_one_error_that_names_the_line_and_what_was_expected) {
  const std::string var = "$var wire 1 ! c $end ";
  const std::string scale = "$timescale 1 ns $end\n";
  const std::string defined = scale + var + "$enddefinitions $end\n";
  const std::vector<BadFile> table = {
      {"", "F:1: expected declarations and $enddefinitions, found the end of the file"},
      {scale, "F:2: expected declarations and $enddefinitions, found the end of the file"},
      {"hello", "F:1: expected a declaration command or $enddefinitions, found \"hello\""},
      {var + "$enddefinitions $end", "F:1: expected a $timescale before $enddefinitions, found none"},
      {"$timescale 2 ns $end", "F:1: expected a $timescale of 1, 10 or 100 s, ms, us, ns, ps or fs, found \"2 ns\""},
      {"$timescale 1 $end", "F:1: expected a $timescale of 1, 10 or 100 s, ms, us, ns, ps or fs, found \"1\""},
      {"$timescale\n1 ns\n" + var, "F:3: expected $end of $timescale, found \"$var\""},
      {scale + "$enddefinitions $end",
       "F:2: expected a variable of one bit, or a bit of a vector named as a channel (crank=bus[3]), found neither in "
       "0 "
       "variables"},
      {scale + "$var reg 8 ! bus $end $enddefinitions $end",
       "F:2: expected a variable of one bit, or a bit of a vector named as a channel (crank=bus[3]), found neither in "
       "1 "
       "variables"},
      {scale + "$upscope $end", "F:2: expected a $scope before $upscope, found none open"},
      {scale + "$scope module $end", "F:2: expected $scope TYPE NAME $end, found \"$scope module\""},
      {scale + "$var wire 1 ! $end", "F:2: expected $var TYPE SIZE CODE NAME $end, found \"$var wire 1 !\""},
      {scale + "$var wire 0 ! c $end", "F:2: expected a size of 1 to 65536 bits, found \"0\""},
      {scale + "$var wire 8 ! c [6:0] $end", "F:2: expected a range of 8 bits, [msb:lsb], found \"[6:0]\""},
      {scale + var + "$var wire 2 ! d $end",
       "F:2: expected the size 1 that identifier code \"!\" has already, found 2"},
      {scale + var + "$var wire 1 \" c $end $enddefinitions $end",
       "F:2: expected one signal of the name \"c\", found those of the identifier codes \"!\" and \"\\x22\""},
      {scale + "$var port 1 <0 c $end", "F:2: expected a four-state VCD file, found an extended one ($var port)"},
      {scale + var + "\n#0", "F:3: expected a declaration command or $enddefinitions, found \"#0\""},
      {scale + var + "$dumpvars", "F:2: expected $enddefinitions before $dumpvars"},
      {defined + "#1 1? ", "F:3: expected a value and the identifier code of a variable, found \"1?\""},
      {defined + "#1 1 !", "F:3: expected a value and the identifier code of a variable, found \"1\""},
      {defined + "#1 b12 !", "F:3: expected b and bits of 0, 1, x and z, found \"b12\""},
      {defined + "#1 b11 !", "F:3: expected at most 1 bits for identifier code \"!\", found 2"},
      {defined + "#1 b1", "F:3: expected an identifier code after \"b1\", found the end of the file"},
      {defined + "#1 b1 ?", "F:3: expected the identifier code of a variable after \"b1\", found \"?\""},
      {defined + "#1 ?", "F:3: expected a time or a value change, found \"?\""},
      {defined + "#1 pHHH 6 0 <0", "F:3: expected a four-state VCD file, found a change of an extended one: \"pHHH\""},
      {defined + "$dumpports", "F:3: expected a four-state VCD file, found an extended one ($dumpports)"},
      {defined + "#1 $end", "F:3: expected a command before $end, found none open"},
      {defined + "#1 $dumpvars 1!", "F:3: expected $end of a dump block, found the end of the file"},
      {defined + "#1 $dumpvars 1! $dumpall", "F:3: expected $end before $dumpall"},
      {defined + "#1 $comment 1!", "F:3: expected $end of \"$comment\", found the end of the file"},
      {defined + "#5\n#4\n", "F:4: expected a time of at least 5 ns, that of the stamp before, found \"#4\", 4 ns"},
      {defined + "#", "F:3: expected # and a time of at most 9223372036854775807 ns, found \"#\""},
      {defined + "#-1", "F:3: expected # and a time of at most 9223372036854775807 ns, found \"#-1\""},
      {defined + "#9223372036854775808",
       "F:3: expected # and a time of at most 9223372036854775807 ns, found \"#9223372036854775808\""},
      {defined + "#18446744073709551616",
       "F:3: expected # and a time of at most 9223372036854775807 ns, found \"#18446744073709551616\""},
      {defined + "#0 0! #1 1! #86400000000002",
       "F:3: expected a time at most 24 h after that of the stamp before, 1 ns, found \"#86400000000002\", "
       "86400000000002 "
       "ns"},
      {defined + "#1 0!\n" + var, "F:4: expected times and value changes after $enddefinitions, found \"$var\""},
      {defined + std::string("#1 \0 ", 5), "F:3: expected VCD text, found the byte \"\\x00\""},
      {defined + "#1 b" + std::string(70000, '0') + " !",
       "F:3: expected a word of at most 65540 bytes, found a longer one"},
  };
  for (const BadFile& bad : table) {
    EXPECT_EQ(decode(bad.text).error, bad.error);
  }
}

TEST(Vcd, bounds_hold) {
  std::string scopes = "$timescale 1 ns $end ";
  for (int i = 0; i < 65; ++i) {
    scopes += "$scope module s $end ";
  }
  EXPECT_EQ(decode(scopes).error, "F:1: expected at most 64 scopes one in the other, found one more: \"s\"");
  std::string many = "$timescale 1 ns $end ";
  std::string changes = " #1";
  for (int i = 0; i < 251; ++i) {
    const std::string code = "c" + std::to_string(i);
    many.append("$var wire 1 ").append(code).append(" n").append(std::to_string(i)).append(" $end ");
    changes.append(" 0").append(code).append(" 1").append(code);
  }
  const std::string text = many + "$enddefinitions $end" + changes;
  EXPECT_EQ(decode(text).error, "F:1: expected at most 250 channels with edges, found one more: \"n250\"");
  EXPECT_EQ(decode(text + " 0c250 1c250 0c0", true).bad, 1U);
  std::string variables = "$timescale 1 ns $end ";
  for (int i = 0; i <= 65536; ++i) {
    variables += "$var wire 1 ! c $end ";
  }
  EXPECT_EQ(decode(variables).error, "F:1: expected at most 65536 variables, found one more: \"c\"");
  EXPECT_EQ(decode(head + "$comment " + std::string(1'100'000, 'x') + " $end").error,
            "F:2: expected $end of \"$comment\" within 1048576 bytes");
}

std::string messy_text() {
  std::mt19937 random(3);
  std::string text = standard_example;
  std::uint64_t time = 3000;
  for (int i = 0; i < 300; ++i) {
    time += random() % 50;
    text += "#" + std::to_string(time) + (random() % 3 == 0 ? "\r\n" : " ");
    text +=
        std::string(1, "01xz"[random() % 4]) + (random() % 2 == 0 ? "*@" : "*$") + (random() % 2 == 0 ? "\n" : "  ");
    text += random() % 10 == 0 ? "b1zx01 (k\n" : "";
    text += random() % 30 == 0 ? "$comment #1 " + std::string(random() % 500, 'y') + " $end " : "";
    text += i > 100 && random() % 40 == 0 ? "nonsense\n" : "";
    text += i > 100 && random() % 60 == 0 ? "#7 1*@ " + std::string(70000, 'x') + " " : "";
  }
  return text + "1*$";
}

TEST(Vcd, any_cut_of_the_bytes_gives_the_same_items) {
  for (const bool live : {false, true}) {
    const std::string text =
        live ? messy_text() + standard_example : messy_text().substr(0, messy_text().find("nonsense"));
    const Decoded whole = decode(text, live);
    ASSERT_GT(whole.items.items.size(), 10U);
    std::mt19937 random(5);
    for (int attempt = 0; attempt < 40; ++attempt) {
      const std::size_t most = attempt == 0 ? 1 : 1 + random() % 300;
      const Decoded pieces =
          decode_in_pieces(text, {"F", live, {}}, [&] { return attempt == 0 ? 1 : 1 + random() % most; });
      ASSERT_EQ(pieces.items.items, whole.items.items);
      ASSERT_EQ(pieces.items.payload, whole.items.payload);
      ASSERT_EQ(pieces.error, whole.error);
      ASSERT_EQ(pieces.bad, whole.bad);
      ASSERT_EQ(pieces.counts.changes, whole.counts.changes);
    }
  }
}

// What is left of the file gives the edges that the whole file gives there, then a clean end or an error. (A last word
// that was cut can only be one of the file's own: no invented edge here, since no code is the start of another.)
// Changes of the usual shape are read another way when enough bytes follow them: byte by byte they never do.
TEST(Vcd, many_changes_at_once_give_what_they_give_byte_by_byte) {
  std::mt19937 random(1);
  const std::vector<std::string> odd = {"",       "x!",
                                        "z!",     "#",
                                        "#5x",    "b01 !",
                                        "2!",     "0?",
                                        "0",      "$dumpoff\n0!\n$end",
                                        "#7 1!",  "1! 0!",
                                        "r1.5 !", "$comment 0! $end",
                                        "0!!",    "#99999999999999999999",
                                        "\t1!",   "1! "};
  for (int round = 0; round < 400; ++round) {
    std::string text =
        std::string("$timescale ") +
        (round % 3 == 0   ? "100 ps"
         : round % 3 == 1 ? "1 us"
                          : "1 ns") +
        " $end\n$var wire 1 ! a $end\n$var wire 1 ab b $end\n$var wire 1 abc c $end\n$enddefinitions $end\n";
    std::uint64_t time = 0;
    for (int row = 0; row < 60; ++row) {
      time += random() % 1'000'000;
      const std::string code = random() % 3 == 0 ? "!" : random() % 2 == 0 ? "ab" : "abc";
      std::string line = "#" + std::to_string(time) + "\n" + (random() % 2 == 0 ? "0" : "1") + code;
      if (random() % 50 == 0) {
        line = odd[random() % odd.size()];
      } else if (random() % 20 == 0) {
        line[random() % line.size()] = static_cast<char>(random() % 256);
      }
      text += line + (round % 5 == 0 ? "\r\n" : "\n");
    }
    const bool live = round % 2 == 0;
    const Decoded whole = decode(text, live);
    const Decoded bytes = decode_in_pieces(text, {"F", live, {}}, [] { return std::size_t{1}; });
    ASSERT_EQ(whole.error, bytes.error) << text;
    ASSERT_EQ(whole.items.items, bytes.items.items) << text;
    ASSERT_EQ(whole.counts.changes, bytes.counts.changes) << text;
    ASSERT_EQ(whole.counts.stamps, bytes.counts.stamps) << text;
  }
}

TEST(Vcd, cut_off_anywhere_it_ends_cleanly_or_with_an_error) {
  const std::string whole = edges_in(standard_example);
  int clean = 0;
  for (std::size_t size = 0; size < standard_example.size(); ++size) {
    const Decoded d = decode(standard_example.substr(0, size));
    const std::string part = told(d.items);
    ASSERT_EQ(whole.substr(0, part.size()), part) << size;
    ASSERT_EQ(d.bad, d.error.empty() ? 0U : 1U);
    clean += d.error.empty() ? 1 : 0;
    decode(standard_example.substr(0, size), true);
  }
  EXPECT_GT(clean, 50);
}

TEST(Vcd, garbage_does_no_harm) {
  std::mt19937 random(11);
  for (int attempt = 0; attempt < 3000; ++attempt) {
    std::string text =
        attempt % 2 == 0 ? standard_example : head + "#0 0! 1\" #1 1! 0\" #2 0! b1 \" #3 1! $dumpoff x! $end";
    for (unsigned changes = 1 + random() % 20; changes > 0; --changes) {
      const std::size_t at = random() % text.size();
      switch (random() % 4) {
        case 0:
          text[at] = static_cast<char>(random());
          break;
        case 1:
          text.erase(at, random() % 20);
          break;
        case 2:
          text.insert(at, text.substr(random() % text.size(), random() % 60));
          break;
        default:
          text.insert(at, std::string(1, " \n#$b0xr"[random() % 8]));
      }
    }
    decode(text, false, {{"crank", "accumulator[3]"}});
    decode(text, true, {{"crank", "accumulator[3]"}});
  }
}

TEST(VcdLive, a_word_that_cannot_be_read_is_a_gap_and_reading_goes_on) {
  const Decoded d = decode(head + "#0 0! #1 1! oops #2 0!\n", true);
  EXPECT_EQ(d.bad, 1U);
  EXPECT_EQ(told(d.items), "D0 r@1000\ngap@1000\nD0 f@2000\n");
  EXPECT_EQ(d.error, "F:2: expected a time or a value change, found \"oops\"");
}

TEST(VcdLive, one_stray_time_does_not_stop_it) {
  const Decoded d = decode(head + "#0 0! #10 1! #5 0! #11 1! #12 0!\n", true);
  EXPECT_EQ(d.bad, 1U);
  EXPECT_EQ(told(d.items), "D0 r@10000\ngap@10000\nD0 r@11000\nD0 f@12000\n");
}

TEST(VcdLive, a_writer_whose_time_starts_afresh_begins_a_new_epoch) {
  std::string text = head + "#0 0! #1000 1!";
  for (int i = 1; i <= 10; ++i) {
    text += " #" + std::to_string(i) + (i % 2 == 1 ? " 0!" : " 1!");
  }
  const Decoded d = decode(text, true);
  EXPECT_EQ(d.bad, 7U);
  const std::string story = told(d.items);
  EXPECT_EQ(story.substr(story.find("epoch")), "epoch@8000\nD0 r@8000\nD0 f@9000\nD0 r@10000\n");
}

TEST(VcdLive, a_new_header_begins_a_new_epoch_at_once) {
  const Decoded d = decode(head + "#0 0! #10 1!\n$date today $end\n" + head + "#0 1! #1 0!\n", true);
  EXPECT_EQ(d.bad, 0U);
  EXPECT_EQ(told(d.items), "D0 r@10000\nepoch@0\nD0 f@1000\n");
}

TEST(VcdLive, a_header_that_cannot_be_used_is_told_once) {
  const Decoded d =
      decode("$var wire 1 ! c $end $enddefinitions $end #1 1! #2 0! $dumpvars $end\n" + head + "#3 0! #4 1!", true);
  EXPECT_EQ(d.bad, 1U);
  EXPECT_EQ(told(d.items), "gap@0\nD0 r@4000\n");
}

TEST(Vcd, gives_channels_the_names_of_the_engine_file) {
  EXPECT_EQ(edges_in(head + "#0 0! 0\" #1 1! 1\"", {{"crank", "D0"}}), "crank r@1000\nD1 r@1000\n");
  EXPECT_EQ(edges_in(head + "#0 0! 0\" #1 1! 1\"", {{"D1", "D0"}}), "D1 r@1000\n");
}

TEST(Vcd, is_recognised_by_its_first_word) {
  EXPECT_EQ(driver_for_file(standard_example)->name, "vcd");
  EXPECT_EQ(driver_for_file("\n\t $comment x"), find_driver("vcd"));
  EXPECT_EQ(driver_for_file("$timescale\n1ns $end"), find_driver("vcd"));
  EXPECT_EQ(driver_for_file("t_ns,channel,edge\n1,$date,f\n"), find_driver("csv"));
  for (const char* other : {"", "$", "$dates", "date", "$5.00", "#0"}) {
    EXPECT_EQ(driver_for_file(other), nullptr) << other;
  }
}

}  // namespace
}  // namespace cw
