#include "monitor/monitor.hpp"

#include <algorithm>
#include <array>
#include <bit>
#include <cstddef>
#include <cstring>
#include <limits>
#include <optional>
#include <span>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include "compare/baseline_watch.hpp"
#include "compare/cam_change_watch.hpp"
#include "compare/cam_pattern_report.hpp"
#include "compare/cam_target_watch.hpp"
#include "compare/cam_watch.hpp"
#include "compare/fault_watch.hpp"
#include "compare/offset_watch.hpp"
#include "compare/robust.hpp"
#include "compare/tdc_watch.hpp"
#include "compare/wheel_health.hpp"
#include "compare/wheel_report.hpp"
#include "monitor/bus_watch.hpp"
#include "monitor/channel_role.hpp"
#include "monitor/clock_watch.hpp"
#include "monitor/ecu_side.hpp"
#include "monitor/evidence_index.hpp"
#include "monitor/finding_gate.hpp"
#include "monitor/link_watch.hpp"
#include "sync/sync.hpp"

namespace cw {

namespace {

constexpr std::int64_t ns_per_s = 1'000'000'000;
constexpr std::int64_t row_jump_max = 3600;
constexpr double relearn_deg = 0.1;  // a correction of the wheel that changes by so much
constexpr std::int64_t evidence_lead_ns = ns_per_s;
constexpr std::uint64_t evidence_step = 128;
constexpr std::int64_t ecu_lead_ns = 2 * ns_per_s;  // what the ECU says may be late, and the odd edge before it

// Kind, source, channel and code, which stand side by side, to be compared at once.
std::uint32_t kind_channel_and_code(const Item& item) {
  static_assert(offsetof(Item, source) == offsetof(Item, kind) + 1 &&
                offsetof(Item, channel) == offsetof(Item, kind) + 2 &&
                offsetof(Item, code) == offsetof(Item, kind) + 3);
  std::uint32_t four = 0;
  std::memcpy(&four, &item.kind, sizeof(four));
  return four;
}

// The same without the code.
std::uint32_t kind_and_channel(const Item& item) {
  return kind_channel_and_code(item) & (std::endian::native == std::endian::little ? 0x00ffffffU : 0xffffff00U);
}

bool is_edge(const Item& item, std::uint32_t wanted) {
  return kind_channel_and_code(item) == wanted;
}

// When it was at the sensor.
std::int64_t time_of(const Item& item, const ChannelRole& role) {
  return item.source_ns - role.delay_ns;
}

bool is_of_ecu(FindingKind kind) {
  return to_string(kind).starts_with("ecu-") || kind == FindingKind::cam_off_target;
}

}  // namespace

class Monitor::Pipeline {
 public:
  Pipeline(const Engine& engine, Observer& observer, std::vector<BusMap> maps)
      : engine_(engine),
        observer_(observer),
        sync_(engine_),
        faults_(engine_, next_id_),
        cams_(engine_, next_id_),
        cam_changes_(engine_, next_id_),
        cam_moves_(engine_, next_id_),
        tdc_(engine_, next_id_),
        offset_(engine_, next_id_),
        baseline_(engine_, next_id_),
        wheel_(engine_, next_id_),
        teeth_(engine_, next_id_),
        cam_patterns_(engine_, next_id_),
        buses_(next_id_),
        ecu_(engine_, std::move(maps), next_id_),
        clocks_(engine_.sources) {
    row_.cam_phase_deg.resize(engine_.cams.size());
    last_ns_of_others_.fill(std::numeric_limits<std::int64_t>::min());
  }

  void push(const ItemBatch& batch) {
    std::span<const Item> rest = batch.items;
    while (!rest.empty()) {
      const std::size_t plain = plain_crank_edges(rest);
      if (plain == 0) {
        take(rest.front(), batch);
      }
      rest = rest.subspan(std::max<std::size_t>(plain, 1));
    }
  }

