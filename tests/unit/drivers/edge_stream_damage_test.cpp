// A recorded edge stream with something wrong at every byte of it in turn.
#include <gtest/gtest.h>

#include <functional>
#include <numeric>
#include <random>

#include "stream_device.hpp"

namespace cw {
namespace {

using test::Device;
using test::Gap;
using test::hear;
using test::Heard;
using test::SentEdge;

struct Recording {
  std::string bytes;
  std::vector<SentEdge> sent;
  std::vector<std::size_t> frame_end;     // after each delimiter
  std::vector<std::size_t> edges_before;  // of each frame
  std::size_t first_header_end = 0;
  std::size_t last_edge_end = 0;  // the frame with the last edge ends here
};

// Edges for 2.3 s, so that there are three headers, with a silence, and heartbeats at the end.
Recording record(int form) {
  Device device({form, 1'000'000, 32, 65536});
  Recording out;
  std::mt19937 random(17);
  std::uint64_t now = 123'456;
  const auto take = [&] {
    for (std::string byte = device.take(1); !byte.empty(); byte = device.take(1)) {
      out.bytes += byte;
      if (byte[0] == (form == CWES_TEXT ? '\n' : '\0')) {
        out.frame_end.push_back(out.bytes.size());
      }
    }
  };
  device.poll(now);
  take();
  out.first_header_end = out.bytes.size();
  const std::uint64_t end = now + 2'300'000;
  while (now < end) {
    for (std::uint64_t wait = random() % 20 == 0 ? 200'000 : 1'000 + random() % 15'000; wait > 0;) {
      const std::uint64_t step = std::min<std::uint64_t>(wait, 4000);
      device.poll(now += step);
      wait -= step;
      take();
    }
    const int channel = static_cast<int>(random() % 3);
    const bool rising = random() % 2 == 0;
    device.edge(channel, rising, now);
    out.sent.push_back({static_cast<std::int64_t>(now) * 1000, channel, rising});
    take();
  }
  device.flush();
  take();
  out.last_edge_end = out.bytes.size();
  for (int i = 0; i < 100; ++i) {
    device.poll(now += 4000);
    take();
  }
  return out;
}

bool is_part_of(const std::vector<SentEdge>& some, const std::vector<SentEdge>& all) {
  return std::includes(all.begin(), all.end(), some.begin(), some.end());
}

// Edges within frames that the bytes [from, to) touch, and the frame after them: what may be lost at most.
std::size_t frames_touched(const Recording& recording, std::size_t from, std::size_t to) {
  const auto first = std::upper_bound(recording.frame_end.begin(), recording.frame_end.end(), from);
  const auto last = std::upper_bound(recording.frame_end.begin(), recording.frame_end.end(), to);
  return static_cast<std::size_t>(last - first) + 2;
}

int trials = 0;
int misses = 0;  // damage that passes the checksum of a text line by chance

// What must hold whatever has happened to the bytes from `from` to `to` of the recording.
void judge(const Recording& recording, const std::string& damaged, std::size_t from, std::size_t to, int form) {
  const Heard heard = hear(damaged, true);
  ++trials;
  if (!is_part_of(heard.edges(), recording.sent)) {
    ++misses;
    ASSERT_EQ(form, CWES_TEXT) << "an edge that was not sent, byte " << from;
    return;
  }
  const std::vector<Gap> gaps = heard.gaps();
  if (form == CWES_TEXT && std::count(gaps.begin(), gaps.end(), Gap{GapReason::link_lost, -1}) > 0) {
    ++misses;  // a wrong sequence slipped through: told, and edges waited for the next header
    return;
  }
  if (from < recording.first_header_end) {
    return;  // without its header nothing can be decoded until the next comes
  }
  ASSERT_EQ(heard.notes(LinkNote::new_epoch), 0U) << from;
  const std::size_t lost = recording.sent.size() - heard.edges().size();
  const std::size_t edges_a_frame = form == CWES_TEXT ? 1 : 20;  // 15.6 ms of edges each 1 ms or more
  ASSERT_LE(lost, edges_a_frame * frames_touched(recording, from, to)) << "byte " << from;
  std::int64_t told = 0;
  for (const Gap& gap : heard.gaps()) {
    told += gap.reason == GapReason::link_lost ? gap.count : 0;
  }
  // A text line that is lost may have been a header or a heartbeat.
  const std::size_t others = form == CWES_TEXT ? frames_touched(recording, from, to) : 0;
  if (to < recording.last_edge_end) {
    ASSERT_GE(told, static_cast<std::int64_t>(lost)) << "byte " << from;
    ASSERT_LE(told, static_cast<std::int64_t>(lost + others)) << "byte " << from;
  }
}

class EveryByte : public testing::TestWithParam<int> {
 protected:
  void SetUp() override { trials = misses = 0; }
  // An exclusive or of 8 bits lets 1 in 256 through; field, name, sequence and time must fit besides.
  void TearDown() override {
    EXPECT_LE(misses * 256, trials);
    RecordProperty("misses", misses);
    if (misses > 0) {
      std::printf("%d of %d damaged recordings had a line with a right checksum that was not sent\n", misses, trials);
    }
  }
  const Recording recording_ = record(GetParam());
};
INSTANTIATE_TEST_SUITE_P(EdgeStreamDamage, EveryByte, testing::Values(CWES_BINARY, CWES_TEXT),
                         [](const auto& form) { return form.param == CWES_TEXT ? "text" : "binary"; });

TEST_P(EveryByte, undamaged_it_is_heard_whole) {
  const Heard heard = hear(recording_.bytes);
  EXPECT_EQ(heard.edges(), recording_.sent);
  EXPECT_TRUE(heard.gaps().empty());
  EXPECT_EQ(heard.bad, 0U);
  EXPECT_GT(recording_.sent.size(), 90U);
}

TEST_P(EveryByte, flipped_bit_by_bit) {  // never a miss
  for (std::size_t at = 0; at < recording_.bytes.size(); ++at) {
    for (unsigned bit = 0; bit < 8; ++bit) {
      std::string damaged = recording_.bytes;
      damaged[at] = static_cast<char>(static_cast<unsigned char>(damaged[at]) ^ 1U << bit);
      judge(recording_, damaged, at, at + 1, GetParam());
      if (HasFatalFailure()) {
        return;
      }
    }
  }
  EXPECT_EQ(misses, 0);
}

TEST_P(EveryByte, taken_out_alone_or_with_up_to_200_after_it) {
  std::mt19937 random(2);
  for (std::size_t at = 0; at < recording_.bytes.size(); ++at) {
    for (const std::size_t size : {std::size_t{1}, 1 + random() % 10, 1 + random() % 200}) {
      std::string damaged = recording_.bytes;
      damaged.erase(at, size);
      judge(recording_, damaged, at, std::min(at + size, recording_.bytes.size()), GetParam());
      if (HasFatalFailure()) {
        return;
      }
    }
  }
}

TEST_P(EveryByte, with_garbage_before_it) {
  std::mt19937 random(3);
  for (std::size_t at = 0; at < recording_.bytes.size(); ++at) {
    for (const std::size_t size : {std::size_t{1}, 1 + random() % 10, 1 + random() % 600}) {
      std::string garbage(size, '\0');
      std::generate(garbage.begin(), garbage.end(), [&] { return static_cast<char>(random()); });
      std::string damaged = recording_.bytes;
      judge(recording_, damaged.insert(at, garbage), at, at + 1, GetParam());
      if (HasFatalFailure()) {
        return;
      }
    }
  }
}

TEST_P(EveryByte, overwritten_with_up_to_100_after_it) {
  std::mt19937 random(4);
  for (std::size_t at = 0; at < recording_.bytes.size(); ++at) {
    const std::size_t end = std::min(at + 1 + random() % 100, recording_.bytes.size());
    std::string damaged = recording_.bytes;
    std::generate(damaged.begin() + static_cast<std::ptrdiff_t>(at), damaged.begin() + static_cast<std::ptrdiff_t>(end),
                  [&] { return static_cast<char>(random()); });
    judge(recording_, damaged, at, end, GetParam());
    if (HasFatalFailure()) {
      return;
    }
  }
}

TEST_P(EveryByte, joined_in_at_it) {
  for (std::size_t at = 1; at < recording_.bytes.size(); ++at) {
    const Heard heard = hear(recording_.bytes.substr(at), true);
    const std::vector<SentEdge> edges = heard.edges();
    ASSERT_TRUE(heard.gaps().empty()) << at;
    ASSERT_EQ(heard.bad, 0U) << at;
    ASSERT_LE(edges.size(), recording_.sent.size());
    ASSERT_TRUE(std::equal(edges.rbegin(), edges.rend(), recording_.sent.rbegin())) << at;
    if (at < recording_.bytes.size() / 3) {
      ASSERT_GT(edges.size(), 30U) << at;
    }
  }
}

TEST_P(EveryByte, cut_off_at_it) {
  for (std::size_t at = 0; at < recording_.bytes.size(); ++at) {
    const Heard heard = hear(recording_.bytes.substr(0, at), true);
    const std::vector<SentEdge> edges = heard.edges();
    ASSERT_TRUE(heard.gaps().empty()) << at;
    ASSERT_TRUE(std::equal(edges.begin(), edges.end(), recording_.sent.begin())) << at;
  }
}

// What passes for a frame by chance: a CRC-16 lets 1 in 65,536 through, less what the fields refuse.
TEST(EdgeStreamDamage, a_million_bytes_of_noise_hold_no_edge) {
  std::mt19937 random(8);
  std::string noise(1'000'000, '\0');
  std::generate(noise.begin(), noise.end(), [&] { return static_cast<char>(random()); });
  const Heard live = hear(noise, true);
  EXPECT_TRUE(live.edges().empty());
  EXPECT_GT(live.gaps().size(), 100U);  // one each 4096 bytes: never silent
  EXPECT_FALSE(hear(noise).sound);
}

}  // namespace
}  // namespace cw
