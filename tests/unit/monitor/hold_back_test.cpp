#include "monitor/hold_back.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <random>
#include <string>

namespace cw {
namespace {

constexpr std::int64_t ms = 1'000'000;

using Held = HoldBack<int>::Held;

std::vector<int> taken(HoldBack<int>& order, std::int64_t now_ns) {
  std::vector<int> values;
  while (const auto held = order.take(now_ns)) {
    values.push_back(held->value);
  }
  return values;
}

TEST(HoldBack, waits_until_every_live_source_has_passed_the_time) {
  HoldBack<int> order;
  order.passed(0, 0);
  order.passed(1, 0);
  EXPECT_TRUE(order.add({10 * ms, 0, 1, 100}));
  order.passed(0, 20 * ms);
  EXPECT_TRUE(taken(order, 20 * ms).empty());
  order.passed(1, 10 * ms);  // it may still bring a value of just that time
  EXPECT_TRUE(taken(order, 20 * ms).empty());
  order.passed(1, 11 * ms);
  EXPECT_EQ(taken(order, 20 * ms), std::vector{100});
}

TEST(HoldBack, waits_for_no_more_than_half_a_second) {
  HoldBack<int> order;
  order.passed(1, 0);
  order.add({10 * ms, 0, 1, 100});
  EXPECT_TRUE(taken(order, 509 * ms).empty());
  EXPECT_EQ(taken(order, 510 * ms), std::vector{100});
}

TEST(HoldBack, waits_for_no_source_that_is_gone) {
  HoldBack<int> order;
  order.passed(0, 20 * ms);
  order.passed(1, 0);
  order.add({10 * ms, 0, 1, 100});
  EXPECT_TRUE(taken(order, 20 * ms).empty());
  order.gone(1);
  EXPECT_EQ(taken(order, 20 * ms), std::vector{100});
}

TEST(HoldBack, gives_out_by_host_time_then_source_then_sequence) {
  HoldBack<int> order;
  order.add({10 * ms, 1, 7, 4});
  order.add({10 * ms, 0, 9, 3});
  order.add({10 * ms, 0, 8, 2});
  order.add({9 * ms, 2, 10, 1});
  EXPECT_EQ(taken(order, 20 * ms), (std::vector{1, 2, 3, 4}));
}

TEST(HoldBack, refuses_what_comes_too_late_to_keep_the_order) {
  HoldBack<int> order;
  order.add({10 * ms, 0, 1, 1});
  EXPECT_EQ(taken(order, 600 * ms), std::vector{1});
  EXPECT_FALSE(order.add({9 * ms, 1, 2, 2}));
  EXPECT_TRUE(order.add({10 * ms, 1, 3, 3}));
  EXPECT_EQ(taken(order, 600 * ms), std::vector{3});
}

TEST(HoldBack, gives_out_the_rest_at_the_end) {
  HoldBack<int> order;
  order.passed(1, 0);
  order.add({10 * ms, 0, 1, 1});
  const auto rest = order.take_rest();
  ASSERT_TRUE(rest);
  EXPECT_EQ(rest->value, 1);
  EXPECT_FALSE(order.take_rest());
}

struct Event {
  std::int64_t host_ns = 0;
  std::int64_t arrival_ns = 0;
  std::uint8_t source = 0;
  std::uint64_t sequence = 0;
};

// Three sources whose items arrive with random delays, each in its own order, numbered as they arrive.
std::vector<Event> three_sources(std::uint64_t seed, std::int64_t delay_max_ns) {
  std::mt19937_64 dice(seed);
  std::vector<Event> events;
  for (std::uint8_t source = 0; source < 3; ++source) {
    std::int64_t host_ns = 0;
    std::int64_t arrival_ns = 0;
    for (int i = 0; i < 400; ++i) {
      host_ns += static_cast<std::int64_t>(dice() % static_cast<std::uint64_t>(20 * ms));
      arrival_ns =
          std::max(arrival_ns, host_ns + static_cast<std::int64_t>(dice() % static_cast<std::uint64_t>(delay_max_ns)));
      events.push_back({host_ns, arrival_ns, source, 0});
    }
  }
  std::stable_sort(events.begin(), events.end(),
                   [](const Event& a, const Event& b) { return a.arrival_ns < b.arrival_ns; });
  for (std::size_t i = 0; i < events.size(); ++i) {
    events[i].sequence = i;
  }
  return events;
}

TEST(HoldBack, three_sources_with_random_delays_come_out_in_order_and_none_is_lost) {
  for (std::uint64_t seed = 0; seed < 50; ++seed) {
    const std::vector<Event> events = three_sources(seed, 200 * ms);
    HoldBack<int> order;
    for (std::uint8_t source = 0; source < 3; ++source) {
      order.passed(source, 0);
    }
    std::vector<Held> out;
    std::size_t held_most = 0;
    for (const Event& event : events) {
      order.passed(event.source, event.host_ns);
      ASSERT_TRUE(order.add({event.host_ns, event.source, event.sequence, 0}));
      held_most = std::max(held_most, order.held());
      while (auto held = order.take(event.arrival_ns)) {
        out.push_back(*held);
      }
    }
    while (auto held = order.take_rest()) {
      out.push_back(*held);
    }
    ASSERT_EQ(out.size(), events.size());
    EXPECT_LT(held_most, 300U);
    for (std::size_t i = 1; i < out.size(); ++i) {
      EXPECT_LT(std::tie(out[i - 1].host_ns, out[i - 1].source, out[i - 1].sequence),
                std::tie(out[i].host_ns, out[i].source, out[i].sequence));
    }
  }
}

// Other delays, which stay below half a second, change when values come out, not which and in what order.
TEST(HoldBack, the_order_does_not_depend_on_the_delays) {
  const auto order_of = [](std::vector<Event> events) {
    HoldBack<int> order;
    for (std::uint8_t source = 0; source < 3; ++source) {
      order.passed(source, 0);
    }
    std::string text;
    const auto write = [&](const Held& held) {
      text += std::to_string(held.host_ns) + "/" + std::to_string(held.source) + " ";
    };
    for (const Event& event : events) {
      order.passed(event.source, event.host_ns);
      EXPECT_TRUE(order.add({event.host_ns, event.source, event.sequence, 0}));
      while (const auto held = order.take(event.arrival_ns)) {
        write(*held);
      }
    }
    while (const auto held = order.take_rest()) {
      write(*held);
    }
    return text;
  };
  std::vector<Event> events = three_sources(7, 100 * ms);
  const std::string first = order_of(events);
  std::mt19937_64 dice(8);
  std::array<std::int64_t, 3> newest_ns{};
  std::stable_sort(events.begin(), events.end(), [](const Event& a, const Event& b) { return a.host_ns < b.host_ns; });
  for (Event& event : events) {
    std::int64_t& newest = newest_ns.at(event.source);
    newest = std::max(newest, event.host_ns + static_cast<std::int64_t>(dice() % static_cast<std::uint64_t>(400 * ms)));
    event.arrival_ns = newest;
  }
  std::stable_sort(events.begin(), events.end(),
                   [](const Event& a, const Event& b) { return a.arrival_ns < b.arrival_ns; });
  EXPECT_EQ(order_of(events), first);
}

}  // namespace
}  // namespace cw