  void finish() {
    sync_.finish();
    drain();
    std::vector<Finding> out;
    faults_.finish(out);
    cams_.finish(out);
    cam_changes_.finish(out);
    report(out);
    if (teeth_.shape()) {
      observer_.on_wheel(*teeth_.shape());
    }
    if (started_ && last_host_ns_ > next_row_ns_ - ns_per_s) {
      row_end_ns_ = last_host_ns_ - first_host_ns_;
      end_row();
    }
    for (const ClockFit& fit : clocks_.fits()) {
      observer_.on_clock(fit);
    }
  }

 private:
  void take(const Item& item, const ItemBatch& batch) {
    if (item.host_ns >= next_row_ns_) {
      begin_or_end_rows(item.host_ns);
    }
    if (item.kind == ItemKind::edge) {
      edge(item);
    } else {
      other(item, batch);
    }
    if (!sync_.events().empty()) {
      drain();
    }
  }

  // Edges of the crank in a row of which each active one is plainly the next tooth, cams' edges among them, and no more is
  // to be done: most of what comes from a sound engine. Returns how many items at the front were dealt with; 0 says nothing
  // of what the first is.
  std::size_t plain_crank_edges(std::span<const Item> items) {
    const Item& first = items.front();
    if (first.kind != ItemKind::edge || first.source != timing_source_) {
      return 0;
    }
    const ChannelRole& role = roles_[first.source][first.channel];
    if (role.role != Role::crank || role.both_edges) {
      return 0;
    }
    const std::size_t most = std::min(sync_.edges_until_due(), run_edges);
    if (most == 0) {
      return 0;
    }
    gather(items, most, role);
    const PlainRun& run = run_;
    if (run.active == 0 || run.t_ns[0] + role.delay_ns < last_source_ns_) {
      return 0;
    }
    const std::size_t taken =
        sync_.plain_crank_edges(std::span(run.t_ns).first(run.active), std::span(run.cams).first(run.cam_edges));
    if (taken == 0) {
      return 0;
    }
    // Up to the last edge taken.
    std::size_t seen = run.seen;
    for (std::size_t left = run.active - taken; left > 0 || !is_edge(items[seen - 1], run.wanted);) {
      --seen;
      left -= is_edge(items[seen], run.wanted) ? 1 : 0;
    }
    note_plain(items.first(seen), taken, role);
    return seen;
  }

  static constexpr std::size_t run_edges = 128;
  // The front of what has come: active edges of the crank, cams' active edges between two of them, and other edges of the
  // crank.
  struct PlainRun {
    std::uint32_t wanted = 0;  // kind, source, channel and code of an active edge
    std::size_t seen = 0;      // items
    std::size_t active = 0;
    std::size_t cam_edges = 0;
    std::size_t other_edges = 0;                 // of the crank, not active
    std::array<std::int64_t, run_edges> t_ns{};  // of the active edges
    std::array<Sync::CamAmong, 8> cams{};
  };

  void gather(std::span<const Item> items, std::size_t most, const ChannelRole& crank) {
    PlainRun& run = run_;
    run.cam_edges = 0;
    run.other_edges = 0;
    Item active_edge = items.front();
    active_edge.code = static_cast<std::uint8_t>(crank.active);
    const std::uint32_t wanted = kind_channel_and_code(active_edge);
    run.wanted = wanted;
    const std::uint32_t crank_edge = kind_and_channel(active_edge);
    const std::int64_t delay_ns = crank.delay_ns;
    const std::int64_t row_end_ns = next_row_ns_;
    std::size_t active = 0;
    std::size_t seen = 0;
    for (; active < most && seen < items.size() && items[seen].host_ns < row_end_ns; ++seen) {
      const Item& item = items[seen];
      if (is_edge(item, wanted)) {
        run.t_ns[active++] = item.source_ns - delay_ns;
      } else if (kind_and_channel(item) == crank_edge) {
        ++run.other_edges;
      } else if (!gather_cam(items, seen, active, crank)) {
        break;
      }
    }
    run.seen = seen;
    run.active = active;
  }

