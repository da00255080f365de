#include "report/tooth_trace.hpp"

#include <algorithm>
#include <cmath>
#include <string>
#include <utility>
#include <variant>

#include "geometry/angle.hpp"
#include "sync/sync.hpp"

namespace cw {

namespace {

// A lock while it is gathered: its marks, and by how many repeats of the pattern they stand further on, once that is
// known.
struct OpenLock {
  std::vector<CrankMark> marks;
  std::optional<int> place;
  bool cycle_known = false;
  std::uint64_t from = 0;
  std::uint64_t next = 0;
};

class Tracer {
 public:
  explicit Tracer(const Engine& engine) : engine_(engine), sync_(engine_), cycle_(tooth_cycle(engine)) {}

  void take(const Item& item, const ItemBuffer& window);
  ToothTrace finish();

 private:
  void take_note(const Item& item, const ItemBuffer& window);
  void take_edge(const Item& item);
  void look();
  void close();
  double first_deg(const OpenLock& lock) const;

  const Engine& engine_;
  Sync sync_;
  ToothCycle cycle_;
  std::array<std::array<ChannelRole, 256>, 256> roles_{};
  std::optional<std::uint8_t> source_;  // the first that names the crank
  std::int64_t last_ns_ = INT64_MIN;
  OpenLock open_;
  ToothTrace trace_;
};

void Tracer::take_note(const Item& item, const ItemBuffer& window) {
  const auto note = static_cast<LinkNote>(item.code);
  if (note == LinkNote::channel_named) {
    std::string name;
    for (const std::byte byte : payload_of(item, window.payload)) {
      name.push_back(static_cast<char>(byte));
    }
    const ChannelRole role = role_of(engine_, name);
    roles_[item.source][item.channel] = role;
    if (role.role == Role::crank && !source_) {
      source_ = item.source;
    }
  } else if (note == LinkNote::disconnected || note == LinkNote::new_epoch) {
    sync_.break_off(LossReason::input_lost);
    last_ns_ = INT64_MIN;
  }
}

void Tracer::take(const Item& item, const ItemBuffer& window) {
  if (item.kind == ItemKind::link_note) {
    take_note(item, window);
  } else if (item.kind == ItemKind::gap && item.code != static_cast<std::uint8_t>(GapReason::bad_input)) {
    sync_.break_off(LossReason::input_lost);
    last_ns_ = INT64_MIN;
  } else if (item.kind == ItemKind::edge && source_ == item.source) {
    take_edge(item);
  }
  look();
}

void Tracer::take_edge(const Item& item) {
  const ChannelRole& role = roles_[item.source][item.channel];
  if (role.role == Role::none) {
    return;
  }
  const auto code = static_cast<EdgeCode>(item.code);
  const std::int64_t t_ns = item.source_ns - role.delay_ns;
  const bool active = role.both_edges || code == role.active;
  trace_.edges.push_back({t_ns, role.role, role.cam, code, active});
  if (!active) {
    if (role.role == Role::crank) {
      sync_.crank_other_edge(t_ns);
    } else if (role.role == Role::cam) {
      sync_.cam_other_edge(role.cam, edge_of(code), t_ns);
    }
    return;
  }
  if (item.source_ns < last_ns_) {
    sync_.break_off(LossReason::input_lost);
  }
  last_ns_ = item.source_ns;
  if (role.role == Role::crank) {
    sync_.crank_edge(t_ns);
  } else if (role.role == Role::cam) {
    sync_.cam_edge(role.cam, edge_of(code), t_ns);
  } else {
    sync_.reference_edge(t_ns);
  }
}

// What sync has decided since the last edge. A lock that begins anew has another first tooth; where the claim is only
// withdrawn for a while, the teeth after it may be counted anew.
void Tracer::look() {
  for (const SyncEvent& event : sync_.events()) {
    const auto* tooth = std::get_if<ToothEvent>(&event);
    if (tooth != nullptr && tooth->kind == ToothFault::extra) {
      trace_.extra_ns.push_back(tooth->t_ns);
    }
  }
  sync_.clear_events();
  if (sync_.teeth_from() != open_.from) {
    close();
    open_.from = sync_.teeth_from();
    open_.next = open_.from;
  }
  for (; open_.next < sync_.teeth_to(); ++open_.next) {
    open_.marks.push_back(sync_.passed_tooth(open_.next));
  }
  if (is_lock(sync_.state())) {
    open_.place = sync_.place();
    open_.cycle_known = sync_.state() == LockState::cycle_locked;
  } else if (open_.place) {
    close();
  }
}

// Crank angle of the first tooth of `lock`, on the scale of the lock before it: of all turns the one that speed lets
// expect.
double Tracer::first_deg(const OpenLock& lock) const {
  const CrankMark& first = lock.marks.front();
  const std::size_t at = static_cast<std::size_t>(first.tooth) + static_cast<std::size_t>(lock.place.value_or(0)) *
                                                                     static_cast<std::size_t>(cycle_.repeat_teeth);
  const double angle_deg = cycle_.teeth[at % cycle_.teeth.size()].crank_deg;
  if (trace_.locks.empty()) {
    return angle_deg;
  }
  const double guess_deg = trace_.deg_at(first.t_ns);
  const double last_deg = trace_.locks.back().teeth.back().deg;
  double deg = guess_deg + wrap_signed_deg(angle_deg - guess_deg, cycle_.cycle_deg);
  while (deg <= last_deg) {
    deg += cycle_.cycle_deg;
  }
  return deg;
}

void Tracer::close() {
  OpenLock lock = std::exchange(open_, {});
  open_.from = lock.from;
  open_.next = lock.next;
  if (!trace_.locks.empty()) {
    // A lock that is taken looks back over teeth that the one before may have decided already.
    const std::int64_t told_ns = trace_.locks.back().teeth.back().t_ns;
    std::erase_if(lock.marks, [told_ns](const CrankMark& mark) { return mark.t_ns <= told_ns; });
  }
  if (!lock.place || lock.marks.size() < 2) {
    return;
  }
  TracedLock traced;
  traced.cycle_known = lock.cycle_known;
  double deg = first_deg(lock);
  for (std::size_t i = 0; i < lock.marks.size(); ++i) {
    deg += i > 0 ? cycle_.between_deg(lock.marks[i - 1].tooth, lock.marks[i].tooth) : 0;
    traced.teeth.push_back({lock.marks[i].t_ns, deg});
  }
  trace_.locks.push_back(std::move(traced));
}

ToothTrace Tracer::finish() {
  sync_.finish();
  look();
  close();
  return std::move(trace_);
}

const TracedLock* nearest_lock(const std::vector<TracedLock>& locks, std::int64_t t_ns) {
  const TracedLock* nearest = &locks.front();
  for (const TracedLock& lock : locks) {
    if (lock.teeth.front().t_ns <= t_ns) {
      nearest = &lock;
    }
  }
  return nearest;
}

double along(const TracedTooth& from, const TracedTooth& to, std::int64_t t_ns) {
  const auto span_ns = static_cast<double>(to.t_ns - from.t_ns);
  return from.deg + (to.deg - from.deg) * static_cast<double>(t_ns - from.t_ns) / span_ns;
}

}  // namespace

const TracedLock* ToothTrace::lock_at(std::int64_t t_ns) const {
  const auto spans = [t_ns](const TracedLock& lock) {
    return lock.teeth.front().t_ns <= t_ns && t_ns <= lock.teeth.back().t_ns;
  };
  const auto found = std::find_if(locks.begin(), locks.end(), spans);
  return found == locks.end() ? nullptr : &*found;
}

double ToothTrace::deg_at(std::int64_t t_ns) const {
  const TracedLock* lock = nearest_lock(locks, t_ns);
  const std::vector<TracedTooth>& teeth = lock->teeth;
  const auto after = std::upper_bound(teeth.begin(), teeth.end(), t_ns,
                                      [](std::int64_t t, const TracedTooth& tooth) { return t < tooth.t_ns; });
  if (after == teeth.end()) {
    const bool is_last = lock == &locks.back();
    return is_last ? along(*(teeth.end() - 2), teeth.back(), t_ns)
                   : along(teeth.back(), (lock + 1)->teeth.front(), t_ns);
  }
  return after == teeth.begin() ? along(teeth[0], teeth[1], t_ns) : along(*(after - 1), *after, t_ns);
}

double ToothTrace::ns_per_deg_at(std::int64_t t_ns) const {
  constexpr std::size_t teeth_back = 8;
  const std::vector<TracedTooth>& teeth = nearest_lock(locks, t_ns)->teeth;
  const auto after = std::upper_bound(teeth.begin(), teeth.end(), t_ns,
                                      [](std::int64_t t, const TracedTooth& tooth) { return t < tooth.t_ns; });
  const auto end = std::max<std::size_t>(static_cast<std::size_t>(after - teeth.begin()), 2);
  const std::size_t begin = end > teeth_back ? end - teeth_back : 0;
  return static_cast<double>(teeth[end - 1].t_ns - teeth[begin].t_ns) / (teeth[end - 1].deg - teeth[begin].deg);
}

ToothTrace trace_teeth(const Engine& engine, const ItemBuffer& window) {
  Tracer tracer(engine);
  for (const Item& item : window.items) {
    tracer.take(item, window);
  }
  return tracer.finish();
}

}  // namespace cw
