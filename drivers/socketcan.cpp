#include "drivers/socketcan.hpp"

#include <linux/can/error.h>
#include <linux/can/raw.h>
#include <linux/errqueue.h>
#include <linux/net_tstamp.h>
#include <net/if.h>
#include <net/if_arp.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>
#include <ctime>

#include "drivers/can_mode.hpp"
#include "drivers/source_time.hpp"
#include "items/can_frame.hpp"

namespace cw {

namespace {

constexpr std::int64_t ns_per_s = 1'000'000'000;
constexpr int receive_buffer_bytes = 8 * 1024 * 1024;  // some seconds of a full bus; the kernel may grant less
constexpr std::size_t messages_max = 64;               // of one call
constexpr std::size_t control_bytes = 256;

// ---- decoding

class SocketCan final : public Driver {
 public:
  explicit SocketCan(DriverSettings settings) : settings_(std::move(settings)) {}

  void start(ItemBuffer& out) override;
  bool read(std::span<const char> bytes, ItemBuffer& out) override;
  bool finish(ItemBuffer& out) override;
  const std::string& error() const override { return error_; }
  std::uint64_t bad_inputs() const override { return bad_inputs_; }

 private:
  void take(const SocketCanRecord& record, ItemBuffer& out);
  void note_time(std::int64_t t_ns, ItemBuffer& out);