  // Whether this item is a cam's edge between two of the crank, and no more need be done with it than to note it.
  bool gather_cam(std::span<const Item> items, std::size_t at, std::size_t active, const ChannelRole& crank) {
    PlainRun& run = run_;
    const Item& item = items[at];
    if (item.kind != ItemKind::edge || item.source != timing_source_ || at == 0 || at + 1 >= items.size() ||
        run.cam_edges == run.cams.size()) {
      return false;
    }
    const ChannelRole& role = roles_[item.source][item.channel];
    const Item& before = items[at - 1];
    const Item& after = items[at + 1];
    const auto code = static_cast<EdgeCode>(item.code);
    const bool among = is_edge(before, run.wanted) && is_edge(after, run.wanted) &&
                       before.source_ns <= item.source_ns && item.source_ns <= after.source_ns;
    if (!among || role.role != Role::cam || role.delay_ns != crank.delay_ns ||
        !(role.both_edges || code == role.active) || !sync_.takes_among(role.cam)) {
      return false;
    }
    run.cams[run.cam_edges++] = {active, role.cam, edge_of(code), time_of(item, role)};
    return true;
  }

  // What edge() does with each of them, the last an active edge of the crank, but for sync, which has taken those and the
  // cams'.
  void note_plain(std::span<const Item> items, std::size_t active, const ChannelRole& role) {
    const Item& last = items.back();
    last_host_ns_ = last.host_ns;
    last_sequence_ = last.sequence;
    links_.heard(last.source, last.host_ns);
    clocks_.edges(items);
    row_.crank_edges += static_cast<std::uint32_t>(active);
    last_source_ns_ = last.source_ns;
    last_crank_host_ns_ = last.host_ns;
    hears_crank_ = true;
    while (last.sequence >= evidence_due_) {
      note_evidence(*std::partition_point(items.begin(), items.end(),
                                          [this](const Item& item) { return item.sequence < evidence_due_; }));
    }
    for (std::size_t i = 0; i < items.size() && run_.other_edges > 0; ++i) {
      if (kind_and_channel(items[i]) == kind_and_channel(last) && items[i].code != last.code) {
        sync_.crank_other_edge(time_of(items[i], role));
      }
    }
  }

  void note_evidence(const Item& item) {
    if (item.sequence >= evidence_due_) {
      evidence_.note(item.source_ns, item.sequence);
      evidence_due_ = (item.sequence | (evidence_step - 1)) + 1;
    }
  }

  void edge(const Item& item) {
    last_host_ns_ = item.host_ns;
    last_sequence_ = item.sequence;
    links_.heard(item.source, item.host_ns);
    clocks_.edge(item);
    if (item.source != timing_source_) {
      edge_of_another(item);
      return;
    }
    note_evidence(item);
    const ChannelRole& role = roles_[item.source][item.channel];
    if (role.role == Role::none) {
      return;
    }
    const auto code = static_cast<EdgeCode>(item.code);
    if (!role.both_edges && code != role.active) {
      if (role.role == Role::crank) {
        sync_.crank_other_edge(time_of(item, role));
      } else if (role.role == Role::cam) {
        sync_.cam_other_edge(role.cam, edge_of(code), time_of(item, role));
      }
      return;
    }
    if (item.source_ns < last_source_ns_) {
      clock_went_back(item);
    }
    last_source_ns_ = item.source_ns;
    const std::int64_t t_ns = time_of(item, role);
    if (role.role == Role::crank) {
      last_crank_host_ns_ = item.host_ns;
      hears_crank_ = true;
      ++row_.crank_edges;
      sync_.crank_edge(t_ns);
    } else if (role.role == Role::cam) {
      sync_.cam_edge(role.cam, edge_of(code), t_ns);
    } else {
      sync_.reference_edge(t_ns);
    }
  }

  void other(const Item& item, const ItemBatch& batch) {
    last_host_ns_ = item.host_ns;
    last_sequence_ = item.sequence;
    if (const auto news = links_.take(item)) {
      link_news(*news, item);
    }
    clocks_.take(item);
    switch (item.kind) {
      case ItemKind::tick:
        tick(item);
        break;
      case ItemKind::link_note:
        link_note(item, batch);
        break;
      case ItemKind::gap:
        gap(item, batch);
        break;
      case ItemKind::can_frame:
        can_frame(item, batch);
        break;
      case ItemKind::edge:
        break;
    }
  }

