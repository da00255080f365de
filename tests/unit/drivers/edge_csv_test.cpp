#include "drivers/edge_csv.hpp"

#include <gtest/gtest.h>

#include <random>

#include "drivers/registry.hpp"
#include "feed.hpp"

namespace cw {
namespace {

using test::Decoded;

// Feeds `text` in pieces as `next_size` says.
template <typename NextSize>
Decoded decode(const std::string& text, bool live, NextSize next_size) {
  return test::decode_by("csv", {"F", live, {}}, text, next_size);
}

Decoded decode(const std::string& text, bool live = false) {
  return decode(text, live, [&] { return text.size(); });
}

std::string name_of(const ItemBuffer& items, std::size_t index) {
  const auto bytes = payload_of(items.items[index], items.payload);
  return {reinterpret_cast<const char*>(bytes.data()), bytes.size()};
}

std::vector<Item> edges_of(const ItemBuffer& items) {
  std::vector<Item> edges;
  std::copy_if(items.items.begin(), items.items.end(), std::back_inserter(edges),
               [](const Item& item) { return item.kind == ItemKind::edge; });
  return edges;
}

const std::string header = "t_ns,channel,edge\n";

TEST(EdgeCsv, names_each_channel_before_its_first_edge) {
  const Decoded d = decode(header + "-5,crank,f\n10,cam1,r\n10,crank,r\n");
  ASSERT_EQ(d.error, "");
  ASSERT_EQ(d.items.items.size(), 6U);
  EXPECT_EQ(name_of(d.items, 0), "crank");
  EXPECT_EQ(d.items.items[0].source_ns, -5);
  EXPECT_EQ(d.items.items[1].source_ns, -5);
  EXPECT_EQ(d.items.items[1].code, static_cast<std::uint8_t>(EdgeCode::falling));
  EXPECT_EQ(name_of(d.items, 2), "cam1");
  EXPECT_EQ(d.items.items[3].channel, 1);
  EXPECT_EQ(d.items.items[3].code, static_cast<std::uint8_t>(EdgeCode::rising));
  EXPECT_EQ(d.items.items[4].channel, 0);
  EXPECT_EQ(d.items.items[5].code, static_cast<std::uint8_t>(LinkNote::end_of_input));
}

TEST(EdgeCsv, takes_cr_lf_a_byte_order_mark_and_a_last_line_without_end) {
  const Decoded d = decode("\xEF\xBB\xBFt_ns,channel,edge\r\n1,crank,f\r\n2,crank,r");
  EXPECT_EQ(d.error, "");
  EXPECT_EQ(edges_of(d.items).size(), 2U);
}

TEST(EdgeCsv, takes_the_whole_range_of_int64_in_its_number) {
  for (const char* number : {"-9223372036854775808", "9223372036854775807", "0", "-0", "000000000000000000000017",
                             "999999999999999999", "1000000000000000000"}) {
    const Decoded d = decode(header + number + ",c,f\n");
    ASSERT_EQ(d.error, "") << number;
    ASSERT_EQ(edges_of(d.items).size(), 1U);
    EXPECT_EQ(edges_of(d.items)[0].source_ns, std::stoll(number)) << number;
  }
}

struct BadLine {
  std::string text;
  std::string error;
};

TEST(EdgeCsv, a_bad_line_gives_one_error_that_names_the_line_and_what_was_expected) {
  const std::string long_name(65, 'n');
  const std::vector<BadLine> table = {
      {"", "F:1: expected the header \"t_ns,channel,edge\", found the end of the file"},
      {"\n", "F:1: expected the header \"t_ns,channel,edge\", found \"\""},
      {"time,channel,edge\n", "F:1: expected the header \"t_ns,channel,edge\", found \"time,channel,edge\""},
      {"1,crank,f\n", "F:1: expected the header \"t_ns,channel,edge\", found \"1,crank,f\""},
      {header + "\n1,c,f\n", "F:2: expected t_ns,channel,edge, found an empty line"},
      {header + "1,c,f\n\n", "F:3: expected t_ns,channel,edge, found an empty line"},
      {header + "1,c\n", "F:2: expected t_ns,channel,edge, found \"1,c\""},
      {header + "1\n", "F:2: expected t_ns,channel,edge, found \"1\""},
      {header + "1,c,f,0\n", "F:2: expected t_ns,channel,edge, found \"1,c,f,0\""},
      {header + "1,a,b,f\n", "F:2: expected t_ns,channel,edge, found \"1,a,b,f\""},
      {header + "t_ns,channel,edge\n", "F:2: expected t_ns as a whole number of nanoseconds, found \"t_ns\""},
      {header + "1.5,c,f\n", "F:2: expected t_ns as a whole number of nanoseconds, found \"1.5\""},
      {header + " 1,c,f\n", "F:2: expected t_ns as a whole number of nanoseconds, found \" 1\""},
      {header + "+1,c,f\n", "F:2: expected t_ns as a whole number of nanoseconds, found \"+1\""},
      {header + "-,c,f\n", "F:2: expected t_ns as a whole number of nanoseconds, found \"-\""},
      {header + ",c,f\n", "F:2: expected t_ns as a whole number of nanoseconds, found \"\""},
      {header + "0x1,c,f\n", "F:2: expected t_ns as a whole number of nanoseconds, found \"0x1\""},
      {header + "9223372036854775808,c,f\n",
       "F:2: expected t_ns from -9223372036854775808 to 9223372036854775807, found \"9223372036854775808\""},
      {header + "-9223372036854775809,c,f\n",
       "F:2: expected t_ns from -9223372036854775808 to 9223372036854775807, found \"-9223372036854775809\""},
      {header + "1,c,x\n", "F:2: expected the edge r or f, found \"x\""},
      {header + "1,c,F\n", "F:2: expected the edge r or f, found \"F\""},
      {header + "1,c,\n", "F:2: expected the edge r or f, found \"\""},
      {header + "1,c,fr\n", "F:2: expected the edge r or f, found \"fr\""},
      {header + "1,c,f \n", "F:2: expected the edge r or f, found \"f \""},
      {header + "1,,f\n", "F:2: expected a channel name of 1 to 64 bytes without spaces and quotes, found \"\""},
      {header + "1,a b,f\n", "F:2: expected a channel name of 1 to 64 bytes without spaces and quotes, found \"a b\""},
      {header + "1,\"c\",f\n",
       "F:2: expected a channel name of 1 to 64 bytes without spaces and quotes, found \"\\x22c\\x22\""},
      {header + "1,\xC3,f\n",
       "F:2: expected a channel name of 1 to 64 bytes without spaces and quotes, found \"\\xc3\""},
      {header + "1," + long_name + ",f\n",
       "F:2: expected a channel name of 1 to 64 bytes without spaces and quotes, found \"" + std::string(40, 'n') +
           "...\""},
      {header + "5,c,f\n4,c,f\n", "F:3: expected t_ns of at least 5, that of the line before, found 4"},
      {header + "0,c,f\n86400000000001,c,f\n",
       "F:3: expected t_ns at most 24 h after 0, that of the line before, found 86400000000001"},
      {header + "-9223372036854775808,c,f\n9223372036854775807,c,f\n",
       "F:3: expected t_ns at most 24 h after -9223372036854775808, that of the line before, found "
       "9223372036854775807"},
      {header + std::string("1,\0,f\n", 6), "F:2: expected t_ns,channel,edge, found a NUL byte"},
      {header + std::string("\0\0\0", 3), "F:2: expected t_ns,channel,edge, found a NUL byte"},
      {header + std::string(300, '1') + "\n", "F:2: expected a line of at most 256 bytes, found a longer one"},
      {header + std::string(300, '1'), "F:2: expected a line of at most 256 bytes, found a longer one"},
      {header + "1,c,f\r\r\n", "F:2: expected the edge r or f, found \"f\\x0d\""},
      {header + "1;c;f\n", "F:2: expected t_ns,channel,edge, found \"1;c;f\""},
      {header + "\x1B[2J,c,f\n", "F:2: expected t_ns as a whole number of nanoseconds, found \"\\x1b[2J\""},
  };
  for (const BadLine& bad : table) {
    EXPECT_EQ(decode(bad.text).error, bad.error);
    EXPECT_EQ(decode(bad.text, false, [] { return 1; }).error, bad.error) << "byte by byte";
  }
}

TEST(EdgeCsv, refuses_a_span_of_more_than_366_days) {
  std::string text = header;
  constexpr std::int64_t day_ns = 86'400'000'000'000;
  for (int day = 0; day <= 367; ++day) {
    text += std::to_string(day * day_ns) + ",c,f\n";
  }
  EXPECT_EQ(decode(text).error,
            "F:369: expected t_ns at most 366 days after 0, the first of the file, found 31708800000000000");
}

TEST(EdgeCsv, refuses_the_251st_channel) {
  std::string text = header;
  for (int i = 0; i <= 250; ++i) {
    text += "1,n" + std::to_string(i) + ",f\n";
  }
  EXPECT_EQ(decode(text).error, "F:252: expected at most 250 channels, found one more: \"n250\"");
}

TEST(EdgeCsv, what_came_before_a_bad_line_is_given_out) {
  const Decoded d = decode(header + "1,c,f\n2,c,f\nbad\n3,c,f\n");
  EXPECT_EQ(edges_of(d.items).size(), 2U);
}

std::string messy_text() {
  std::mt19937 random(99);
  std::string text = header;
  std::int64_t t_ns = -1000;
  for (int i = 0; i < 400; ++i) {
    t_ns += static_cast<std::int64_t>(random() % 100000);
    const char* line_end = random() % 3 == 0 ? "\r\n" : "\n";
    text +=
        std::to_string(t_ns) + (random() % 5 == 0 ? ",cam1," : ",crank,") + (random() % 2 == 0 ? "r" : "f") + line_end;
    if (random() % 40 == 0) {
      text += random() % 2 == 0 ? std::string(400, 'x') + "\n" : "nonsense\n";
    }
  }
  return text + "7";
}

TEST(EdgeCsv, any_cut_of_the_bytes_gives_the_same_items) {
  for (const bool live : {false, true}) {
    const std::string text = live ? messy_text() : messy_text().substr(0, messy_text().find("nonsense"));
    const Decoded whole = decode(text, live);
    ASSERT_GT(whole.items.items.size(), 10U);
    std::mt19937 random(5);
    for (int attempt = 0; attempt < 60; ++attempt) {
      const std::size_t most = attempt == 0 ? 1 : 1 + random() % 300;
      const Decoded pieces = decode(text, live, [&] { return attempt == 0 ? 1 : 1 + random() % most; });
      ASSERT_EQ(pieces.items.items, whole.items.items);
      ASSERT_EQ(pieces.items.payload, whole.items.payload);
      ASSERT_EQ(pieces.error, whole.error);
      ASSERT_EQ(pieces.bad, whole.bad);
    }
  }
}

// Rows of the usual shape are read another way when enough bytes follow them: byte by byte they never do.
TEST(EdgeCsv, many_rows_at_once_give_what_they_give_byte_by_byte) {
  std::mt19937 random(1);
  const std::vector<std::string> odd = {"",
                                        "x",
                                        "1,crank,f",
                                        "1,crank",
                                        "-1,crank,f",
                                        "+5,crank,f",
                                        "5,crank,x",
                                        "5,,r",
                                        "5,crank,f ",
                                        "5,new,r",
                                        "5,cran,f",
                                        "5,crankk,f",
                                        "99999999999999999999,crank,f",
                                        "0000000000000000000005,crank,f",
                                        "5 ,crank,f"};
  for (int round = 0; round < 400; ++round) {
    std::string text = header;
    std::int64_t t_ns = 0;
    const bool crlf = round % 5 == 0;
    const bool live = round % 2 == 0;
    for (int row = 0; row < 60; ++row) {
      t_ns += static_cast<std::int64_t>(random() % (round % 3 == 0 ? 20 : 2'000'000'000));
      std::string line =
          std::to_string(t_ns) + (random() % 6 == 0 ? ",intake-left," : ",crank,") + (random() % 2 == 0 ? "r" : "f");
      if (random() % 50 == 0) {
        line = odd[random() % odd.size()];
      } else if (random() % 20 == 0) {
        line[random() % line.size()] = static_cast<char>(random() % 256);
      }
      text += line + (crlf ? "\r\n" : "\n");
    }
    const Decoded whole = decode(text, live);
    const Decoded bytes = decode(text, live, [] { return std::size_t{1}; });
    ASSERT_EQ(whole.error, bytes.error) << text;
    ASSERT_EQ(whole.items.items, bytes.items.items) << text;
    ASSERT_EQ(whole.items.payload, bytes.items.payload) << text;
  }
}

TEST(EdgeCsvLive, a_bad_line_is_a_gap_and_reading_goes_on) {
  const Decoded d = decode(header + "1,c,f\ngarbage\n2,c,f\n", true);
  EXPECT_EQ(d.bad, 1U);
  ASSERT_EQ(d.items.items.size(), 6U);  // connected, name, edge, gap, edge, end
  EXPECT_EQ(d.items.items[3].kind, ItemKind::gap);
  EXPECT_EQ(d.items.items[3].code, static_cast<std::uint8_t>(GapReason::bad_input));
  EXPECT_EQ(edges_of(d.items).size(), 2U);
  EXPECT_EQ(d.error, "F:3: expected t_ns,channel,edge, found \"garbage\"");
}

TEST(EdgeCsvLive, one_stray_time_does_not_stop_it) {
  for (const char* stray : {"5,c,f\n", "9000000000000000000,c,f\n"}) {
    const Decoded d = decode(header + "1000,c,f\n" + stray + "2000,c,f\n3000,c,f\n", true);
    EXPECT_EQ(d.bad, 1U);
    EXPECT_EQ(edges_of(d.items).size(), 3U);
    EXPECT_EQ(edges_of(d.items).back().source_ns, 3000);
  }
}

TEST(EdgeCsvLive, a_device_that_starts_afresh_begins_a_new_epoch) {
  std::string text = header + "100000,c,f\n";
  for (int i = 1; i <= 10; ++i) {
    text += std::to_string(i * 100) + ",c,f\n";
  }
  const Decoded d = decode(text, true);
  EXPECT_EQ(d.bad, 7U);
  const auto note = std::find_if(d.items.items.begin(), d.items.items.end(), [](const Item& item) {
    return item.kind == ItemKind::link_note && item.code == static_cast<std::uint8_t>(LinkNote::new_epoch);
  });
  ASSERT_NE(note, d.items.items.end());
  EXPECT_EQ(note->source_ns, 800);
  EXPECT_EQ(edges_of(d.items).size(), 4U);
}

TEST(EdgeCsvLive, a_repeated_header_is_passed_over) {
  const Decoded d = decode(header + "1,c,f\n" + header + "2,c,f\n", true);
  EXPECT_EQ(d.bad, 0U);
  EXPECT_EQ(edges_of(d.items).size(), 2U);
}

TEST(EdgeCsv, gives_channels_the_names_of_the_engine_file) {
  const auto driver = find_driver("csv")->make({"F", true, {{"crank", "D0"}}});
  ItemBuffer items;
  const std::string text = header + "1,D0,f\n2,D7,f\n";
  driver->read(text, items);
  EXPECT_EQ(name_of(items, 0), "crank");
  EXPECT_EQ(name_of(items, 2), "D7");
}

TEST(Registry, finds_drivers_by_name_and_by_the_first_bytes) {
  ASSERT_NE(find_driver("csv"), nullptr);
  EXPECT_EQ(find_driver("none"), nullptr);
  EXPECT_EQ(driver_for_file(header + "1,c,f\n"), find_driver("csv"));
  EXPECT_EQ(driver_for_file("PK\x03\x04"), nullptr);
  EXPECT_EQ(driver_names(), "csv, stream, vcd, serial, serial-csv, tcp, tcp-csv, candump, socketcan");
}

TEST(EdgeCsvLive, a_new_connection_forgets_the_line_begun_and_keeps_the_channel_numbers) {
  const auto driver = find_driver("csv")->make({"F", true, {}});
  ItemBuffer items;
  driver->start(items);
  driver->read(std::string(header + "1000,crank,f\n2000,cam1,f\n3000,cr"), items);
  driver->start(items);
  driver->read(std::string("999,crank,f\n500,cam1,f\n600,crank,f\n"), items);  // joined within a line; time began anew
  EXPECT_EQ(driver->bad_inputs(), 0U) << driver->error();
  const std::vector<Item> edges = edges_of(items);
  ASSERT_EQ(edges.size(), 4U);
  EXPECT_EQ(edges[2].source_ns, 500);
  EXPECT_EQ(edges[2].channel, edges[1].channel);
  EXPECT_EQ(edges[3].channel, edges[0].channel);
  const auto named = std::count_if(items.items.begin(), items.items.end(), [](const Item& item) {
    return item.kind == ItemKind::link_note && item.code == static_cast<std::uint8_t>(LinkNote::channel_named);
  });
  EXPECT_EQ(named, 2);
}

TEST(EdgeCsvLive, a_new_connection_that_begins_with_a_header_or_within_a_long_line_loses_nothing_else) {
  for (const std::string& joined : {header, std::string(300, 'x') + "\n"}) {
    const auto driver = find_driver("csv")->make({"F", true, {}});
    ItemBuffer items;
    driver->start(items);
    driver->read(std::string(header + std::string(1000, 'y')), items);
    const std::uint64_t bad = driver->bad_inputs();
    driver->start(items);
    driver->read(std::string(joined + "5,crank,f\n"), items);
    EXPECT_EQ(edges_of(items).size(), 1U);
    EXPECT_EQ(driver->bad_inputs(), bad);
  }
}

}  // namespace
}  // namespace cw
