// The ECU's side: frames of its broadcast to values, and these against what the witness sees. All times are host times.
#pragma once

#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "compare/ecu_advance_watch.hpp"
#include "compare/ecu_broadcast_watch.hpp"
#include "compare/ecu_cam_watch.hpp"
#include "compare/ecu_loss_watch.hpp"
#include "compare/ecu_offset_watch.hpp"
#include "compare/ecu_speed_watch.hpp"
#include "compare/ecu_sync_watch.hpp"
#include "compare/ecu_values.hpp"
#include "compare/witness_past.hpp"
#include "geometry/engine.hpp"
#include "items/can_frame.hpp"
#include "items/item.hpp"
#include "items/observation.hpp"
#include "signals/bus_map.hpp"
#include "sync/sync.hpp"

namespace cw {

class EcuSide {
 public:
  // `engine` and `next_id` must outlive it.
  EcuSide(const Engine& engine, std::vector<BusMap> maps, std::uint64_t& next_id);

  // Without a map nothing is listened to, and none of the rest does anything.
  bool listens() const { return !maps_.empty(); }

  // A channel of a source has a name; maps of an interface listen to the channel of that name alone.
  void name_channel(const Item& item, const std::string& name);
  void take(const Item& item, const CanFrame& frame, std::vector<Finding>& out);
  // The link of a source is lost, or frames of it are.
  void break_off(int source);

  // What the witness knows now; at each tick, and whenever its state changes.
  void note_witness(WitnessSample sample);
  // What it has found, with the time of its beginning.
  void note_finding(const Finding& finding, std::int64_t host_ns) { losses_.note(finding, within_bounds(host_ns)); }
  void note_cam_phase(std::size_t cam, std::int64_t host_ns, double phase_deg) {
    cams_.note_phase(cam, within_bounds(host_ns), phase_deg);
  }
  void note_cycle(std::int64_t host_ns, double rpm) { speed_.note_cycle(within_bounds(host_ns), rpm); }
  void note_pulse(const ReferenceEvent& pulse, std::int64_t host_ns) {
    pairing_.note_pulse(pulse, within_bounds(host_ns));
  }
  // The edges are broken off.
  void break_off_witness();

  // Compares.
  void tick(std::int64_t host_ns, std::vector<Finding>& out);

  // Pulses of a reference whose advance is the ECU's (advance_from), each with what the ECU said of that time; once.
  std::vector<AdvancePairing::Pair> take_pairs() { return std::exchange(pairs_, {}); }
  // The ECU goes on with the engine while no edge comes at our tap.
  bool turns_alone() const { return sync_.turns_alone(); }
  // The latest value that is not stale. `cam`: index in Engine::cams.
  std::optional<double> said(SignalName name, std::int64_t now_ns, std::size_t cam = 0) const;
  // A cut is on, or was within the last second.
  bool cut(std::int64_t now_ns) const { return pairing_.cut(within_bounds(now_ns)); }

  // The columns of a second that ends now.
  void fill(Second& row, std::int64_t host_ns);

 private:
  // Times of damaged recordings may be anything: here they never fall, and their differences never overflow.
  static std::int64_t within_bounds(std::int64_t host_ns);
  std::int64_t time_of(std::int64_t host_ns) { return newest_ns_ = std::max(newest_ns_, within_bounds(host_ns)); }

  struct Bus {
    std::uint8_t source = 0;
    std::uint8_t channel = 0;
    std::vector<bool> listens;  // by map
  };
  const std::vector<bool>& listening(const Item& item) const;
  void take_reading(const SignalReading& reading, std::int64_t host_ns, std::vector<Finding>& out);
  void note_cut(const EcuValue& cut);
  std::int64_t stale_ns() const;
  Turning turning(std::int64_t now_ns) const;
  std::optional<double> rpm_now() const;
  void pair_pulses(std::int64_t now_ns, std::vector<Finding>& out);

  const Engine& engine_;
  std::vector<BusMap> maps_;
  std::vector<std::size_t> first_message_;  // of each map, as the broadcast watch numbers them
  std::vector<Bus> buses_;
  std::vector<bool> of_unnamed_;
  SignalReadings readings_{};
  EcuValues values_;
  WitnessPast past_;
  EcuSpeedWatch speed_;
  EcuSyncWatch sync_;
  EcuLossWatch losses_;
  EcuAdvanceWatch advance_;
  EcuCamWatch cams_;
  EcuOffsetWatch offset_;
  EcuBroadcastWatch broadcast_;
  AdvancePairing pairing_;
  std::vector<AdvancePairing::Pair> pairs_;
  std::optional<int> source_;  // that the last mapped frame came from
  bool compared_ = false;
  std::int64_t newest_ns_ = within_bounds(std::numeric_limits<std::int64_t>::min());
};

}  // namespace cw