  void tick(const Item& item) {
    host_evidence_.note(item.host_ns, item.sequence);
    for (const LinkWatch::News& news : links_.tick()) {
      link_news(news, item);
    }
    for (const ClockWatch::Step& step : clocks_.take_steps()) {
      clock_stepped(step);
    }
    sync_.tick(links_.listened_until(timing_source_, item.host_ns) - last_crank_host_ns_);
    settle();
    std::vector<Finding> out;
    buses_.tick(item.host_ns, out);
    report(out);
    if (ecu_.listens()) {
      ecu_tick(item);
    }
  }

  // ---- the ECU's side

  void ecu_tick(const Item& item) {
    note_witness();
    std::vector<Finding> out;
    ecu_.tick(item.host_ns, out);
    if (ecu_.turns_alone()) {
      faults_.ecu_turns_alone(out);
    }
    cam_conditions_.target_deg.resize(engine_.cams.size());
    for (std::size_t cam = 0; cam < engine_.cams.size(); ++cam) {
      cam_conditions_.target_deg[cam] = ecu_.said(SignalName::cam_target, item.host_ns, cam);
    }
    const std::optional<double> oil_c = ecu_.said(SignalName::oil_temperature, item.host_ns);
    cam_conditions_.engine_temperature_c = oil_c ? oil_c : ecu_.said(SignalName::coolant_temperature, item.host_ns);
    for (const AdvancePairing::Pair& pair : ecu_.take_pairs()) {
      tdc_.take(pair.pulse, (pair.least_deg + pair.greatest_deg) / 2, cams_.steady(), out);
    }
    report(out);
  }

  void note_witness() {
    if (ecu_.listens()) {
      ecu_.note_witness({last_host_ns_, sync_.state(), sync_.rpm(), hears_crank_});
    }
  }

  // The host's time of a time of the timing source, or of now where that can't be told.
  std::int64_t host_of(std::int64_t source_ns) const {
    const auto host_ns = timing_source_ == no_source
                             ? std::nullopt
                             : clocks_.host_of(static_cast<std::uint8_t>(timing_source_), source_ns);
    return host_ns.value_or(last_host_ns_);
  }

  void can_frame(const Item& item, const ItemBatch& batch) {
    carries_frames_[item.source] = true;
    if (const auto frame = can_frame_of(item, batch.payload)) {
      std::vector<Finding> out;
      buses_.take(item, *frame, out);
      note_witness();
      ecu_.take(item, *frame, out);
      report(out);
    }
  }

  // A source that sends heartbeats has fallen silent on an open link, or is heard again.
  void link_news(const LinkWatch::News& news, const Item& item) {
    std::optional<Finding>& open = silent_links_.at(news.source);
    if (!news.silent) {
      if (open) {
        report_one(closed(*std::exchange(open, std::nullopt), item.host_ns));
      }
      return;
    }
    Finding finding = plain(FindingKind::link_lost, Circumstance::link_silent, "host", news.since_ns);
    finding.phase = FindingPhase::open;
    finding.end_ns = item.host_ns;
    constexpr double ms_per_ns = 1e-6;
    finding.values.emplace_back("silent_ms", static_cast<double>(item.host_ns - news.since_ns) * ms_per_ns);
    finding.values.emplace_back("source", news.source);
    open = finding;
    report_one(std::move(finding));  // before the break: the evidence is what came last
    break_off(news.source);
  }

  void link_note(const Item& item, const ItemBatch& batch) {
    const auto note = static_cast<LinkNote>(item.code);
    if (note == LinkNote::channel_named) {
      std::string name;
      for (const std::byte byte : payload_of(item, batch.payload)) {
        name.push_back(static_cast<char>(byte));
      }
      name_channel(item, role_of(engine_, name));
      ecu_.name_channel(item, name);
      buses_.name_channel(item, std::move(name));
    } else if (note == LinkNote::disconnected || note == LinkNote::new_epoch) {
      if (note == LinkNote::disconnected) {
        report_of_source(item, plain(FindingKind::link_lost, Circumstance::any, "host", item.host_ns));
      }
      buses_.break_off(item.source);
      break_off(item.source);
    }
  }

