// The CAN log reader, also against python3-can (Debian package), a reader and writer of the same format.
#include "drivers/candump_log.hpp"

#include <gtest/gtest.h>

#include <cstdlib>
#include <fstream>
#include <random>
#include <sstream>

#include "can_lines.hpp"
#include "drivers/registry.hpp"
#include "feed.hpp"
#include "tests/unit/record/scratch_folder.hpp"

namespace cw {
namespace {

using test::Decoded;

template <typename NextSize>
Decoded decode(const std::string& text, bool live, NextSize next_size) {
  return test::decode_by("candump", {"F", live, {{"body", "can1"}}}, text, next_size);
}

Decoded decode(const std::string& text, bool live = false) {
  return decode(text, live, [&] { return text.size(); });
}

// The only frame of a line that is sound.
CanFrame frame_in(const std::string& frame) {
  const Decoded d = decode("(1.5) can0 " + frame + "\n");
  EXPECT_EQ(d.error, "");
  for (const Item& item : d.items.items) {
    if (const auto found = can_frame_of(item, d.items.payload)) {
      return *found;
    }
  }
  ADD_FAILURE() << frame;
  return {};
}

std::string error_of(const std::string& line) {
  return decode(line + "\n").error;
}

std::vector<Item> of_kind(const ItemBuffer& items, ItemKind kind) {
  std::vector<Item> found;
  std::copy_if(items.items.begin(), items.items.end(), std::back_inserter(found),
               [&](const Item& item) { return item.kind == kind; });
  return found;
}

TEST(CandumpLog, reads_a_line_of_candump) {
  const Decoded d = decode("(1436509052.249713) vcan0 123#DEADBEEF\n");
  ASSERT_EQ(d.error, "");
  ASSERT_EQ(d.items.items.size(), 3U);
  EXPECT_EQ(d.items.items[0].code, static_cast<std::uint8_t>(LinkNote::channel_named));
  EXPECT_EQ(test::channel_names(d.items), (std::vector<std::string>{"vcan0"}));
  EXPECT_EQ(d.items.items[1].source_ns, 1'436'509'052'249'713'000);
  EXPECT_EQ(test::lines_of_frames(d.items), "0 1436509052249713000 123#DEADBEEF\n");
  EXPECT_EQ(d.items.items[2].code, static_cast<std::uint8_t>(LinkNote::end_of_input));
}

TEST(CandumpLog, reads_every_form_of_a_frame) {
  EXPECT_EQ(frame_in("000#").length, 0);
  EXPECT_EQ(frame_in("7FF#1122334455667788").id, 0x7FFU);
  EXPECT_EQ(frame_in("7ff#1a").data[0], std::byte{0x1A});
  EXPECT_TRUE(frame_in("00000123#00").extended);
  EXPECT_EQ(frame_in("1FFFFFFF#00").id, 0x1FFFFFFFU);
  EXPECT_TRUE(frame_in("123#R").remote);
  EXPECT_EQ(frame_in("123#R8").length, 8);
  EXPECT_EQ(frame_in("12345678#R3").length, 3);
  EXPECT_EQ(frame_in("123#1122334455667788_E").length, 8);  // raw length code, candump -8
  EXPECT_EQ(frame_in("123#R8_F").length, 8);
  EXPECT_EQ(frame_in("123#11 R"), frame_in("123#11"));
  EXPECT_EQ(frame_in("123#11 T"), frame_in("123#11"));
  const CanFrame error = frame_in("20000004#0004000000000000");
  EXPECT_TRUE(error.error);
  EXPECT_FALSE(error.extended);
  EXPECT_EQ(error.id, 4U);
  EXPECT_EQ(error.data[1], std::byte{4});
  const CanFrame fd = frame_in("123##7" + std::string(128, 'A'));
  EXPECT_TRUE(fd.fd && fd.bit_rate_switch && fd.error_state_indicator);
  EXPECT_EQ(fd.length, 64);
  EXPECT_FALSE(frame_in("123##0").bit_rate_switch);
  EXPECT_TRUE(frame_in("123##1").bit_rate_switch);
  EXPECT_TRUE(frame_in("123##2").error_state_indicator);
  EXPECT_TRUE(frame_in("12345678##4AABB").fd);
}

TEST(CandumpLog, makes_each_interface_a_channel_of_its_name) {
  const Decoded d = decode("(1.0) can0 001#\n(1.0) can1 001#\n(1.1) can0 002#\n");
  EXPECT_EQ(test::channel_names(d.items), (std::vector<std::string>{"can0", "body"}));  // can1 is called body here
  EXPECT_EQ(test::lines_of_frames(d.items), "0 1000000000 001#\n1 1000000000 001#\n0 1100000000 002#\n");
}

TEST(CandumpLog, takes_line_ends_of_any_kind_empty_lines_and_a_last_line_without_one) {
  const std::string frames = test::lines_of_frames(decode("(1.0) c 1AB#00\n(1.1) c 1AB#01\n").items);
  EXPECT_EQ(test::lines_of_frames(decode("(1.0) c 1AB#00\r\n\r\n\n(1.1) c 1AB#01").items), frames);
  EXPECT_EQ(decode("").error, "");
}

TEST(CandumpLog, an_error_names_file_line_column_and_what_was_expected) {
  EXPECT_EQ(error_of("(1.0) can0 123#0"), "F:1:17: expected a byte of two hex digits, found the end of the line");
  const std::vector<std::tuple<std::string, int, std::string>> wrongs = {
      {"1.0) can0 123#", 1, "\"(\" before the time"},
      {"(x) can0 123#", 2, "seconds since 1970"},
      {"(9223372036.0) can0 123#", 2, "seconds since 1970, at most 9223372035"},
      {"(12345678901.0) can0 123#", 12, "\".\" after the seconds"},
      {"(1) can0 123#", 3, "\".\" after the seconds"},
      {"(1.) can0 123#", 4, "1 to 9 digits of a second"},
      {"(1.0000000001) can0 123#", 13, "\") \" after 1 to 9 digits"},
      {"(1.0)can0 123#", 6, "\") \" after 1 to 9 digits"},
      {"(1.0)  123#", 7, "the name of an interface"},
      {"(1.0) interface0123456 123#", 7, "the name of an interface, 1 to 15"},
      {"(1.0) can0", 11, "a space after the interface"},
      {"(1.0) can0 ", 12, "an identifier of 3 or 8"},
      {"(1.0) can0 12#", 14, "an identifier of 3 or 8"},
      {"(1.0) can0 800#", 12, "an identifier of at most 7FF"},
      {"(1.0) can0 80000000#", 12, "an identifier of at most 1FFFFFFF"},
      {"(1.0) can0 123-00", 15, "a hex digit of the identifier"},
      {"(1.0) can0 123#0G", 17, "a byte of two hex digits"},
      {"(1.0) can0 123#112233445566778899", 32, "the end of the frame"},
      {"(1.0) can0 123#11_9", 18, "the end of the frame"},
      {"(1.0) can0 123#R9", 17, "a length from 0 to 8"},
      {"(1.0) can0 123##", 17, "a hex digit of CAN FD flags"},
      {"(1.0) can0 123###", 17, "a hex digit of CAN FD flags"},  // CAN XL
      {"(1.0) can0 123##0112233445566778899", 36, "0 to 8, 12, 16"},
      {"(1.0) can0 20000004##1", 12, "an error frame with data"},
      {"(1.0) can0 20000004#R", 12, "an error frame with data"},
      {"(1.0) can0 123#11 X", 18, "the end of the line, \" R\" or \" T\""},
      {std::string(300, '('), 257, "a line of at most 256 bytes"}};
  for (const auto& [line, column, expected] : wrongs) {
    const std::string error = error_of(line);
    EXPECT_EQ(error.find("F:1:" + std::to_string(column) + ": expected " + expected), 0U) << line << "\n" << error;
    EXPECT_NE(error.find(", found "), std::string::npos) << error;
  }
}

TEST(CandumpLog, a_file_ends_at_its_first_wrong_line_with_what_came_before) {
  const Decoded d = decode("(1.0) c 001#\n(1.1) c 00#\n(1.2) c 002#\n");
  EXPECT_EQ(test::lines_of_frames(d.items), "0 1000000000 001#\n");
  EXPECT_EQ(d.error.substr(0, 6), "F:2:11");
}

TEST(CandumpLog, live_a_wrong_line_is_a_gap_and_reading_goes_on) {
  const Decoded d =
      decode("half a line\n(1.0) c 001#\n(1.1) c 00#\n" + std::string(1000, '(') + "\n(1.2) c 002#\n", true);
  EXPECT_EQ(test::lines_of_frames(d.items), "0 1000000000 001#\n0 1200000000 002#\n");
  EXPECT_EQ(of_kind(d.items, ItemKind::gap).size(), 3U);
  EXPECT_EQ(d.bad, 3U);
}

// Several interfaces have a queue each, and candump reads one after the other.
TEST(CandumpLog, times_may_fall_by_a_second_and_no_more) {
  EXPECT_EQ(decode("(5.0) a 001#\n(4.0) b 001#\n(5.1) a 001#\n").error, "");
  EXPECT_EQ(error_of("(5.0) a 001#\n(3.999999999) b 001#"),
            "F:2:2: expected a time at most 1 s before the latest one, 5.000000000, found 3.999999999");
  EXPECT_EQ(error_of("(5.0) a 001#\n(86405.1) b 001#"),
            "F:2:2: expected a time at most 24 h after the latest one, 5.000000000, found 86405.100000000");
  std::string year;
  for (int day = 0; day <= 367; ++day) {
    year += "(" + std::to_string(day * 86400) + ".0) a 001#\n";
  }
  EXPECT_NE(decode(year).error.find(":368:2: expected a time at most 366 days after"), std::string::npos);
  EXPECT_EQ(decode(year, true).error, "");
}

TEST(CandumpLog, live_a_clock_that_was_set_back_begins_a_new_epoch_after_eight_lines_that_agree) {
  std::string text = "(1000.0) a 001#\n";
  for (int i = 0; i < 9; ++i) {
    text += "(10.0) a 00" + std::to_string(i) + "#\n";
  }
  const Decoded d = decode(text, true);
  EXPECT_EQ(d.bad, 7U);
  EXPECT_EQ(test::lines_of_frames(d.items), "0 1000000000000 001#\n0 10000000000 007#\n0 10000000000 008#\n");
}

TEST(CandumpLog, refuses_the_251st_interface) {
  std::string text;
  for (int i = 0; i <= 250; ++i) {
    text += "(1.0) can" + std::to_string(i) + " 001#\n";
  }
  EXPECT_EQ(decode(text).error, "F:251:7: expected at most 250 interfaces, found one more: \"can250\"");
}

TEST(CandumpLog, the_same_items_however_the_bytes_are_cut) {
  std::mt19937 dice(1);
  std::string text;
  for (int i = 0; i < 300; ++i) {
    text += "(" + std::to_string(1000 + i) + ".25) can" + std::to_string(i % 3) + (i % 7 == 0 ? " 12" : " 123") +
            (i % 5 == 0 ? "##1AABB R\r\n" : "#11\n");
  }
  const Decoded whole = decode(text, true);
  const auto compare = [&](const Decoded& cut) {
    EXPECT_EQ(cut.items.items, whole.items.items);
    EXPECT_EQ(cut.items.payload, whole.items.payload);
    EXPECT_EQ(cut.error, whole.error);
  };
  compare(decode(text, true, [] { return 1U; }));
  compare(decode(text, true, [&] { return 1U + dice() % 60U; }));
}

TEST(CandumpLog, files_are_recognised_by_their_first_line) {
  EXPECT_EQ(driver_for_file("(1436509052.249713) vcan0 123#DEADBEEF\n")->name, "candump");
  EXPECT_EQ(driver_for_file("t_ns,channel,edge\n")->name, "csv");
}

// ---- python3-can

std::string file_text(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
}

// Runs a script with the system's python, which has python3-can; its output.
std::string python(const test::ScratchFolder& folder, const std::string& script) {
  test::write_text(folder / "script.py", "import sys\nsys.path.insert(0, '" CRANKWITNESS_SOURCE_DIR
                                         "/tests/unit/drivers')\nimport can_peer\n" +
                                             script);
  const std::string out = folder / "out.txt";
  // NOLINTNEXTLINE(concurrency-mt-unsafe,cert-env33-c): a test, on one thread
  const int status = std::system(("cd " + folder.path() + " && /usr/bin/python3 script.py >" + out + " 2>&1").c_str());
  EXPECT_EQ(status, 0) << file_text(out);
  return file_text(out);
}

TEST(CandumpLogPeer, a_log_written_by_python_can_is_read_as_it_reads_it_itself) {
  const test::ScratchFolder folder;
  const std::string theirs = python(folder, "can_peer.write('log.log', 2000, seed=7)\ncan_peer.show('log.log')\n");
  const Decoded d = decode(file_text(folder / "log.log"));
  EXPECT_EQ(d.error, "");
  EXPECT_GT(theirs.size(), 2000U);
  EXPECT_EQ(test::frames_as_peer_shows_them(d.items), theirs);
}

TEST(CandumpLogPeer, a_log_written_by_hand_is_read_alike_by_both) {
  const test::ScratchFolder folder;
  const std::string log =
      "(1436509052.249713) vcan0 123#DEADBEEF\n"
      "(1436509052.249714) vcan0 7ff#\n"
      "(1436509052.350000) can1 1FFFFFFF#1122334455667788 R\n"
      "\n"
      "(1436509052.350001) can1 00000001#R\n"
      "(1436509052.350002) can1 123#R8 T\n"
      "(1436509053.000000) vcan0 123##1112233445566778899AABBCC\n"
      "(1436509053.000001) vcan0 00000123##3" +
      std::string(128, 'E') + "\n";
  test::write_text(folder / "log.log", log);
  const Decoded d = decode(log);
  EXPECT_EQ(d.error, "");
  EXPECT_EQ(test::frames_as_peer_shows_them(d.items), python(folder, "can_peer.show('log.log')\n"));
}

}  // namespace
}  // namespace cw
