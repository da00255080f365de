// The C encoder, compiled freestanding, against published vectors and against the decoder.
#include <gtest/gtest.h>

#include <boost/crc.hpp>
#include <random>

#include "drivers/cobs.hpp"
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

using Bytes = std::vector<std::uint8_t>;

// Catalogue of parametrised CRC algorithms, "check" of CRC-16/CCITT-FALSE.
TEST(EdgeStreamChecksum, crc16_ccitt_false_of_123456789_is_29B1) {
  const std::string text = "123456789";
  EXPECT_EQ(encoder_crc16(reinterpret_cast<const std::uint8_t*>(text.data()), text.size()), 0x29B1);
  boost::crc_ccitt_type crc;
  crc.process_bytes(text.data(), text.size());
  EXPECT_EQ(crc.checksum(), 0x29B1);
}

// Widely printed NMEA 0183 examples.
TEST(EdgeStreamChecksum, nmea_sentences_have_47_and_4C) {
  const std::string gga = "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,";
  const std::string rmc = "GPRMC,000004,V,3714.6284,N,12146.9181,W,0.000,0.0,290697,15.4,E";
  EXPECT_EQ(nmea_checksum(gga), 0x47);
  EXPECT_EQ(nmea_checksum(rmc), 0x4C);
  EXPECT_EQ(nmea_body("$" + gga + "*47\r"), gga);
  EXPECT_EQ(nmea_body("noise$" + rmc + "*4c"), rmc);
  for (const char* tail : {"*48", "*4", "*", "", "*47 ", "*470", "*4G", "**47", "*+7", "*-7"}) {
    EXPECT_FALSE(nmea_body("$" + gga + tail)) << tail;
  }
}

struct Stuffed {
  Bytes plain;
  Bytes coded;
};

std::vector<Stuffed> cobs_examples() {
  Bytes full(254);
  Bytes full_coded = {0xFF};
  for (std::size_t i = 0; i < full.size(); ++i) {
    full[i] = static_cast<std::uint8_t>(i + 1);
    full_coded.push_back(full[i]);
  }
  // Cheshire and Baker, IEEE/ACM ToN 7(2), 1999 (from memory).
  return {{{0}, {1, 1}}, {{0, 0}, {1, 1, 1}}, {{0x11, 0x22, 0x00, 0x33}, {3, 0x11, 0x22, 2, 0x33}}, {full, full_coded}};
}

TEST(EdgeStreamCobs, gives_the_published_examples_both_ways) {
  for (const Stuffed& example : cobs_examples()) {
    Bytes coded(example.plain.size() + 2);
    coded.resize(encoder_cobs(example.plain.data(), example.plain.size(), coded.data()));
    EXPECT_EQ(coded, example.coded);
    Bytes plain(coded.size());
    const auto size = cobs_decode(coded, plain);
    ASSERT_TRUE(size);
    plain.resize(*size);
    EXPECT_EQ(plain, example.plain);
  }
}

TEST(EdgeStreamCobs, any_bytes_come_back) {
  std::mt19937 random(7);
  for (int i = 0; i < 2000; ++i) {
    Bytes plain(random() % 700);
    const unsigned zeros = 1 + random() % 300;
    std::generate(plain.begin(), plain.end(), [&] { return random() % zeros == 0 ? 0 : 1 + random() % 255; });
    Bytes coded(plain.size() + plain.size() / 254 + 2);
    coded.resize(encoder_cobs(plain.data(), plain.size(), coded.data()));
    EXPECT_EQ(std::count(coded.begin(), coded.end(), 0), 0);
    EXPECT_LE(coded.size(), plain.size() + plain.size() / 254 + 1);
    Bytes back(coded.size());
    const auto size = cobs_decode(coded, back);
    ASSERT_TRUE(size);
    back.resize(*size);
    EXPECT_EQ(back, plain);
  }
}

TEST(EdgeStreamCobs, a_frame_that_ends_within_a_block_or_holds_a_zero_is_refused) {
  Bytes plain(300);
  for (const Bytes& coded : {Bytes{}, Bytes{0}, Bytes{2}, Bytes{3, 1}, Bytes{2, 0}, Bytes{1, 0, 1}, Bytes{0xFF, 1}}) {
    EXPECT_FALSE(cobs_decode(coded, plain));
  }
}