  void gap(const Item& item, const ItemBatch& batch) {
    const std::optional<std::uint64_t> told = gap_count(payload_of(item, batch.payload));
    const std::uint64_t count = told.value_or(0);
    const auto reason = static_cast<GapReason>(item.code);
    if (reason == GapReason::bad_input && told && count == 0) {
      return;  // something could not be read, and its source knows that no edge was in it
    }
    if (reason == GapReason::recorder_behind && told && count == 0) {
      break_off(timing_source_);  // what was recorded here was not kept: no trouble, but nothing to go on from
      return;
    }
    // A line that could not be read may have held one edge: the tracker copes with that. Anything more breaks the time
    // line. What the recorder missed may be of any source.
    if (reason == GapReason::recorder_behind) {
      break_off(timing_source_);
    } else if (reason != GapReason::bad_input) {
      break_off(item.source);
    }
    const bool frames = reason == GapReason::receive_overflow || carries_frames_[item.source];
    Finding finding = plain(frames ? FindingKind::frames_dropped : FindingKind::edges_dropped, Circumstance::any,
                            "host", item.host_ns);
    const bool bytes = reason == GapReason::port_overrun;
    if (!bytes) {
      row_.lost_items += static_cast<std::uint32_t>(std::min<std::uint64_t>(count, 0xffffffffU - row_.lost_items));
    }
    if (count > 0) {
      finding.values.emplace_back(bytes ? "lost_bytes" : "lost_items", static_cast<double>(count));
    }
    report_of_source(item, std::move(finding));
  }

  void clock_stepped(const ClockWatch::Step& step) {
    Finding finding = plain(FindingKind::clock_trouble, Circumstance::clock_stepped, "host", step.step.host_ns);
    constexpr double ms_per_ns = 1e-6;
    finding.values.emplace_back("step_ms", static_cast<double>(step.step.step_ns) * ms_per_ns);
    finding.values.emplace_back("source", step.source);
    report_one(std::move(finding));
  }

  void clock_went_back(const Item& item) {
    break_off(item.source);
    report_of_source(item, plain(FindingKind::clock_trouble, Circumstance::any, "source", item.source_ns));
  }

  // ---- which source sync listens to

  void name_channel(const Item& item, const ChannelRole& role) {
    ChannelRole& known = roles_[item.source][item.channel];
    const bool again = known.role == role.role && known.cam == role.cam;
    known = role;
    if (role.role == Role::none || again) {
      return;
    }
    const bool is_crank = role.role == Role::crank;
    if (timing_source_ == no_source || (is_crank && !crank_named_ && item.source != timing_source_)) {
      const int before = std::exchange(timing_source_, item.source);
      if (before != no_source) {
        change_timing_source(item, before);
      }
    } else if (item.source != timing_source_) {
      report_other_device(item, item.source, role);
    }
    crank_named_ = crank_named_ || is_crank;
  }

  // `before` had named cams or the reference, and now the crank turns out to be on another device.
  void change_timing_source(const Item& item, int before) {
    sync_.break_off(LossReason::input_lost);
    last_source_ns_ = std::numeric_limits<std::int64_t>::min();
    evidence_ = {};
    for (const ChannelRole& role : roles_.at(static_cast<std::size_t>(before))) {
      if (role.role != Role::none) {
        report_other_device(item, before, role);
      }
    }
  }

  void report_other_device(const Item& item, int source, const ChannelRole& role) {
    Finding finding = plain(FindingKind::clock_trouble, Circumstance::other_device, "host", item.host_ns);
    finding.channel = role.role == Role::crank ? "crank"
                      : role.role == Role::cam ? engine_.cams[role.cam].name
                                               : engine_.reference->channel;
    finding.values.emplace_back("source", source);
    report_one(std::move(finding));
  }

