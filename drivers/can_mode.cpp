#include "drivers/can_mode.hpp"

#include <libmnl/libmnl.h>
#include <linux/can/netlink.h>
#include <linux/if_link.h>
#include <linux/rtnetlink.h>

#include <array>
#include <cerrno>
#include <cstring>
#include <memory>
#include <system_error>
#include <vector>

namespace cw {

namespace {

// Called for each attribute by libmnl.
int note_outer(const nlattr* attribute, void* data) {
  auto* found = static_cast<const nlattr**>(data);
  if (mnl_attr_get_type(attribute) == IFLA_LINKINFO) {
    *found = attribute;
  }
  return MNL_CB_OK;
}

int note_mode(const nlattr* attribute, void* data) {
  auto* mode = static_cast<CanMode*>(data);
  can_ctrlmode control{};
  if (mnl_attr_get_type(attribute) == IFLA_CAN_CTRLMODE && mnl_attr_get_payload_len(attribute) >= sizeof control) {
    std::memcpy(&control, mnl_attr_get_payload(attribute), sizeof control);
    mode->listen_only = (control.flags & CAN_CTRLMODE_LISTENONLY) != 0;
  }
  return MNL_CB_OK;
}

int note_info(const nlattr* attribute, void* data) {
  auto* mode = static_cast<CanMode*>(data);
  if (mnl_attr_get_type(attribute) == IFLA_INFO_KIND) {
    const auto* text = static_cast<const char*>(mnl_attr_get_payload(attribute));
    mode->kind.assign(text, ::strnlen(text, mnl_attr_get_payload_len(attribute)));
  } else if (mnl_attr_get_type(attribute) == IFLA_INFO_DATA) {
    mnl_attr_parse_nested(attribute, note_mode, mode);
  }
  return MNL_CB_OK;
}

// The kernel's answer about one interface; empty, with errno set, when there is none.
std::vector<std::byte> ask_for_link(int index) {
  const std::unique_ptr<mnl_socket, int (*)(mnl_socket*)> route(mnl_socket_open2(NETLINK_ROUTE, SOCK_CLOEXEC),
                                                                mnl_socket_close);
  if (!route || mnl_socket_bind(route.get(), 0, MNL_SOCKET_AUTOPID) != 0) {
    return {};
  }
  std::array<char, 256> question{};
  nlmsghdr* header = mnl_nlmsg_put_header(question.data());
  header->nlmsg_type = RTM_GETLINK;
  header->nlmsg_flags = NLM_F_REQUEST;
  auto* link = static_cast<ifinfomsg*>(mnl_nlmsg_put_extra_header(header, sizeof(ifinfomsg)));
  link->ifi_index = index;
  constexpr std::size_t answer_bytes = 32768;  // MNL_SOCKET_DUMP_SIZE
  std::vector<std::byte> answer(answer_bytes);
  ssize_t got = mnl_socket_sendto(route.get(), header, header->nlmsg_len);
  got = got < 0 ? got : mnl_socket_recvfrom(route.get(), answer.data(), answer.size());
  answer.resize(got < 0 ? 0 : static_cast<std::size_t>(got));
  return answer;
}

}  // namespace

std::optional<CanMode> can_mode_of(std::span<const std::byte> message) {
  std::vector<std::byte> aligned(message.begin(), message.end());  // as netlink wants it
  const auto* header = reinterpret_cast<const nlmsghdr*>(aligned.data());
  if (!mnl_nlmsg_ok(header, static_cast<int>(aligned.size())) || header->nlmsg_type != RTM_NEWLINK ||
      header->nlmsg_len < MNL_NLMSG_HDRLEN + sizeof(ifinfomsg)) {
    return std::nullopt;
  }
  CanMode mode;
  const nlattr* info = nullptr;
  mnl_attr_parse(header, sizeof(ifinfomsg), note_outer, static_cast<void*>(&info));
  if (info != nullptr) {
    mnl_attr_parse_nested(info, note_info, &mode);
  }
  return mode;
}

std::string remark_about(const CanMode& mode, const std::string& interface) {
  if (mode.listen_only.value_or(false)) {
    return {};
  }
  if (mode.kind == "vcan" || mode.kind == "vxcan") {
    return interface + ": a virtual interface (" + mode.kind + "), which has no listen-only mode and no bus";
  }
  if (!mode.listen_only) {
    return interface + ": whether it is listen-only is not known: the kernel does not say";
  }
  return interface +
         ": not listen-only: its controller acknowledges frames and so takes part in the bus; to listen only: ip link "
         "set " +
         interface + " down, then ip link set " + interface + " up type can bitrate BITS_A_SECOND listen-only on";
}

std::string can_mode_remark(const std::string& interface, int index) {
  const std::vector<std::byte> answer = ask_for_link(index);
  if (answer.empty()) {
    return interface + ": whether it is listen-only is not known: " + std::generic_category().message(errno);
  }
  const auto mode = can_mode_of(answer);
  return mode ? remark_about(*mode, interface) : interface + ": whether it is listen-only is not known: no answer";
}

}  // namespace cw