  DriverSettings settings_;
  std::string error_;
  std::array<char, sizeof(SocketCanRecord)> kept_{};
  std::size_t kept_size_ = 0;
  bool named_ = false;
  bool any_frame_ = false;
  std::int64_t latest_ns_ = 0;
  std::uint32_t drops_ = 0;
  std::uint64_t bad_inputs_ = 0;
};

void SocketCan::start(ItemBuffer& out) {
  kept_size_ = 0;
  any_frame_ = false;
  drops_ = 0;
  out.add_note(LinkNote::connected, 0);
}

bool SocketCan::read(std::span<const char> bytes, ItemBuffer& out) {
  while (!bytes.empty()) {
    const std::size_t size = std::min(bytes.size(), kept_.size() - kept_size_);
    std::copy_n(bytes.begin(), size, kept_.begin() + static_cast<std::ptrdiff_t>(kept_size_));
    kept_size_ += size;
    bytes = bytes.subspan(size);
    if (kept_size_ == kept_.size()) {
      SocketCanRecord record;
      std::memcpy(&record, kept_.data(), sizeof record);
      kept_size_ = 0;
      take(record, out);
    }
  }
  return true;
}

bool SocketCan::finish(ItemBuffer& out) {
  out.add_note(LinkNote::end_of_input, latest_ns_);
  return true;
}

CanFrame frame_of(const SocketCanRecord& record) {
  const canfd_frame& raw = record.frame;
  CanFrame frame;
  frame.error = (raw.can_id & CAN_ERR_FLAG) != 0;
  frame.extended = !frame.error && (raw.can_id & CAN_EFF_FLAG) != 0;
  frame.remote = !frame.error && (raw.can_id & CAN_RTR_FLAG) != 0;
  frame.id = raw.can_id & (frame.extended || frame.error ? CAN_EFF_MASK : CAN_SFF_MASK);
  frame.fd = record.frame_size == CANFD_MTU;
  frame.bit_rate_switch = frame.fd && (raw.flags & CANFD_BRS) != 0;
  frame.error_state_indicator = frame.fd && (raw.flags & CANFD_ESI) != 0;
  frame.length = raw.len;
  const std::size_t data = frame.remote ? 0 : std::min<std::size_t>(raw.len, frame.fd ? CANFD_MAX_DLEN : CAN_MAX_DLEN);
  std::memcpy(frame.data.data(), raw.data, data);
  if (record.kernel_ns != 0) {
    frame.kernel_ns = record.kernel_ns;
  }
  if (record.hardware_ns != 0) {
    frame.hardware_ns = record.hardware_ns;
  }
  return frame;
}

void SocketCan::take(const SocketCanRecord& record, ItemBuffer& out) {
  const std::int64_t t_ns = record.kernel_ns != 0 ? record.kernel_ns : record.arrival_ns;
  const CanFrame frame = frame_of(record);
  const bool known_size = record.frame_size == CAN_MTU || record.frame_size == CANFD_MTU;
  if (const std::uint32_t more = record.drops - std::exchange(drops_, record.drops); more > 0) {
    out.add_gap(GapReason::receive_overflow, more, t_ns);
  }
  if (!known_size || !is_sound(frame)) {
    ++bad_inputs_;
    error_ = settings_.name + ": expected a frame of CAN or CAN FD, found one of " + std::to_string(record.frame_size) +
             " bytes with a length of " + std::to_string(record.frame.len);
    out.add_gap(GapReason::bad_input, 1, t_ns);
    return;
  }
  note_time(t_ns, out);
  if (!std::exchange(named_, true)) {
    out.add_channel_name(0, our_name(settings_.channels, settings_.name), t_ns);
  }
  add_can_frame(out, 0, t_ns, frame);
}

// A new epoch where the clock was set.
void SocketCan::note_time(std::int64_t t_ns, ItemBuffer& out) {
  if (!std::exchange(any_frame_, true)) {
    latest_ns_ = t_ns;
    return;
  }
  const bool back = t_ns < latest_ns_;
  const std::uint64_t step_ns = back ? distance_ns(t_ns, latest_ns_) : distance_ns(latest_ns_, t_ns);
  if (step_ns > (back ? std::uint64_t{ns_per_s} : silence_max_ns)) {
    out.add_note(LinkNote::new_epoch, t_ns);
    latest_ns_ = t_ns;
  }
  latest_ns_ = std::max(latest_ns_, t_ns);
}

// ---- opening

struct Descriptor {
  explicit Descriptor(int opened) : number(opened) {}
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  ~Descriptor() {
    if (number >= 0) {
      ::close(number);
    }
  }
  int number;
};

ifreq request_for(const std::string& name) {
  ifreq request{};
  std::copy_n(name.begin(), std::min(name.size(), sizeof request.ifr_name - 1), request.ifr_name);
  return request;
}

// Fills `index`; empty when the interface is there, is one of CAN, and is up.
std::string find_interface(int descriptor, const std::string& name, int& index) {
  ifreq request = request_for(name);
  if (::ioctl(descriptor, SIOCGIFINDEX, &request) != 0) {
    return open_problem(name, errno);
  }
  index = request.ifr_ifindex;
  request = request_for(name);
  if (::ioctl(descriptor, SIOCGIFHWADDR, &request) != 0) {
    return open_problem(name, errno);
  }
  if (request.ifr_hwaddr.sa_family != ARPHRD_CAN) {
    return name + ": expected a CAN interface, found one of another kind";
  }
  request = request_for(name);
  if (::ioctl(descriptor, SIOCGIFFLAGS, &request) != 0) {
    return open_problem(name, errno);
  }
  return (static_cast<unsigned>(request.ifr_flags) & IFF_UP) != 0
             ? std::string()
             : name + ": cannot open: the interface is down (ip link set " + name + " up)";
}

template <typename Value>
bool set(int descriptor, int level, int option, const Value& value) {
  return ::setsockopt(descriptor, level, option, &value, sizeof value) == 0;
}

bool set_filters(int descriptor, const std::vector<CanIdMatch>& filters) {
  if (filters.empty() || filters.size() > CAN_RAW_FILTER_MAX) {
    return true;
  }
  std::vector<can_filter> raw;
  raw.reserve(filters.size());
  for (const CanIdMatch& filter : filters) {
    raw.push_back({filter.id | (filter.extended ? CAN_EFF_FLAG : 0U), filter.mask | CAN_EFF_FLAG});
  }
  return ::setsockopt(descriptor, SOL_CAN_RAW, CAN_RAW_FILTER, raw.data(),
                      static_cast<socklen_t>(raw.size() * sizeof(can_filter))) == 0;
}

bool set_up(int descriptor, const std::vector<CanIdMatch>& filters) {
  constexpr int on = 1;
  constexpr can_err_mask_t all_errors = CAN_ERR_MASK;
  constexpr unsigned stamps = SOF_TIMESTAMPING_RX_SOFTWARE | SOF_TIMESTAMPING_SOFTWARE | SOF_TIMESTAMPING_RX_HARDWARE |
                              SOF_TIMESTAMPING_RAW_HARDWARE;
  // Beyond net.core.rmem_max only with CAP_NET_ADMIN; up to there without.
  if (!set(descriptor, SOL_SOCKET, SO_RCVBUFFORCE, receive_buffer_bytes)) {
    set(descriptor, SOL_SOCKET, SO_RCVBUF, receive_buffer_bytes);
  }
  return set(descriptor, SOL_CAN_RAW, CAN_RAW_FD_FRAMES, on) &&
         set(descriptor, SOL_CAN_RAW, CAN_RAW_ERR_FILTER, all_errors) && set_filters(descriptor, filters) &&
         set(descriptor, SOL_SOCKET, SO_RXQ_OVFL, on) && set(descriptor, SOL_SOCKET, SO_TIMESTAMPING, stamps);
}

Opened open_socketcan(const SourceAddress& where) {
  const std::string& name = where.address;
  Descriptor can(::socket(AF_CAN, SOCK_RAW | SOCK_CLOEXEC | SOCK_NONBLOCK, CAN_RAW));
  if (can.number < 0) {
    const bool unknown = errno == EAFNOSUPPORT || errno == EPROTONOSUPPORT;
    return {-1, open_problem(name, errno) + (unknown ? " (this kernel has no CAN; modprobe can-raw)" : ""), {}};
  }
  int index = 0;
  if (std::string problem = find_interface(can.number, name, index); !problem.empty()) {
    return {-1, std::move(problem), {}};
  }
  sockaddr_can address{};
  address.can_family = AF_CAN;
  address.can_ifindex = index;
  // Filters come before bind(), so that nothing else is ever received.
  if (!set_up(can.number, where.can_filters) ||
      ::bind(can.number, reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0) {
    return {-1, open_problem(name, errno), {}};
  }
  return {std::exchange(can.number, -1), {}, can_mode_remark(name, index)};
}

std::string socketcan_address_problem(const SourceAddress& where) {
  const std::string& name = where.address;
  const bool printable = std::all_of(name.begin(), name.end(), [](char one) { return one > ' ' && one < '\x7F'; });
  if (name.empty() || name.size() >= IFNAMSIZ || !printable || name.find('/') != std::string::npos) {
    return name + ": expected the name of a CAN interface, 1 to 15 characters such as can0";
  }
  return {};
}

// ---- receiving

std::int64_t ns_of(const timespec& time) {
  return time.tv_sec * ns_per_s + time.tv_nsec;
}

void take_control(msghdr& message, SocketCanRecord& record) {
  for (cmsghdr* control = CMSG_FIRSTHDR(&message); control != nullptr; control = CMSG_NXTHDR(&message, control)) {
    if (control->cmsg_level != SOL_SOCKET) {
      continue;
    }
    if (control->cmsg_type == SO_RXQ_OVFL) {
      std::memcpy(&record.drops, CMSG_DATA(control), sizeof record.drops);
    } else if (control->cmsg_type == SO_TIMESTAMPING) {
      scm_timestamping stamps{};
      std::memcpy(&stamps, CMSG_DATA(control), sizeof stamps);
      record.kernel_ns = ns_of({stamps.ts[0].tv_sec, stamps.ts[0].tv_nsec});
      record.hardware_ns = ns_of({stamps.ts[2].tv_sec, stamps.ts[2].tv_nsec});
    }
  }
}

struct Message {
  canfd_frame frame;
  alignas(cmsghdr) std::array<char, control_bytes> control;
  iovec part;
};

// As many whole records as have come and find room.
ssize_t receive_socketcan(int descriptor, std::span<char> into) {
  static thread_local std::array<Message, messages_max> messages;
  std::array<mmsghdr, messages_max> headers{};
  const std::size_t most = std::min(messages_max, into.size() / sizeof(SocketCanRecord));
  for (std::size_t i = 0; i < most; ++i) {
    Message& message = messages.at(i);
    message.part = {&message.frame, sizeof message.frame};
    headers.at(i).msg_hdr = {.msg_name = nullptr,
                             .msg_namelen = 0,
                             .msg_iov = &message.part,
                             .msg_iovlen = 1,
                             .msg_control = message.control.data(),
                             .msg_controllen = message.control.size(),
                             .msg_flags = 0};
  }
  const int got = ::recvmmsg(descriptor, headers.data(), static_cast<unsigned>(most), 0, nullptr);
  timespec now{};
  ::clock_gettime(CLOCK_REALTIME, &now);
  for (int i = 0; i < got; ++i) {
    const auto at = static_cast<std::size_t>(i);
    SocketCanRecord record;
    record.frame_size = headers.at(at).msg_len;
    std::memcpy(&record.frame, &messages.at(at).frame, std::min<std::size_t>(record.frame_size, sizeof record.frame));
    record.arrival_ns = ns_of(now);
    take_control(headers.at(at).msg_hdr, record);
    std::memcpy(into.data() + at * sizeof record, &record, sizeof record);
  }
  return got <= 0 ? got : static_cast<ssize_t>(static_cast<std::size_t>(got) * sizeof(SocketCanRecord));
}

}  // namespace

std::unique_ptr<Driver> make_socketcan(const DriverSettings& settings) {
  return std::make_unique<SocketCan>(settings);
}

constinit const DriverEntry socketcan_entry = {.name = "socketcan",
                                               .title = "CAN interface by its name",
                                               .make = make_socketcan,
                                               .recognises = nullptr,
                                               .open = open_socketcan,
                                               .reconnects = true,
                                               .address_problem = socketcan_address_problem,
                                               .lost_bytes = nullptr,
                                               .receive = receive_socketcan};

}  // namespace cw
