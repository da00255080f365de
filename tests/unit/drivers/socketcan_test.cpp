// The decoding half of the SocketCAN driver; the socket itself is tried in a guest (tests/vm/can_guest).
#include "drivers/socketcan.hpp"

#include <gtest/gtest.h>
#include <libmnl/libmnl.h>
#include <linux/can/error.h>
#include <linux/can/netlink.h>
#include <linux/if_link.h>
#include <linux/rtnetlink.h>

#include <cstring>
#include <random>

#include "can_lines.hpp"
#include "drivers/can_mode.hpp"
#include "drivers/registry.hpp"
#include "feed.hpp"

namespace cw {
namespace {

constexpr std::int64_t t0_ns = 1'700'000'000'000'000'000;

SocketCanRecord record_of(canid_t id, std::uint8_t length, std::int64_t after_ns = 0) {
  SocketCanRecord record;
  record.frame.can_id = id;
  record.frame.len = length;
  for (std::uint8_t i = 0; i < length && i < CANFD_MAX_DLEN; ++i) {
    record.frame.data[i] = static_cast<std::uint8_t>(0x10 + i);
  }
  record.frame_size = CAN_MTU;
  record.arrival_ns = t0_ns + after_ns + 500;
  record.kernel_ns = t0_ns + after_ns;
  return record;
}

std::string bytes_of(const std::vector<SocketCanRecord>& records) {
  std::string bytes(records.size() * sizeof(SocketCanRecord), '\0');
  std::memcpy(bytes.data(), records.data(), bytes.size());
  return bytes;
}

struct Decoded {
  ItemBuffer items;
  std::uint64_t bad = 0;
  std::string error;
};

template <typename NextSize>
Decoded decode(const std::vector<SocketCanRecord>& records, NextSize next_size) {
  const auto driver = find_driver("socketcan")->make({"can0", true, {}});
  Decoded out;
  EXPECT_TRUE(test::feed(*driver, bytes_of(records), next_size, out.items));
  out.bad = driver->bad_inputs();
  out.error = driver->error();
  return out;
}

Decoded decode(const std::vector<SocketCanRecord>& records) {
  return decode(records, [] { return SIZE_MAX; });
}

CanFrame only_frame(const SocketCanRecord& record) {
  const Decoded d = decode({record});
  for (const Item& item : d.items.items) {
    if (const auto frame = can_frame_of(item, d.items.payload)) {
      return *frame;
    }
  }
  ADD_FAILURE() << d.error;
  return {};
}

// Kind, code and count of what is no frame, for short.
std::string notes_of(const Decoded& d) {
  std::string text;
  for (const Item& item : d.items.items) {
    if (item.kind == ItemKind::can_frame) {
      text += "frame ";
    } else if (item.kind == ItemKind::gap) {
      text += "gap" + std::to_string(item.code) + ":" +
              std::to_string(gap_count(payload_of(item, d.items.payload)).value_or(0)) + " ";
    } else {
      text += "note" + std::to_string(item.code) + " ";
    }
  }
  return text;
}

TEST(SocketCan, frames_of_every_kind_are_as_the_kernel_gave_them) {
  EXPECT_EQ(can_frame_text(only_frame(record_of(0x123, 2))), "123#1011");
  EXPECT_EQ(can_frame_text(only_frame(record_of(0x123 | CAN_EFF_FLAG, 8))), "00000123#1011121314151617");
  EXPECT_EQ(can_frame_text(only_frame(record_of(0x123 | CAN_RTR_FLAG, 8))), "123#R8");
  EXPECT_EQ(can_frame_text(only_frame(record_of(CAN_ERR_FLAG | CAN_ERR_BUSOFF, 8))), "20000040#1011121314151617");
  SocketCanRecord fd = record_of(0x7FF, 12);
  fd.frame_size = CANFD_MTU;
  fd.frame.flags = CANFD_BRS | CANFD_ESI;
  EXPECT_EQ(can_frame_text(only_frame(fd)), "7FF##3101112131415161718191A1B");
  fd.frame.flags = 0;
  EXPECT_TRUE(only_frame(fd).fd);
}

TEST(SocketCan, source_time_is_the_kernels_stamp_and_the_controllers_stands_beside_it) {
  SocketCanRecord record = record_of(1, 0);
  record.hardware_ns = 987;
  const Decoded d = decode({record});
  EXPECT_EQ(test::lines_of_frames(d.items), "0 " + std::to_string(t0_ns) + " 001#\n");
  EXPECT_EQ(only_frame(record).kernel_ns, t0_ns);
  EXPECT_EQ(only_frame(record).hardware_ns, 987);
  record.kernel_ns = 0;  // none: that of reading
  record.hardware_ns = 0;
  EXPECT_EQ(test::lines_of_frames(decode({record}).items), "0 " + std::to_string(t0_ns + 500) + " 001#\n");
  EXPECT_FALSE(only_frame(record).kernel_ns);
  EXPECT_FALSE(only_frame(record).hardware_ns);
}

TEST(SocketCan, names_its_channel_before_the_first_frame) {
  const Decoded d = decode({record_of(1, 0), record_of(2, 0)});
  EXPECT_EQ(notes_of(d), "note0 note3 frame frame note2 ");
  EXPECT_EQ(test::channel_names(d.items), (std::vector<std::string>{"can0"}));
}

TEST(SocketCan, what_the_kernel_dropped_becomes_a_gap_with_its_count_before_the_next_frame) {
  std::vector<SocketCanRecord> records(5, record_of(1, 0));
  records[1].drops = 7;
  records[2].drops = 7;
  records[3].drops = 1000;
  records[4].drops = 1000;
  EXPECT_EQ(notes_of(decode(records)), "note0 note3 frame gap6:7 frame frame gap6:993 frame frame note2 ");
}

TEST(SocketCan, the_kernels_count_may_wrap) {
  std::vector<SocketCanRecord> records(3, record_of(1, 0));
  records[0].drops = 0xFFFFFFF0U;
  records[1].drops = 0x00000010U;
  records[2].drops = 0x00000010U;
  EXPECT_EQ(notes_of(decode(records)), "note0 gap6:4294967280 note3 frame gap6:32 frame frame note2 ");
}

TEST(SocketCan, a_clock_that_is_set_back_begins_a_new_epoch_and_a_frame_out_of_order_does_not) {
  constexpr std::int64_t s = 1'000'000'000;
  EXPECT_EQ(notes_of(decode({record_of(1, 0, 5 * s), record_of(1, 0, 4 * s), record_of(1, 0, 5 * s)})),
            "note0 note3 frame frame frame note2 ");
  EXPECT_EQ(notes_of(decode({record_of(1, 0, 5 * s), record_of(1, 0, 2 * s), record_of(1, 0, 3 * s)})),
            "note0 note3 frame note4 frame frame note2 ");
  EXPECT_EQ(notes_of(decode({record_of(1, 0, 0), record_of(1, 0, 86'401 * s)})),
            "note0 note3 frame note4 frame note2 ");
}

// Found by fuzzing, but for the last: a connection begins its time anew, and what can be no frame has none.
TEST(SocketCan, the_first_frame_of_a_connection_and_one_after_a_wrong_record_are_judged_by_frames_alone) {
  constexpr std::int64_t hour = 3'600'000'000'000;
  std::vector<SocketCanRecord> records = {record_of(1, 0, 0), record_of(1, 9, 20 * hour), record_of(1, 0, 40 * hour)};
  EXPECT_EQ(notes_of(decode(records)), "note0 note3 frame gap3:1 note4 frame note2 ");
  const auto driver = find_driver("socketcan")->make({"can0", true, {}});
  Decoded d;
  driver->start(d.items);
  driver->read(bytes_of({record_of(1, 0, hour)}), d.items);
  driver->start(d.items);
  driver->read(bytes_of({record_of(1, 0, 0), record_of(1, 0, 1)}), d.items);
  EXPECT_EQ(notes_of(d), "note0 note3 frame note0 frame frame ");
}

TEST(SocketCan, what_can_be_no_frame_is_a_gap) {
  std::vector<SocketCanRecord> records(3, record_of(1, 0));
  records[0].frame_size = 12;
  records[1].frame.len = 9;
  const Decoded d = decode(records);
  EXPECT_EQ(notes_of(d), "note0 gap3:1 gap3:1 note3 frame note2 ");
  EXPECT_EQ(d.bad, 2U);
  EXPECT_EQ(d.error, "can0: expected a frame of CAN or CAN FD, found one of 16 bytes with a length of 9");
}

TEST(SocketCan, the_same_items_however_records_are_cut) {
  std::vector<SocketCanRecord> records;
  for (int i = 0; i < 40; ++i) {
    records.push_back(record_of(static_cast<canid_t>(i), static_cast<std::uint8_t>(i % 9), i * 1000));
    records.back().drops = static_cast<std::uint32_t>(i / 10);
  }
  const Decoded whole = decode(records);
  std::mt19937 dice(3);
  for (const auto& cut : {decode(records, [] { return 1U; }), decode(records, [&] { return 1U + dice() % 300U; })}) {
    EXPECT_EQ(cut.items.items, whole.items.items);
    EXPECT_EQ(cut.items.payload, whole.items.payload);
  }
}

TEST(SocketCan, a_new_connection_forgets_half_a_record_and_counts_drops_anew) {
  const auto driver = find_driver("socketcan")->make({"can0", true, {}});
  Decoded d;
  SocketCanRecord record = record_of(1, 0);
  record.drops = 5;
  const std::string bytes = bytes_of({record});
  driver->start(d.items);
  driver->read(bytes, d.items);
  driver->read(std::span(bytes).first(20), d.items);
  driver->start(d.items);
  record.drops = 2;
  driver->read(bytes_of({record}), d.items);
  EXPECT_EQ(notes_of(d), "note0 gap6:5 note3 frame note0 gap6:2 frame ");
}

TEST(SocketCanAddress, is_the_name_of_an_interface) {
  const auto problem = [](const std::string& name) { return socketcan_entry.address_problem({.address = name}); };
  EXPECT_EQ(problem("can0"), "");
  EXPECT_EQ(problem(""), ": expected the name of a CAN interface, 1 to 15 characters such as can0");
  EXPECT_NE(problem("interface0123456"), "");
  EXPECT_NE(problem("can 0"), "");
  EXPECT_NE(problem("/dev/can0"), "");
}

// On a machine without CAN, and on one with it but without that interface.
TEST(SocketCanAddress, that_is_not_there_is_told_in_one_line) {
  const Opened opened = socketcan_entry.open({.address = "cwnone0"});
  EXPECT_EQ(opened.descriptor, -1);
  EXPECT_EQ(opened.problem.find("cwnone0: cannot open: "), 0U) << opened.problem;
  EXPECT_EQ(opened.problem.find('\n'), std::string::npos);
}

TEST(SocketCanAddress, of_another_kind_of_interface_or_of_none_without_can_in_the_kernel_is_refused) {
  const Opened opened = socketcan_entry.open({.address = "lo"});
  EXPECT_EQ(opened.descriptor, -1);
  const bool no_can = opened.problem.find("this kernel has no CAN; modprobe can-raw") != std::string::npos;
  EXPECT_TRUE(no_can || opened.problem == "lo: expected a CAN interface, found one of another kind") << opened.problem;
}

// ---- the mode of a controller

// What the kernel answers for an interface, made with libmnl.
std::vector<std::byte> answer_of(const std::string& kind, std::optional<std::uint32_t> mode_flags) {
  std::array<char, 1024> buffer{};
  nlmsghdr* header = mnl_nlmsg_put_header(buffer.data());
  header->nlmsg_type = RTM_NEWLINK;
  mnl_nlmsg_put_extra_header(header, sizeof(ifinfomsg));
  mnl_attr_put_strz(header, IFLA_IFNAME, "can0");
  nlattr* info = mnl_attr_nest_start(header, IFLA_LINKINFO);
  mnl_attr_put_strz(header, IFLA_INFO_KIND, kind.c_str());
  if (mode_flags) {
    nlattr* data = mnl_attr_nest_start(header, IFLA_INFO_DATA);
    const can_ctrlmode mode = {~0U, *mode_flags};
    mnl_attr_put(header, IFLA_CAN_CTRLMODE, sizeof mode, &mode);
    mnl_attr_nest_end(header, data);
  }
  mnl_attr_nest_end(header, info);
  const auto* begin = reinterpret_cast<const std::byte*>(buffer.data());
  return {begin, begin + header->nlmsg_len};
}

std::string remark_on(const std::string& kind, std::optional<std::uint32_t> mode_flags) {
  const auto mode = can_mode_of(answer_of(kind, mode_flags));
  return mode ? remark_about(*mode, "can0") : "none";
}

TEST(CanMode, listen_only_needs_no_remark_and_anything_else_gets_one) {
  EXPECT_EQ(remark_on("can", CAN_CTRLMODE_LISTENONLY | CAN_CTRLMODE_FD), "");
  EXPECT_EQ(
      remark_on("can", CAN_CTRLMODE_FD),
      "can0: not listen-only: its controller acknowledges frames and so takes part in the bus; to listen only: ip "
      "link set can0 down, then ip link set can0 up type can bitrate BITS_A_SECOND listen-only on");
  EXPECT_EQ(remark_on("vcan", std::nullopt),
            "can0: a virtual interface (vcan), which has no listen-only mode and no bus");
  EXPECT_EQ(remark_on("other", std::nullopt), "can0: whether it is listen-only is not known: the kernel does not say");
}

TEST(CanMode, an_answer_that_is_cut_or_of_another_kind_is_none) {
  const std::vector<std::byte> sound = answer_of("can", 0);
  for (std::size_t size = 0; size < sound.size(); ++size) {
    EXPECT_FALSE(can_mode_of(std::span(sound).first(size))) << size;
  }
  std::vector<std::byte> error = sound;
  error[4] = std::byte{NLMSG_ERROR};
  EXPECT_FALSE(can_mode_of(error));
}

}  // namespace
}  // namespace cw
