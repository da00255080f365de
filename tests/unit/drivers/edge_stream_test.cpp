// What the decoder does with restarts, lost frames, drops, silence and time that goes wrong.
#include <gtest/gtest.h>

#include "drivers/edge_stream_clock.hpp"
#include "drivers/nmea.hpp"
#include "stream_device.hpp"

namespace cw {
namespace {

using test::Device;
using test::DeviceSettings;
using test::Gap;
using test::hear;
using test::Heard;
using test::SentEdge;

constexpr Gap unknown_loss = {GapReason::link_lost, -1};

std::string hex(unsigned value, unsigned digits) {
  std::string text;
  for (; digits > 0; --digits) {
    text += "0123456789ABCDEF"[value >> 4U * (digits - 1) & 15U];
  }
  return text;
}

std::string line(std::string body) {
  if (body.starts_with("H")) {
    body += "," + hex(encoder_crc16(reinterpret_cast<const std::uint8_t*>(body.data()), body.size()), 4);
  }
  return "$" + body + "*" + hex(nmea_checksum(body), 2) + "\n";
}

const std::string header = line("H,0,1,1000000,32,0,1000,0,crank,cam1");

// A frame each `step` ticks: header, then one edge a frame. Cut into frames.
std::vector<std::string> frames(const DeviceSettings& settings, int edges, std::uint64_t begin, std::uint64_t step) {
  Device device(settings);
  std::vector<std::string> out;
  device.poll(begin);
  out.push_back(device.take());
  for (int i = 1; i <= edges; ++i) {
    device.edge(i % 2, true, begin + static_cast<std::uint64_t>(i) * step);
    device.flush();
    out.push_back(device.take());
  }
  return out;
}

std::string joined(const std::vector<std::string>& some, std::size_t from = 0, std::size_t to = SIZE_MAX) {
  std::string all;
  for (std::size_t i = from; i < std::min(to, some.size()); ++i) {
    all += some[i];
  }
  return all;
}

TEST(EdgeStream, a_typed_text_stream_is_heard) {
  const Heard heard = hear(header + line("E,1,crank,f,2000") + "\r\n" + line("E,2,cam1,r,2000") + line("B,3,900000,0"));
  EXPECT_EQ(heard.error, "");
  EXPECT_EQ(heard.edges(), (std::vector<SentEdge>{{2'000'000, 0, false}, {2'000'000, 1, true}}));
  EXPECT_EQ(heard.notes(LinkNote::channel_named), 2U);
  EXPECT_EQ(heard.notes(LinkNote::heartbeat), 2U);
  EXPECT_EQ(heard.notes(LinkNote::end_of_input), 1U);
  EXPECT_TRUE(heard.gaps().empty());
}

TEST(EdgeStream, channels_get_the_names_of_the_engine_file) {
  const auto driver = find_driver("stream")->make({"F", false, {{"crank", "D0"}}});
  ItemBuffer items;
  driver->read(line("H,0,1,1000000,32,0,1000,0,D0,D7"), items);
  const auto bytes = payload_of(items.items[0], items.payload);
  EXPECT_EQ(std::string(reinterpret_cast<const char*>(bytes.data()), bytes.size()), "crank");
}

TEST(EdgeStream, lost_frames_are_one_gap_with_the_number_of_edges) {
  for (const int form : {CWES_BINARY, CWES_TEXT}) {
    const auto all = frames({form}, 50, 1000, 1000);
    const Heard heard = hear(joined(all, 0, 20) + joined(all, 27));
    EXPECT_EQ(heard.edges().size(), 43U);
    EXPECT_EQ(heard.gaps(), (std::vector<Gap>{{GapReason::link_lost, 7}}));
    EXPECT_EQ(heard.notes(LinkNote::new_epoch), 0U);
    EXPECT_EQ(heard.edges().back().t_ns, 51'000'000);
  }
}

TEST(EdgeStream, lost_heartbeats_are_a_gap_of_no_edges_in_the_binary_form) {
  Device device({});
  device.poll(0);
  std::string bytes = device.take();
  device.poll(110'000);
  device.take();  // this one is lost
  device.edge(0, true, 120'000);
  device.flush();
  const Heard heard = hear(bytes + device.take());
  EXPECT_EQ(heard.edges().size(), 1U);
  EXPECT_EQ(heard.gaps(), (std::vector<Gap>{{GapReason::bad_input, 0}}));
}

TEST(EdgeStream, noise_between_frames_that_cost_nothing_is_a_gap_of_no_edges) {
  for (const int form : {CWES_BINARY, CWES_TEXT}) {
    const auto all = frames({form}, 50, 1000, 1000);
    const std::string delimiter(1, form == CWES_TEXT ? '\n' : '\0');
    const Heard heard = hear(joined(all, 0, 20) + "noise" + delimiter + joined(all, 20));
    EXPECT_EQ(heard.edges().size(), 50U);
    EXPECT_EQ(heard.gaps(), (std::vector<Gap>{{GapReason::bad_input, 0}}));
    EXPECT_EQ(heard.bad, 1U);
    EXPECT_NE(heard.error.find("F: before byte "), std::string::npos) << heard.error;
  }
}

TEST(EdgeStream, what_the_device_dropped_becomes_a_gap_with_its_count_where_it_happened) {
  for (const int form : {CWES_BINARY, CWES_TEXT}) {
    Device device({form});
    device.poll(0);
    device.edge(0, true, 1000);
    device.dropped(41);
    device.edge(0, true, 2000);
    device.flush();
    const Heard heard = hear(device.take());
    EXPECT_EQ(heard.gaps(), (std::vector<Gap>{{GapReason::device_dropped, 41}}));
    ASSERT_EQ(heard.edges().size(), 2U);
    const auto gap = std::find_if(heard.items.items.begin(), heard.items.items.end(),
                                  [](const Item& item) { return item.kind == ItemKind::gap; });
    EXPECT_EQ((gap - 1)->source_ns, 1'000'000);
    EXPECT_EQ(std::count_if(heard.items.items.begin(), gap, [](const Item& i) { return i.kind == ItemKind::edge; }), 1);
  }
}

TEST(EdgeStream, drops_before_the_listener_joined_in_are_not_told) {
  const Heard heard = hear(line("H,9,1,1000000,32,4,1000,17,crank") + line("B,10,2000,19"));
  EXPECT_EQ(heard.gaps(), (std::vector<Gap>{{GapReason::device_dropped, 2}}));
}

TEST(EdgeStream, a_quiet_engine_still_gives_heartbeats_that_carry_the_time_over_wraps) {
  Device device({CWES_BINARY, 1'000'000, 16});
  std::string bytes;
  for (std::uint64_t now = 0; now < 10'000'000; now += 4000) {
    device.poll(now & 0xFFFF);
    bytes += device.take();
  }
  const Heard heard = hear(bytes);
  EXPECT_GT(heard.notes(LinkNote::heartbeat), 800U);
  EXPECT_EQ(heard.notes(LinkNote::new_epoch), 0U);
  EXPECT_GT(heard.items.items.back().source_ns, 9'980'000'000);
  EXPECT_LT(heard.items.items.back().source_ns, 10'000'000'000);
}

TEST(EdgeStream, a_device_that_starts_afresh_begins_a_new_epoch_and_time_does_not_fall) {
  for (const int form : {CWES_BINARY, CWES_TEXT}) {
    const Heard heard = hear(joined(frames({form}, 20, 5'000'000, 1000)) + joined(frames({form}, 20, 700, 1000)));
    EXPECT_EQ(heard.notes(LinkNote::new_epoch), 1U);
    EXPECT_EQ(heard.gaps(), (std::vector<Gap>{unknown_loss}));
    ASSERT_EQ(heard.edges().size(), 40U);
    EXPECT_EQ(heard.edges()[19].t_ns, 5'020'000'000);
    EXPECT_EQ(heard.edges()[20].t_ns, 5'021'000'000);  // 1 ms after the new header, which continues at the last time
    EXPECT_EQ(heard.notes(LinkNote::channel_named), 3U);
  }
}

TEST(EdgeStream, a_restart_with_other_channels_and_another_rate_names_them_anew) {
  const Heard heard =
      hear(header + line("E,1,crank,f,2000") + line("H,0,1,2000000,16,0,10,0,cam1,crank") + line("E,1,crank,r,2010"));
  EXPECT_EQ(heard.edges(), (std::vector<SentEdge>{{2'000'000, 0, false}, {3'000'000, 1, true}}));
  EXPECT_EQ(heard.notes(LinkNote::channel_named), 4U);
}

TEST(EdgeStream, after_a_restart_whose_header_was_lost_edges_wait_for_the_next_header) {
  for (const int form : {CWES_BINARY, CWES_TEXT}) {
    const auto second = frames({form}, 1500, 0, 1000);  // with a header after each second
    const Heard heard = hear(joined(frames({form}, 20, 5'000'000, 1000)) + joined(second, 1));
    EXPECT_EQ(heard.gaps(), (std::vector<Gap>{unknown_loss}));
    EXPECT_EQ(heard.notes(LinkNote::new_epoch), 1U);
    const std::vector<SentEdge> edges = heard.edges();
    EXPECT_EQ(edges.size(), 20U + 501U);
    EXPECT_TRUE(std::is_sorted(edges.begin(), edges.end(), [](auto& a, auto& b) { return a.t_ns < b.t_ns; }));
  }
}

// By chance the restarted device's sequence goes on close to where it was; its counter gives it away.
TEST(EdgeStream, a_restart_that_only_the_counter_shows_costs_one_frame_and_begins_a_new_epoch) {
  for (const int form : {CWES_BINARY, CWES_TEXT}) {
    const Heard heard = hear(joined(frames({form}, 20, 5'000'000, 1000)) + joined(frames({form}, 100, 700, 1000), 21));
    EXPECT_EQ(heard.notes(LinkNote::new_epoch), 1U);
    EXPECT_EQ(heard.edges().size(), 20U + 79U);
    EXPECT_EQ(heard.gaps(), (std::vector<Gap>{{GapReason::link_lost, 1}}));
    EXPECT_EQ(heard.edges()[20].t_ns, 5'020'000'000);
  }
}

TEST(EdgeStream, one_frame_whose_time_does_not_fit_is_dropped_and_counted) {
  for (const char* stray : {"E,2,crank,f,1500", "E,2,crank,f,900000000", "E,2,crank,f,4294960000"}) {
    const Heard heard = hear(header + line("E,1,crank,f,2000") + line(stray) + line("E,3,crank,f,3000"));
    EXPECT_EQ(heard.gaps(), (std::vector<Gap>{{GapReason::link_lost, 1}})) << stray;
    EXPECT_EQ(heard.edges(), (std::vector<SentEdge>{{2'000'000, 0, false}, {3'000'000, 0, false}})) << stray;
    EXPECT_EQ(heard.bad, 1U);
    EXPECT_EQ(heard.notes(LinkNote::new_epoch), 0U);
  }
}

TEST(EdgeStream, a_channel_that_the_header_does_not_name_is_refused_and_counted) {
  const Heard heard = hear(header + line("E,1,ref,f,2000") + line("E,2,crank,f,3000"));
  EXPECT_EQ(heard.gaps(), (std::vector<Gap>{{GapReason::link_lost, 1}}));
  EXPECT_EQ(heard.edges().size(), 1U);
}

TEST(EdgeStream, wraps_that_may_have_passed_unseen_begin_a_new_epoch) {
  Device device({CWES_BINARY, 1'000'000, 16});
  std::vector<std::string> all;
  for (std::uint64_t now = 0; now < 500'000; now += 4000) {
    device.poll(now & 0xFFFF);
    std::string bytes = device.take();
    if (!bytes.empty()) {
      all.push_back(std::move(bytes));
    }
  }
  EXPECT_EQ(hear(joined(all, 0, 10) + joined(all, 12)).notes(LinkNote::new_epoch), 0U);
  EXPECT_EQ(hear(joined(all, 0, 10) + joined(all, 20)).notes(LinkNote::new_epoch), 1U);
}

// As a link does that went away and came back (drivers/driver.hpp, start).
TEST(EdgeStream, a_new_connection_waits_for_a_header_and_begins_a_new_epoch) {
  for (const int form : {CWES_BINARY, CWES_TEXT}) {
    const auto all = frames({form}, 1500, 1'000'000, 1000);
    const auto driver = find_driver("stream")->make({"F", true, {}});
    Heard heard;
    driver->start(heard.items);
    driver->read(joined(all, 0, 20) + all[20].substr(0, 5), heard.items);
    driver->start(heard.items);
    driver->read(all[400].substr(3) + joined(all, 401), heard.items);
    EXPECT_EQ(heard.edges().size(), 19U + 501U);
    EXPECT_EQ(heard.notes(LinkNote::new_epoch), 1U);
    EXPECT_EQ(heard.notes(LinkNote::connected), 2U);
    EXPECT_EQ(heard.notes(LinkNote::channel_named), 3U);
    EXPECT_TRUE(heard.gaps().empty());  // the link says itself that it was away
    const std::vector<SentEdge> edges = heard.edges();
    EXPECT_TRUE(std::is_sorted(edges.begin(), edges.end(), [](auto& a, auto& b) { return a.t_ns < b.t_ns; }));
  }
}

// 16 bits at 1 MHz wrap after 65.536 ms; a frame comes each 16.384 ms at least. 32 bits wrap after 4,295 s.
TEST(EdgeStream, three_lost_frames_may_hide_a_wrap_of_a_short_counter_and_500_none_of_a_long_one) {
  StreamClock clock;
  clock.begin({1'000'000, 16, {"crank"}}, 0);
  EXPECT_TRUE(clock.wraps_are_known(0));
  EXPECT_TRUE(clock.wraps_are_known(2));
  EXPECT_FALSE(clock.wraps_are_known(3));
  clock.begin({1'000'000, 32, {"crank"}}, 0);
  EXPECT_TRUE(clock.wraps_are_known(500));
  clock.begin({1'000'000'000, 64, {"crank"}}, 0);
  EXPECT_TRUE(clock.wraps_are_known(500));
}

TEST(EdgeStream, a_file_without_a_header_is_an_error) {
  EXPECT_EQ(hear("").error, "F: expected an edge stream with a header, found no sound frame or line in 0 bytes");
  EXPECT_EQ(hear(line("E,1,crank,f,2000")).error,
            "F: expected an edge stream with a header, found frames but no header in 21 bytes");
  EXPECT_FALSE(hear("t_ns,channel,edge\n1,crank,f\n").sound);
  EXPECT_TRUE(hear(header).sound);
}

TEST(EdgeStream, a_header_out_of_range_says_what_was_expected) {
  const std::string good = line("H,0,1,1000000,32,0,0,0,a");
  const auto error_of = [&](const std::string& body) {
    const std::string error = hear(good + line(body) + line("B,9,1,0"), true).error;
    return error.substr(std::min(error.size(), error.find("expected")));
  };
  EXPECT_EQ(error_of("H,1,2,1000000,32,1,0,0,a"), "expected version 1 of the edge stream, found version 2");
  EXPECT_EQ(error_of("H,1,1,999,32,1,0,0,a"), "expected a tick rate of 1000 to 1000000000 Hz, found 999");
  EXPECT_EQ(error_of("H,1,1,1000000,15,1,0,0,a"), "expected a counter of 16 to 64 bits, found 15");
  EXPECT_EQ(error_of("H,1,1,8000000,16,1,0,0,a"),
            "expected a counter that wraps after 10 ms or more, found 16 bits at 8000000 Hz");
  EXPECT_EQ(error_of("H,1,1,1000000,32,1,0,0,a,b,c,d,e,f,g,h,i"), "expected 1 to 8 channels, found 9");
  EXPECT_EQ(error_of("H,1,1,1000000,32,1,0,0,a,a"),
            "expected channel names of 1 to 24 printable characters, each once, found \"a\"");
  EXPECT_EQ(error_of("H,1,1,1000000,32,1,0,0,1234567890123456789012345"),
            "expected channel names of 1 to 24 printable characters, each once, found \"1234567890123456789012345\"");
}

TEST(EdgeStream, the_form_may_change_when_nothing_sound_has_come_for_a_while) {
  const Heard heard = hear(joined(frames({CWES_BINARY}, 20, 1000, 1000)) + std::string(5000, 'x') + "\n" +
                           joined(frames({CWES_TEXT}, 20, 1000, 1000)));
  EXPECT_EQ(heard.edges().size(), 40U);
  EXPECT_EQ(heard.notes(LinkNote::new_epoch), 1U);
}

TEST(EdgeStream, is_recognised_by_its_head_in_both_forms_also_from_its_middle) {
  for (const int form : {CWES_BINARY, CWES_TEXT}) {
    const std::string bytes = joined(frames({form}, 50, 1000, 1000));
    for (std::size_t at = 0; at < 100; ++at) {
      EXPECT_EQ(driver_for_file(std::string_view(bytes).substr(at)), find_driver("stream"));
    }
  }
  EXPECT_EQ(driver_for_file("t_ns,channel,edge\n1,crank,f\n"), find_driver("csv"));
  EXPECT_EQ(driver_for_file("$GPRMC,1*00\n"), nullptr);
  EXPECT_EQ(driver_for_file(std::string_view("\0\0\0\0", 4)), nullptr);
}

}  // namespace
}  // namespace cw