  void edge_of_another(const Item& item) {
    std::int64_t& last_ns = last_ns_of_others_[item.source];
    if (item.source_ns < last_ns) {
      // Host time: times of findings on a source's clock are on that of the timing source.
      report_of_source(item, plain(FindingKind::clock_trouble, Circumstance::any, "host", item.host_ns));
    }
    last_ns = item.source_ns;
  }

  // The time line of `source` is broken.
  void break_off(int source) {
    ecu_.break_off(source);
    if (source == timing_source_) {
      sync_.break_off(LossReason::input_lost);
      ecu_.break_off_witness();
      hears_crank_ = false;
      last_source_ns_ = std::numeric_limits<std::int64_t>::min();
    } else if (source != no_source) {
      last_ns_of_others_.at(static_cast<std::size_t>(source)) = std::numeric_limits<std::int64_t>::min();
    }
  }

  void report_of_source(const Item& item, Finding finding) {
    finding.values.emplace_back("source", item.source);
    report_one(std::move(finding));
  }

  // ---- events of sync/ to findings and rows

  void drain() {
    std::vector<Finding> out;
    for (const SyncEvent& event : sync_.events()) {
      std::visit([&](const auto& known) { take(known, out); }, event);
    }
    sync_.clear_events();
    report(out);
  }

  void take(const LockEvent& event, std::vector<Finding>& out) {
    if (is_lock(event.from) && !is_lock(event.to)) {
      if (event.reason != LossReason::count_unsure) {  // that is what the cams did, not what was done to them
        cams_.note_disturbance(event.t_ns);
      }
      cams_.break_off(out);
      cam_changes_.break_off();
      cam_moves_.break_off();
      tdc_.break_off();
      ecu_.break_off_witness();
    }
    faults_.take(event, out);
    note_witness();
    const StateChange change{event.from, event.to, event.t_ns, session_ns()};
    offset_.take(change);
    baseline_.take(change);
    observer_.on_state(change);
  }

  void take(const ToothEvent& event, std::vector<Finding>& out) {
    row_.extra_edges += event.kind == ToothFault::extra ? 1 : 0;
    row_.missed_edges += event.kind == ToothFault::missed ? 1 : 0;
    if (event.kind == ToothFault::jump) {
      cams_.note_disturbance(event.t_ns);
    }
    faults_.take(event, out);
  }

  void take(const CycleEvent& event, std::vector<Finding>& out) {
    if (!ecu_.cut(last_host_ns_)) {  // without spark there is no mark
      tdc_.take(event, out);
    }
    faults_.settle(event.tdc_ns, out);
    if (ecu_.listens()) {
      ecu_.note_cycle(host_of(event.tdc_ns), event.rpm);
    }
    Cycle cycle;
    cycle.number = event.number;
    cycle.tdc_ns = event.tdc_ns;
    cycle.rpm = event.rpm;
    cycle.uncertainty_deg = event.uncertainty_deg;
    cycle.sync_margin = event.sync_margin;
    cycle.state = event.state;
    cycle.reference_deviation_deg = tdc_.take_last_deviation();
    if (cycle.reference_deviation_deg) {
      cycle.reference_rpm = last_pulse_.local_rpm;
      cycle.reference_uncertainty_deg = last_pulse_.uncertainty_deg;
    }
    cycle.cam_phase_deg = cams_.phases();
    offset_.take(cycle, out);
    baseline_.take(cycle, out);
    ++row_.cycles;
    row_.rpm = event.rpm;
    if (event.sync_margin) {
      row_.sync_margin = std::min(row_.sync_margin.value_or(1.0), *event.sync_margin);
    }
    row_.tdc_uncertainty_deg = std::max(row_.tdc_uncertainty_deg.value_or(0.0), event.uncertainty_deg);
    observer_.on_cycle(cycle);
  }

