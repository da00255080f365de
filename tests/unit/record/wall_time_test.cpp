#include "record/wall_time.hpp"

#include <gtest/gtest.h>

#include <limits>

namespace cw {
namespace {

// RFC 3339 section 5.8 gives 1985-04-12T23:20:50.52Z as an example; `date -u -d ... +%s` gives 482196050 for it.
TEST(WallTime, writes_and_reads_the_example_of_rfc_3339) {
  constexpr std::int64_t example_ns = 482'196'050'520'000'000;
  EXPECT_EQ(rfc3339(example_ns, 2), "1985-04-12T23:20:50.52Z");
  EXPECT_EQ(parse_rfc3339("1985-04-12T23:20:50.52Z"), example_ns);
}

TEST(WallTime, cuts_and_never_rounds_up_into_the_next_second) {
  EXPECT_EQ(rfc3339(999'999'999, 3), "1970-01-01T00:00:00.999Z");
  EXPECT_EQ(rfc3339(-1, 9), "1969-12-31T23:59:59.999999999Z");
  EXPECT_EQ(rfc3339(0, 0), "1970-01-01T00:00:00Z");
}

TEST(WallTime, reads_back_what_it_writes) {
  for (const std::int64_t ns : {std::int64_t{0}, std::int64_t{1'772'366'400'123'456'789}, std::int64_t{-5'000'000'001},
                                std::int64_t{1'709'164'800'000'000'000}}) {
    EXPECT_EQ(parse_rfc3339(rfc3339(ns, 9)), ns);
  }
}

TEST(WallTime, refuses_what_is_no_time) {
  for (const char* text : {"", "2026", "2026-02-30T00:00:00Z", "2026-13-01T00:00:00Z", "2026-01-01T24:00:00Z",
                           "2026-01-01 00:00:00Z", "2026-01-01T00:00:00", "2026-01-01T00:00:00.Z",
                           "2026-01-01T00:00:00.1234567890Z", "2026-01-01T00:00:00+01:00", "9999-01-01T00:00:00Z"}) {
    EXPECT_EQ(parse_rfc3339(text), std::nullopt) << text;
  }
}

TEST(WallTime, follows_the_host_clock_from_the_anchor) {
  const WallAnchor anchor{1'000, 500'000};
  EXPECT_EQ(wall_ns_at(anchor, 1'250), 500'250);
  EXPECT_EQ(wall_ns_at(anchor, 0), 499'000);
  EXPECT_EQ(wall_ns_at(anchor, std::numeric_limits<std::int64_t>::max()), std::nullopt);
}

}  // namespace
}  // namespace cw
