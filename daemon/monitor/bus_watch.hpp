// Troubles of a CAN bus, from the error frames that its interface makes (linux/can/error.h): a condition that lasts as
// long as it is told or has not been told as over, one finding each time and not one a frame.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "compare/attribution.hpp"
#include "items/can_frame.hpp"
#include "items/item.hpp"
#include "items/observation.hpp"

namespace cw {

// What an error frame tells, each thing once, in the order of Circumstance. Empty for other frames, and for the news
// that the controller is well again.
std::vector<Circumstance> bus_troubles(const CanFrame& frame);

class BusWatch {
 public:
  static constexpr std::int64_t quiet_ns = 5'000'000'000;  // so long without it, and a trouble is over

  // `next_id` gives findings their numbers.
  explicit BusWatch(std::uint64_t& next_id) : next_id_(next_id) {}

  void name_channel(const Item& note, std::string name) { names_[{note.source, note.channel}] = std::move(name); }
  // The frame of `item`: opens what it tells.
  void take(const Item& item, const CanFrame& frame, std::vector<Finding>& out);
  // Host time goes on: closes what is over.
  void tick(std::int64_t host_ns, std::vector<Finding>& out);
  // The link to `source` is broken: what state its controller is in is not known any more.
  void break_off(std::uint8_t source);

 private:
  using Channel = std::pair<std::uint8_t, std::uint8_t>;  // source, channel
  struct Trouble {
    Finding opened;
    std::uint64_t error_frames = 0;
    std::int64_t last_host_ns = 0;
    bool lasts = false;  // a state that the controller has not left
  };
  void see(const Item& item, const CanFrame& frame, Circumstance what, std::vector<Finding>& out);
  Finding finding(const Item& item, const CanFrame& frame, Circumstance what);
  void leave_states(const Item& item, bool bus_off_only);

  std::uint64_t& next_id_;
  std::map<Channel, std::string> names_;
  std::map<std::pair<Channel, Circumstance>, Trouble> troubles_;  // open
};

}  // namespace cw
