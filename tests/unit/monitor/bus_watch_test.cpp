// Error frames to findings. What the numbers mean is held against linux/can/error.h.
#include "monitor/bus_watch.hpp"

#include <gtest/gtest.h>
#include <linux/can/error.h>

namespace cw {
namespace {

constexpr std::int64_t s = 1'000'000'000;

CanFrame error_frame(std::uint32_t classes, std::uint8_t controller = 0) {
  CanFrame frame;
  frame.error = true;
  frame.id = classes;
  frame.length = CAN_ERR_DLC;
  frame.data[1] = static_cast<std::byte>(controller);
  frame.data[6] = std::byte{12};
  frame.data[7] = std::byte{130};
  return frame;
}

TEST(BusTroubles, are_what_linux_says_they_are) {
  using C = Circumstance;
  using List = std::vector<C>;
  EXPECT_EQ(bus_troubles(error_frame(CAN_ERR_BUSOFF)), List{C::bus_off});
  EXPECT_EQ(bus_troubles(error_frame(CAN_ERR_CRTL, CAN_ERR_CRTL_RX_PASSIVE)), List{C::bus_passive});
  EXPECT_EQ(bus_troubles(error_frame(CAN_ERR_CRTL, CAN_ERR_CRTL_TX_PASSIVE)), List{C::bus_passive});
  EXPECT_EQ(bus_troubles(error_frame(CAN_ERR_CRTL, CAN_ERR_CRTL_RX_WARNING)), List{C::bus_warning});
  EXPECT_EQ(bus_troubles(error_frame(CAN_ERR_CRTL, CAN_ERR_CRTL_TX_WARNING)), List{C::bus_warning});
  EXPECT_EQ(bus_troubles(error_frame(CAN_ERR_CRTL, CAN_ERR_CRTL_RX_OVERFLOW)), List{C::bus_overflow});
  EXPECT_EQ(bus_troubles(error_frame(CAN_ERR_CRTL, CAN_ERR_CRTL_TX_OVERFLOW)), List{C::bus_other});
  EXPECT_EQ(bus_troubles(error_frame(CAN_ERR_CRTL, CAN_ERR_CRTL_UNSPEC)), List{C::bus_other});
  EXPECT_EQ(bus_troubles(error_frame(CAN_ERR_CRTL, CAN_ERR_CRTL_ACTIVE)), List{});
  EXPECT_EQ(bus_troubles(error_frame(CAN_ERR_ACK)), List{C::bus_no_acknowledge});
  EXPECT_EQ(bus_troubles(error_frame(CAN_ERR_PROT | CAN_ERR_BUSERROR)), List{C::bus_errors});
  EXPECT_EQ(bus_troubles(error_frame(CAN_ERR_TRX)), List{C::bus_transceiver});
  EXPECT_EQ(bus_troubles(error_frame(CAN_ERR_RESTARTED)), List{C::bus_restarted});
  EXPECT_EQ(bus_troubles(error_frame(CAN_ERR_TX_TIMEOUT)), List{C::bus_other});
  EXPECT_EQ(bus_troubles(error_frame(CAN_ERR_LOSTARB)), List{C::bus_other});
  EXPECT_EQ(bus_troubles(error_frame(CAN_ERR_BUSOFF | CAN_ERR_ACK)), (List{C::bus_off, C::bus_no_acknowledge}));
  CanFrame frame;
  frame.id = CAN_ERR_BUSOFF;
  EXPECT_EQ(bus_troubles(frame), List{});
}

class BusWatchTest : public testing::Test {
 protected:
  BusWatchTest() {
    Item note;
    watch_.name_channel(note, "can0");
  }
  void frame(std::int64_t t_ns, const CanFrame& frame) {
    Item item;
    item.kind = ItemKind::can_frame;
    item.host_ns = t_ns;
    watch_.take(item, frame, out_);
  }
  void ticks(std::int64_t from_ns, std::int64_t to_ns) {
    for (std::int64_t t_ns = from_ns; t_ns <= to_ns; t_ns += s / 10) {
      watch_.tick(t_ns, out_);
    }
  }
  std::uint64_t next_id_ = 1;
  BusWatch watch_{next_id_};
  std::vector<Finding> out_;
};

TEST_F(BusWatchTest, many_error_frames_of_one_kind_are_one_finding_that_ends_five_seconds_after_the_last) {
  for (int i = 0; i < 1000; ++i) {
    frame(i * s / 100, error_frame(CAN_ERR_BUSERROR | CAN_ERR_CNT));
    watch_.tick(i * s / 100, out_);
  }
  ASSERT_EQ(out_.size(), 1U);
  EXPECT_EQ(out_[0].kind, FindingKind::bus_trouble);
  EXPECT_EQ(out_[0].phase, FindingPhase::open);
  EXPECT_EQ(out_[0].channel, "can0");
  EXPECT_EQ(out_[0].values, (std::vector<std::pair<std::string, double>>{
                                {"source", 0}, {"transmit_errors", 12}, {"receive_errors", 130}}));
  ticks(10 * s, 14 * s);
  EXPECT_EQ(out_.size(), 1U);
  ticks(14 * s, 16 * s);
  ASSERT_EQ(out_.size(), 2U);
  EXPECT_EQ(out_[1].phase, FindingPhase::close);
  EXPECT_EQ(out_[1].id, out_[0].id);
  EXPECT_EQ(out_[1].end_ns, 999 * s / 100);
  EXPECT_EQ(out_[1].values.back(), (std::pair<std::string, double>{"error_frames", 1000}));
}

TEST_F(BusWatchTest, bus_off_lasts_until_the_controller_is_back_or_frames_come) {
  frame(0, error_frame(CAN_ERR_BUSOFF));
  ticks(0, 100 * s);
  EXPECT_EQ(out_.size(), 1U);
  frame(100 * s, error_frame(CAN_ERR_RESTARTED));
  ASSERT_EQ(out_.size(), 2U);
  EXPECT_EQ(out_[1].severity, Severity::info);
  ticks(100 * s, 106 * s);
  ASSERT_EQ(out_.size(), 3U);
  EXPECT_EQ(out_[2].end_ns, 100 * s);

  frame(200 * s, error_frame(CAN_ERR_BUSOFF));
  frame(210 * s, CanFrame());
  ticks(210 * s, 216 * s);
  EXPECT_EQ(out_.size(), 5U);
}

TEST_F(BusWatchTest, error_passive_lasts_until_the_controller_says_that_it_is_active) {
  frame(0, error_frame(CAN_ERR_CRTL, CAN_ERR_CRTL_RX_PASSIVE));
  frame(1 * s, CanFrame());  // frames may come all the while
  ticks(0, 60 * s);
  EXPECT_EQ(out_.size(), 1U);
  frame(60 * s, error_frame(CAN_ERR_CRTL, CAN_ERR_CRTL_ACTIVE));
  ticks(60 * s, 66 * s);
  ASSERT_EQ(out_.size(), 2U);
  EXPECT_EQ(out_[1].phase, FindingPhase::close);
}

TEST_F(BusWatchTest, a_controller_that_goes_off_and_comes_back_ten_times_a_second_is_one_finding) {
  for (int i = 0; i < 100; ++i) {
    frame(i * s / 10, error_frame(CAN_ERR_BUSOFF));
    watch_.tick(i * s / 10, out_);
    frame(i * s / 10 + s / 20, error_frame(CAN_ERR_CRTL, CAN_ERR_CRTL_ACTIVE));
  }
  EXPECT_EQ(out_.size(), 1U);
}

TEST_F(BusWatchTest, a_link_that_goes_away_ends_what_its_controller_said) {
  frame(0, error_frame(CAN_ERR_BUSOFF));
  watch_.break_off(0);
  ticks(0, 6 * s);
  EXPECT_EQ(out_.size(), 2U);
}

}  // namespace
}  // namespace cw