// ticks * 1e9 / rate, rounded down, in 128 bits.
std::int64_t ns_of(std::uint64_t ticks, std::uint32_t rate_hz) {
  __extension__ using Wide = unsigned __int128;
  return static_cast<std::int64_t>(Wide{ticks} * 1'000'000'000U / rate_hz);
}

struct Trial {
  std::string bytes;
  std::vector<SentEdge> sent;
};

// Random edges, quick and slow, with silences, on a counter that starts at `begin`.
Trial random_trial(const DeviceSettings& settings, std::uint64_t begin, unsigned seed, int edges) {
  Device device(settings);
  std::mt19937_64 random(seed);
  const std::uint64_t mask = UINT64_MAX >> (64 - settings.width_bits);
  const std::uint64_t poll_ticks =
      std::max<std::uint64_t>(1, std::min<std::uint64_t>(settings.rate_hz / 250, mask / 16));
  std::uint64_t now = begin;
  Trial trial;
  device.poll(now & mask);
  for (int i = 0; i < edges; ++i) {
    const std::uint64_t seconds_of_silence = random() % 200 == 0 ? 1 + random() % 3 : 0;
    const std::uint64_t edges_a_second = 1 + random() % 4000;
    std::uint64_t wait = seconds_of_silence * settings.rate_hz + random() % (settings.rate_hz / edges_a_second + 1);
    for (; wait > poll_ticks; wait -= poll_ticks) {
      now += poll_ticks;
      device.poll(now & mask);
      trial.bytes += device.take();
    }
    now += wait;
    const int channel = static_cast<int>(random() % 3);
    const bool rising = random() % 2 == 0;
    EXPECT_TRUE(device.edge(channel, rising, now & mask));
    trial.sent.push_back({ns_of(now, settings.rate_hz), channel, rising});
    trial.bytes += device.take();
  }
  device.flush();
  trial.bytes += device.take();
  return trial;
}

struct Counter {
  std::uint32_t rate_hz;
  int width_bits;
};

TEST(EdgeStreamEncoder, what_goes_in_comes_out_exactly_at_any_rate_and_width_over_many_wraps) {
  for (const Counter& counter :
       {Counter{1'000, 16}, Counter{1'000'000, 16}, Counter{6'553'500, 16}, Counter{1'000'000, 17},
        Counter{12'345'678, 24}, Counter{84'000'000, 32}, Counter{1'000'000'000, 32}, Counter{999'999'937, 48},
        Counter{1'000'000'000, 64}, Counter{3'000, 64}, Counter{1'000'000, 32}}) {
    for (const int form : {CWES_BINARY, CWES_TEXT}) {
      const DeviceSettings settings{form, counter.rate_hz, counter.width_bits, 1U << 20U};
      const Trial trial = random_trial(settings, 0, 11, 500);
      const Heard heard = hear(trial.bytes);
      EXPECT_EQ(heard.error, "");
      EXPECT_TRUE(heard.gaps().empty());
      EXPECT_EQ(heard.notes(LinkNote::new_epoch), 0U);
      ASSERT_EQ(heard.edges(), trial.sent) << counter.rate_hz << " Hz, " << counter.width_bits << " bits";
    }
  }
}

// A first counter just below the wrap: time begins there and goes on over it.
TEST(EdgeStreamEncoder, a_counter_that_starts_just_before_its_wrap_goes_on_over_it) {
  for (const int width_bits : {16, 32, 33, 64}) {
    for (const int form : {CWES_BINARY, CWES_TEXT}) {
      const std::uint64_t mask = UINT64_MAX >> (64 - width_bits);
      const Trial trial = random_trial({form, 1'000'000, width_bits, 65536}, mask - 100, 3, 300);
      const std::vector<SentEdge> heard = hear(trial.bytes).edges();
      ASSERT_EQ(heard.size(), trial.sent.size());
      const std::uint64_t begin = mask - 100;
      for (std::size_t i = 1; i < heard.size(); ++i) {
        ASSERT_GE(heard[i].t_ns, heard[i - 1].t_ns);
      }
      if (width_bits < 64) {  // beyond 2^62 ns time begins at 0
        EXPECT_EQ(heard, trial.sent);
      } else {
        EXPECT_EQ(heard.back().t_ns - heard.front().t_ns,
                  static_cast<std::int64_t>((static_cast<std::uint64_t>(trial.sent.back().t_ns) -
                                             static_cast<std::uint64_t>(trial.sent.front().t_ns))));
      }
      EXPECT_GT(begin, 0U);
    }
  }
}

TEST(EdgeStreamEncoder, any_cut_of_the_bytes_gives_the_same_items) {
  for (const int form : {CWES_BINARY, CWES_TEXT}) {
    Trial trial = random_trial({form, 2'000'000, 24, 65536}, 5, 21, 1200);
    std::mt19937 random(5);
    for (std::size_t at = 700; at < trial.bytes.size(); at += 3000) {  // damage of all sorts
      // A draw a statement: which of two in one the compiler takes first is its own choice.
      const std::size_t most = random() % 4 == 0 ? 6000 : 40;
      std::string noise(1 + random() % most, '\0');
      std::generate(noise.begin(), noise.end(), [&] { return static_cast<char>(random()); });
      trial.bytes.insert(at, noise);
    }
    for (const bool live : {false, true}) {
      const Heard whole = hear(trial.bytes, live);
      ASSERT_GT(whole.edges().size(), 300U);
      ASSERT_GT(whole.gaps().size(), 1U);
      for (int attempt = 0; attempt < 40; ++attempt) {
        const std::size_t most = attempt == 0 ? 1 : 1 + random() % 300;
        const Heard pieces = hear(trial.bytes, live, [&] { return 1 + random() % most; });
        ASSERT_EQ(pieces.items.items, whole.items.items);
        ASSERT_EQ(pieces.items.payload, whole.items.payload);
        ASSERT_EQ(pieces.error, whole.error);
        ASSERT_EQ(pieces.bad, whole.bad);
      }
    }
  }
}

TEST(EdgeStreamEncoder, refuses_settings_out_of_range) {
  static const char* const good[] = {"a", "b"};
  static const char* const bad[] = {"a", "b c"};
  static const char* const endless[] = {"a", "1234567890123456789012345"};
  std::uint8_t ring[CWES_RING_MIN];
  cwes_encoder es;
  const auto init = [&](int form, std::uint32_t rate, int width, const char* const* names, int count,
                        std::size_t size) { return encoder_init(&es, form, rate, width, names, count, ring, size); };
  EXPECT_EQ(init(CWES_TEXT, 1'000'000, 16, good, 2, sizeof ring), 1);
  EXPECT_EQ(init(2, 1'000'000, 16, good, 2, sizeof ring), 0);
  EXPECT_EQ(init(CWES_TEXT, 999, 16, good, 2, sizeof ring), 0);
  EXPECT_EQ(init(CWES_TEXT, 1'000'000'001, 64, good, 2, sizeof ring), 0);
  EXPECT_EQ(init(CWES_TEXT, 1'000'000, 15, good, 2, sizeof ring), 0);
  EXPECT_EQ(init(CWES_TEXT, 1'000'000, 65, good, 2, sizeof ring), 0);
  EXPECT_EQ(init(CWES_TEXT, 6'553'700, 16, good, 2, sizeof ring), 0);  // wraps after less than 10 ms
  EXPECT_EQ(init(CWES_TEXT, 1'000'000, 16, bad, 2, sizeof ring), 0);
  EXPECT_EQ(init(CWES_TEXT, 1'000'000, 16, endless, 2, sizeof ring), 0);
  EXPECT_EQ(init(CWES_TEXT, 1'000'000, 16, good, 0, sizeof ring), 0);
  EXPECT_EQ(init(CWES_TEXT, 1'000'000, 16, good, 9, sizeof ring), 0);
  EXPECT_EQ(init(CWES_TEXT, 1'000'000, 16, good, 2, sizeof ring - 1), 0);
}

// A line slower than the edges: what the ring can't hold is dropped, the count is told before the next edge, and sums
// up to what was sent.
TEST(EdgeStreamEncoder, what_a_slow_line_can_not_carry_is_counted_and_told_before_the_next_edge) {
  for (const int form : {CWES_BINARY, CWES_TEXT}) {
    Device device({form, 1'000'000, 32, CWES_RING_MIN});
    std::string bytes;
    std::vector<SentEdge> taken;
    std::uint64_t now = 0;
    constexpr int edges = 20000;
    for (int i = 0; i < edges; ++i, now += 50) {  // 20,000 edges/s
      if (device.edge(i % 3, i % 2 == 0, now)) {
        taken.push_back({static_cast<std::int64_t>(now) * 1000, i % 3, i % 2 == 0});
      }
      if (i % 20 == 0) {
        bytes += device.take(10);  // 10 bytes a millisecond
      }
    }
    while (device.encoder().ring_used > 0 || device.encoder().owes_count != 0) {
      bytes += device.take(10);
      device.poll(now += 20'000);
    }
    const Heard heard = hear(bytes);
    EXPECT_EQ(heard.edges(), taken);
    ASSERT_GT(taken.size(), 100U);
    ASSERT_LT(taken.size(), 15000U);
    std::int64_t dropped = 0;
    for (const Gap& gap : heard.gaps()) {
      EXPECT_EQ(gap.reason, GapReason::device_dropped);
      dropped += gap.count;
    }
    EXPECT_EQ(dropped, edges - static_cast<std::int64_t>(taken.size()));
    // No edge after a drop comes before the gap that tells of it.
    std::int64_t last_ns = -50'000;
    for (const Item& item : heard.items.items) {
      if (item.kind == ItemKind::gap) {
        last_ns = INT64_MIN;
      } else if (item.kind == ItemKind::edge) {
        EXPECT_TRUE(last_ns == INT64_MIN || item.source_ns == last_ns + 50'000) << item.source_ns;
        last_ns = item.source_ns;
      }
    }
  }
}

TEST(EdgeStreamEncoder, an_edge_before_the_last_one_is_refused_and_counted_one_before_the_last_poll_is_not) {
  Device device({});
  device.poll(1000);
  EXPECT_TRUE(device.edge(0, true, 900));
  EXPECT_TRUE(device.edge(1, true, 950));
  EXPECT_FALSE(device.edge(0, false, 949));
  EXPECT_TRUE(device.edge(0, false, 1100));
  EXPECT_FALSE(device.edge(3, false, 1200));
  device.poll(30'000);
  const Heard heard = hear(device.take());
  EXPECT_EQ(heard.edges(), (std::vector<SentEdge>{{900'000, 0, true}, {950'000, 1, true}, {1'100'000, 0, false}}));
  EXPECT_EQ(heard.gaps(), (std::vector<Gap>{{GapReason::device_dropped, 1}, {GapReason::device_dropped, 1}}));
}

// Bytes an edge over ten seconds of even edges on one channel, headers and heartbeats included.
double bytes_an_edge(int form, std::uint32_t rate_hz, double edges_a_second) {
  Device device({form, rate_hz, 32, 65536});
  std::size_t bytes = 0;
  const int edges = static_cast<int>(10 * edges_a_second);
  double next_poll_s = 0;
  for (int i = 0; i < edges; ++i) {
    const double at_s = i / edges_a_second;
    for (; next_poll_s < at_s; next_poll_s += 0.004) {
      device.poll(static_cast<std::uint64_t>(next_poll_s * rate_hz));
    }
    EXPECT_TRUE(device.edge(0, i % 2 == 0, static_cast<std::uint64_t>(at_s * rate_hz)));
    bytes += device.take().size();
  }
  device.flush();
  return static_cast<double>(bytes + device.take().size()) / edges;
}

TEST(EdgeStreamEncoder, takes_at_most_3_bytes_an_edge_from_2000_edges_a_second_on) {
  for (const std::uint32_t rate_hz : {1'000'000U, 2'000'000U, 4'000'000U}) {
    for (const double speed : {2'000.0, 6'000.0, 20'000.0}) {
      const double bytes = bytes_an_edge(CWES_BINARY, rate_hz, speed);
      EXPECT_LE(bytes, 3.0) << rate_hz << " Hz, " << speed << " edges/s";
      std::printf("%u Hz, %.0f edges/s: %.2f bytes an edge, text %.1f\n", rate_hz, speed, bytes,
                  bytes_an_edge(CWES_TEXT, rate_hz, speed));
    }
  }
  std::printf("84 MHz: %.2f %.2f %.2f\n", bytes_an_edge(CWES_BINARY, 84'000'000, 2'000),
              bytes_an_edge(CWES_BINARY, 84'000'000, 6'000), bytes_an_edge(CWES_BINARY, 84'000'000, 20'000));
}

// Polled each 4 ms, no edge waits longer than 20 ms for its frame, at any speed.
TEST(EdgeStreamEncoder, an_edge_is_sent_within_20_ms) {
  for (const int width_bits : {16, 32}) {
    Device device({CWES_BINARY, 1'000'000, width_bits, 65536});
    std::mt19937 random(3);
    const std::uint64_t mask = UINT64_MAX >> (64 - width_bits);
    std::vector<std::uint64_t> waiting;
    std::uint64_t now = 0;
    for (int i = 0; i < 20000; ++i) {
      now += 4000;
      for (std::uint64_t t = now - 4000 + random() % 8000; t < now; t += 100 + random() % 3000) {
        device.edge(0, true, t & mask);
        waiting.push_back(t);
      }
      device.poll(now & mask);
      device.take();
      if (device.encoder().open_edges == 0) {
        waiting.clear();
      }
      waiting.erase(waiting.begin(), waiting.end() - device.encoder().open_edges);
      if (!waiting.empty()) {
        ASSERT_LE(now - waiting.front(), 16'000U);  // and 4,000 until the next poll
      }
    }
  }
}

}  // namespace
}  // namespace cw