  void take(const CamCycleEvent& event, std::vector<Finding>& out) {
    cams_.take(event, out);
    cam_changes_.take(event, cams_.moved_deg(event.cam), cam_conditions_, out);
    if (ecu_.listens() && event.match.matched > 0) {
      ecu_.note_cam_phase(event.cam, host_of(event.first_edge_ns), event.match.shift_deg);
    }
    if (event.cam < cam_conditions_.target_deg.size() && event.match.matched > 0) {
      cam_moves_.take({event.cam, host_of(event.now_ns), event.match.shift_deg, cam_conditions_.target_deg[event.cam],
                       event.rpm, event.cycle},
                      out);
    }
  }
  void take(const ReferenceEvent& event, std::vector<Finding>& out) {
    if (!ecu_.cut(last_host_ns_)) {
      tdc_.take(event, cams_.steady(), out);
      last_pulse_ = event;
    }
    if (ecu_.listens() && is_lock(event.state) && engine_.reference->marks == ReferenceMark::spark) {
      ecu_.note_pulse(event, host_of(event.t_ns));
    }
  }
  void take(const SilenceEvent& event, std::vector<Finding>& out) { faults_.take(event, out); }
  void take(const WheelEvent& event, std::vector<Finding>& out) { wheel_.take(event, out); }
  void take(const CamPatternEvent& event, std::vector<Finding>& out) { cam_patterns_.take(event, out); }

  void take(const ToothTimesEvent& event, std::vector<Finding>& out) {
    teeth_.take(event, out);
    if (const std::optional<double> change_deg = teeth_.take_correction_change_deg()) {
      sync_.correct_wheel(teeth_.correction_deg(), teeth_.hidden_deg());
      if (*change_deg > relearn_deg) {
        tdc_.learn_anew();  // what moves now is our own angle
        cam_changes_.learn_anew();
      }
    }
    constexpr std::int64_t shape_every_ns = 60 * ns_per_s;
    const std::int64_t now_ns = event.t_ns.back();
    if (teeth_.shape() && (now_ns < wheel_told_ns_ || now_ns - wheel_told_ns_ >= shape_every_ns)) {
      wheel_told_ns_ = now_ns;
      observer_.on_wheel(*teeth_.shape());
    }
  }

  void settle() {
    std::vector<Finding> out;
    faults_.settle(sync_.newest_ns(), out);
    report(out);
  }

  // ---- reporting

  std::int64_t session_ns() const { return last_host_ns_ - first_host_ns_; }

  Finding plain(FindingKind kind, Circumstance circumstance, std::string_view clock, std::int64_t t_ns) {
    Finding finding;
    apply(attribute(kind, circumstance), kind, finding);
    finding.id = next_id_++;
    finding.clock = clock;
    finding.start_ns = t_ns;
    finding.end_ns = t_ns;
    return finding;
  }

  void report(std::vector<Finding>& out) {
    for (Finding& finding : out) {
      report_one(std::move(finding));
    }
    out.clear();
  }

  void report_one(Finding finding) {
    finding.session_ns = session_ns();
    const bool by_source = finding.clock == "source";
    if (ecu_.listens()) {
      ecu_.note_finding(finding, by_source ? host_of(finding.start_ns) : finding.start_ns);
    }
    constexpr std::int64_t earliest_ns = std::numeric_limits<std::int64_t>::min() + evidence_lead_ns;
    const std::int64_t from_ns = std::max(by_source ? finding.start_ns : last_source_ns_, earliest_ns);
    finding.evidence_first = is_of_ecu(finding.kind)
                                 ? host_evidence_.at_or_before(std::max(finding.start_ns, earliest_ns) - ecu_lead_ns)
                                 : evidence_.at_or_before(from_ns - evidence_lead_ns);
    finding.evidence_last = last_sequence_;
    if (std::optional<Finding> passed = gate_.pass(std::move(finding))) {
      observer_.on_finding(*passed);
    }
  }

  // ---- one row a second

