// How a CAN interface is set up, as rtnetlink tells (linux/can/netlink.h). A controller that is not listen-only
// acknowledges the frames of others, and so takes part in the bus though no program sends: an ECU that is alone with it
// sees an answer that it would not have without.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>

namespace cw {

struct CanMode {
  std::string kind;                 // "can", "vcan", ...; empty: not told
  std::optional<bool> listen_only;  // nothing where the interface has no such mode
};

// From an RTM_NEWLINK message. Nothing when it is none.
std::optional<CanMode> can_mode_of(std::span<const std::byte> message);

// What is to be said about `mode` to whoever runs a witness, in one line; empty: it is listen-only.
std::string remark_about(const CanMode& mode, const std::string& interface);

// Asks the kernel. The same line, or why it is not known.
std::string can_mode_remark(const std::string& interface, int index);

}  // namespace cw