  void begin_or_end_rows(std::int64_t host_ns) {
    if (!started_) {
      started_ = true;
      first_host_ns_ = host_ns;
      last_host_ns_ = host_ns;
      next_row_ns_ = host_ns + ns_per_s;
      return;
    }
    if (host_ns - next_row_ns_ > row_jump_max * ns_per_s) {
      // A clock that jumps by hours is not filled with rows.
      row_end_ns_ = next_row_ns_ - first_host_ns_;
      end_row();
      next_row_ns_ = host_ns - (host_ns - first_host_ns_) % ns_per_s + ns_per_s;
      return;
    }
    while (host_ns >= next_row_ns_) {
      row_end_ns_ = next_row_ns_ - first_host_ns_;
      end_row();
      next_row_ns_ += ns_per_s;
    }
  }

  void end_row() {
    for (const Finding& finding : gate_.end_second()) {
      observer_.on_finding(finding);
    }
    row_.session_ns = row_end_ns_;
    row_.source_ns = last_source_ns_ == std::numeric_limits<std::int64_t>::min() ? 0 : last_source_ns_;
    row_.state = sync_.state();
    row_.cam_phase_deg = cams_.phases();
    clocks_.fill(timing_source_, row_.source_ns, row_);
    const std::vector<double> deviations = tdc_.take_second();
    if (!deviations.empty()) {
      const RobustMean mean = robust_mean(deviations);
      row_.tdc_deviation_deg = mean.mean;
      row_.tdc_deviation_spread_deg = mean.spread;
    }
    if (!row_.rpm) {
      row_.rpm = sync_.rpm();
    }
    ecu_.fill(row_, first_host_ns_ + row_end_ns_);
    observer_.on_second(row_);
    row_ = Second{};
  }

  const Engine engine_;
  Observer& observer_;
  std::uint64_t next_id_ = 1;
  Sync sync_;
  PlainRun run_;  // kept only so that it need not be made anew each time
  FaultWatch faults_;
  CamWatch cams_;
  CamChangeWatch cam_changes_;
  CamTargetWatch cam_moves_;
  CamConditions cam_conditions_;  // as the ECU says; nothing until it does
  TdcWatch tdc_;
  OffsetWatch offset_;
  BaselineWatch baseline_;
  WheelReport wheel_;
  WheelHealth teeth_;
  std::int64_t wheel_told_ns_ = 0;  // source time of the last shape
  CamPatternReport cam_patterns_;
  ReferenceEvent last_pulse_;
  FindingGate gate_;
  EvidenceIndex evidence_;
  LinkWatch links_;
  BusWatch buses_;
  EcuSide ecu_;
  ClockWatch clocks_;
  EvidenceIndex host_evidence_;             // by host time, of ticks: what the ECU says is held against all that came
  bool hears_crank_ = false;                // edges have come since the link was last broken
  std::array<bool, 256> carries_frames_{};  // by source: a CAN bus or a log of one
  std::array<std::optional<Finding>, 256> silent_links_;  // by source: told as open
  static constexpr int no_source = -1;
  int timing_source_ = no_source;
  bool crank_named_ = false;
  std::array<std::array<ChannelRole, 256>, 256> roles_{};
  std::array<std::int64_t, 256> last_ns_of_others_;
  Second row_;
  bool started_ = false;
  std::int64_t next_row_ns_ = std::numeric_limits<std::int64_t>::min();
  std::int64_t first_host_ns_ = 0;
  std::int64_t row_end_ns_ = 0;
  std::int64_t last_host_ns_ = 0;
  std::int64_t last_crank_host_ns_ = 0;
  std::int64_t last_source_ns_ = std::numeric_limits<std::int64_t>::min();
  std::uint64_t last_sequence_ = 0;
  std::uint64_t evidence_due_ = 0;
};

Monitor::Monitor(const Engine& engine, Observer& observer, std::vector<BusMap> maps)
    : pipeline_(std::make_unique<Pipeline>(engine, observer, std::move(maps))) {}
Monitor::~Monitor() = default;
void Monitor::push(const ItemBatch& batch) {
  pipeline_->push(batch);
}
void Monitor::finish() {
  pipeline_->finish();
}

}  // namespace cw
