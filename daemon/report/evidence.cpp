#include "report/evidence.hpp"

#include <algorithm>
#include <cmath>

#include "geometry/angle.hpp"
#include "geometry/tooth_cycle.hpp"
#include "report/tooth_trace.hpp"
#include "sync/strict_counter.hpp"

namespace cw {

namespace {

constexpr double same_tooth_deg = 0.01;

// Half of what is drawn: the teeth around an odd edge are best seen within a turn, cams over a cycle.
double half_width_deg(const Engine& engine, const Finding& finding) {
  constexpr double half_turn_deg = 180;
  constexpr std::size_t few_teeth = 16;
  const bool few = engine.crank.teeth.size() < few_teeth;
  switch (finding.kind) {
    case FindingKind::extra_edge:
    case FindingKind::missed_edge:
    case FindingKind::noise_burst:
    case FindingKind::margin_low:
      return few ? 2 * half_turn_deg : half_turn_deg;
    case FindingKind::cam_step:
    case FindingKind::cam_deviation:
    case FindingKind::crank_wheel_step:
      return 3 * half_turn_deg;  // before and after
    default:
      return 2 * half_turn_deg;
  }
}

class Picture {
 public:
  Picture(const Engine& engine, const Finding& finding, const ToothTrace& trace)
      : engine_(engine), trace_(trace), cycle_(tooth_cycle(engine)), t0_ns_(finding.start_ns) {
    const double half_deg = half_width_deg(engine, finding);
    out_.from_x = -half_deg;
    out_.to_x = half_deg;
    make_axis(finding);
  }

  EvidencePicture draw();

 private:
  void make_axis(const Finding& finding);
  void make_time_axis();
  double x_at(std::int64_t t_ns) const;
  bool in_range(double x) const { return x >= out_.from_x && x <= out_.to_x; }
  // The lock that spans x, if any.
  const TracedLock* lock_at_x(double x) const;
  EvidenceRow& row(const std::string& name);
  void add_rows();
  void expect(EvidenceRow& row, double angle_deg, double period_deg, ExpectedEdge spread);
  void expect_teeth(EvidenceRow& row);
  void add_edges();
  EdgeSense sense_of_crank(const TracedEdge& edge) const;
  EdgeSense sense_among(const EvidenceRow& row, double x) const;
  void find_missing(EvidenceRow& row) const;
  void add_unknown();
  void run_counter();
  void note_silence(std::optional<double> from_x, double to_x);

  const Engine& engine_;
  const ToothTrace& trace_;
  ToothCycle cycle_;
  std::int64_t t0_ns_ = 0;
  double deg0_ = 0;
  EvidencePicture out_;
};

// Degrees where the crank's place is known near the finding: within a cycle and a half of a lock.
void Picture::make_axis(const Finding& finding) {
  constexpr double reach_cycles = 1.5;
  if (trace_.locks.empty()) {
    return make_time_axis();
  }
  const double reach_ns = reach_cycles * cycle_.cycle_deg * trace_.ns_per_deg_at(t0_ns_);
  const bool near = std::any_of(trace_.locks.begin(), trace_.locks.end(), [&](const TracedLock& lock) {
    return static_cast<double>(lock.teeth.front().t_ns - t0_ns_) < reach_ns &&
           static_cast<double>(t0_ns_ - lock.teeth.back().t_ns) < reach_ns;
  });
  if (!near) {
    return make_time_axis();
  }
  deg0_ = trace_.deg_at(t0_ns_);
  out_.angle_at_0_deg = wrap_deg(deg0_, cycle_.cycle_deg);
  out_.ns_per_deg = trace_.ns_per_deg_at(t0_ns_);
  const TracedLock* lock = trace_.lock_at(t0_ns_);
  out_.cycle_known = (lock != nullptr ? *lock : trace_.locks.front()).cycle_known;
  constexpr double after_end_deg = 60;
  if (finding.phase == FindingPhase::single && finding.end_ns > finding.start_ns) {
    out_.to_x = std::clamp(trace_.deg_at(finding.end_ns) - deg0_ + after_end_deg, out_.to_x, 2 * out_.to_x);
  }
}

void Picture::make_time_axis() {
  constexpr std::size_t edges_before = 80;
  constexpr double ms_per_ns = 1e-6;
  out_.by_time = true;
  const auto& edges = trace_.edges;
  const auto at = std::lower_bound(edges.begin(), edges.end(), t0_ns_,
                                   [](const TracedEdge& edge, std::int64_t t_ns) { return edge.t_ns < t_ns; });
  const auto before = std::min<std::ptrdiff_t>(at - edges.begin(), edges_before);
  const auto after = std::min<std::ptrdiff_t>(edges.end() - at, edges_before);
  constexpr double least_ms = 1;
  out_.from_x = before > 0 ? static_cast<double>((at - before)->t_ns - t0_ns_) * ms_per_ns : -least_ms;
  out_.to_x = after > 0 ? static_cast<double>((at + (after - 1))->t_ns - t0_ns_) * ms_per_ns : least_ms;
  out_.from_x = std::min(out_.from_x, -least_ms);
  out_.to_x = std::max(out_.to_x, least_ms);
}

double Picture::x_at(std::int64_t t_ns) const {
  constexpr double ms_per_ns = 1e-6;
  return out_.by_time ? static_cast<double>(t_ns - t0_ns_) * ms_per_ns : trace_.deg_at(t_ns) - deg0_;
}

const TracedLock* Picture::lock_at_x(double x) const {
  const double deg = deg0_ + x;
  const auto spans = [deg](const TracedLock& lock) {
    return lock.teeth.front().deg - same_tooth_deg <= deg && deg <= lock.teeth.back().deg + same_tooth_deg;
  };
  const auto found = std::find_if(trace_.locks.begin(), trace_.locks.end(), spans);
  return found == trace_.locks.end() ? nullptr : &*found;
}

void Picture::add_rows() {
  out_.rows.push_back({"crank", {}, {}});
  for (const CamPattern& cam : engine_.cams) {
    out_.rows.push_back({cam.name, {}, {}});
  }
  if (engine_.reference) {
    out_.rows.push_back({"ECU mark", {}, {}});
  }
}

// At each passage of `angle_deg` within the drawing; `spread` says how far it may be off.
void Picture::expect(EvidenceRow& row, double angle_deg, double period_deg, ExpectedEdge spread) {
  const double unwrapped_x = angle_deg - deg0_;
  const double first_x = unwrapped_x + std::ceil((out_.from_x - unwrapped_x) / period_deg) * period_deg;
  const int count = first_x > out_.to_x ? 0 : static_cast<int>((out_.to_x - first_x) / period_deg) + 1;
  for (int i = 0; i < count; ++i) {
    const double x = first_x + i * period_deg;
    ExpectedEdge edge = spread;
    edge.x = x;
    edge.from_x = x + spread.from_x;
    edge.to_x = x + spread.to_x;
    const TracedLock* lock = lock_at_x(x);
    edge.unsure = lock == nullptr;
    row.expected.push_back(edge);
  }
}

void Picture::expect_teeth(EvidenceRow& row) {
  for (const CycleTooth& tooth : cycle_.teeth) {
    ExpectedEdge edge;
    edge.tooth = tooth.number;
    expect(row, tooth.crank_deg, cycle_.cycle_deg, edge);
  }
  for (ExpectedEdge& edge : row.expected) {
    const TracedLock* lock = lock_at_x(edge.x);
    const double deg = deg0_ + edge.x;
    edge.missing = lock != nullptr && std::none_of(lock->teeth.begin(), lock->teeth.end(), [deg](const TracedTooth& t) {
                     return std::fabs(t.deg - deg) < same_tooth_deg;
                   });
  }
}

EdgeSense Picture::sense_of_crank(const TracedEdge& edge) const {
  if (std::find(trace_.extra_ns.begin(), trace_.extra_ns.end(), edge.t_ns) != trace_.extra_ns.end()) {
    return EdgeSense::odd;
  }
  const TracedLock* lock = out_.by_time ? nullptr : trace_.lock_at(edge.t_ns);
  if (lock == nullptr) {
    return EdgeSense::unplaced;
  }
  const bool is_tooth = std::binary_search(lock->teeth.begin(), lock->teeth.end(), TracedTooth{edge.t_ns, 0},
                                           [](const TracedTooth& a, const TracedTooth& b) { return a.t_ns < b.t_ns; });
  return is_tooth ? EdgeSense::expected : EdgeSense::odd;
}

EdgeSense Picture::sense_among(const EvidenceRow& row, double x) const {
  if (row.expected.empty() || lock_at_x(x) == nullptr) {
    return EdgeSense::unplaced;
  }
  const bool inside = std::any_of(row.expected.begin(), row.expected.end(),
                                  [x](const ExpectedEdge& e) { return e.from_x <= x && x <= e.to_x; });
  return inside ? EdgeSense::expected : EdgeSense::odd;
}

void Picture::add_edges() {
  const std::size_t reference_row = out_.rows.size() - 1;
  for (const TracedEdge& edge : trace_.edges) {
    const double x = x_at(edge.t_ns);
    if (!in_range(x)) {
      continue;
    }
    const std::size_t at = edge.role == Role::crank ? 0 : edge.role == Role::cam ? 1U + edge.cam : reference_row;
    EvidenceRow& row = out_.rows[at];
    if (row.edges.size() >= EvidencePicture::edges_max) {
      ++out_.left_out;
      continue;
    }
    EvidenceEdge drawn{edge.t_ns, x, edge.code == EdgeCode::rising, EdgeSense::not_counted};
    if (edge.active) {
      drawn.sense = edge.role == Role::crank ? sense_of_crank(edge) : sense_among(row, x);
    }
    row.edges.push_back(drawn);
  }
}

// Of cams and the reference: places where no edge came though the crank's place was known.
void Picture::find_missing(EvidenceRow& row) const {
  for (ExpectedEdge& expected : row.expected) {
    const bool seen = std::any_of(row.edges.begin(), row.edges.end(), [&](const EvidenceEdge& edge) {
      return edge.sense == EdgeSense::expected && expected.from_x <= edge.x && edge.x <= expected.to_x;
    });
    const bool whole = lock_at_x(expected.from_x) != nullptr && lock_at_x(expected.to_x) != nullptr;
    expected.missing = !seen && whole && in_range(expected.from_x) && in_range(expected.to_x);
  }
}

void Picture::add_unknown() {
  double known_to = out_.from_x;
  for (const TracedLock& lock : trace_.locks) {
    const double from = lock.teeth.front().deg - deg0_;
    if (from > known_to && known_to < out_.to_x) {
      out_.unknown.push_back({known_to, std::min(from, out_.to_x)});
    }
    known_to = std::max(known_to, lock.teeth.back().deg - deg0_);
  }
  if (known_to < out_.to_x) {
    out_.unknown.push_back({known_to, out_.to_x});
  }
}

void Picture::run_counter() {
  StrictCounter counter(cycle_.steps_deg(cycle_.repeat_teeth));
  out_.has_counter = counter.available();
  if (!out_.has_counter) {
    return;
  }
  bool out = true;  // it has not begun to count yet
  double since = out_.from_x;
  const auto end_at = [&](double x) {
    if (out && x > out_.from_x && since < out_.to_x) {
      out_.counter_out.push_back({std::max(since, out_.from_x), std::min(x, out_.to_x)});
    }
    out = false;
  };
  std::optional<double> last_x;
  for (const TracedEdge& edge : trace_.edges) {
    if (edge.role != Role::crank || !edge.active) {
      continue;
    }
    const double x = x_at(edge.t_ns);
    counter.edge(edge.t_ns);
    if (counter.in_sync()) {
      end_at(x);
    } else if (!out) {
      out = true;
      since = x;
    }
    note_silence(last_x, x);
    last_x = x;
  }
  note_silence(last_x, out_.to_x);
  end_at(out_.to_x);
}

// Longer without an edge than any gap of the wheel: nothing to count.
void Picture::note_silence(std::optional<double> from_x, double to_x) {
  constexpr double gaps = 3;
  double gap_deg = 0;
  for (const CycleTooth& tooth : cycle_.teeth) {
    gap_deg = std::max(gap_deg, tooth.step_deg);
  }
  const double begin = from_x.value_or(out_.from_x);
  if (!out_.by_time && to_x - begin > gaps * gap_deg && to_x > out_.from_x && begin < out_.to_x) {
    out_.silent.push_back({std::max(begin, out_.from_x), std::min(to_x, out_.to_x)});
  }
}

EvidencePicture Picture::draw() {
  add_rows();
  if (!out_.by_time) {
    expect_teeth(out_.rows.front());
    for (std::size_t i = 0; out_.cycle_known && i < engine_.cams.size(); ++i) {
      const CamPattern& cam = engine_.cams[i];
      for (const CamEdge& edge : cam.edges) {
        ExpectedEdge spread;
        spread.from_x = cam.phaser_min_deg - cam.tolerance_deg;
        spread.to_x = cam.phaser_max_deg + cam.tolerance_deg;
        expect(out_.rows[1 + i], edge.angle_deg, cycle_.cycle_deg, spread);
      }
    }
    if (out_.cycle_known && engine_.reference && engine_.reference->advance_from.empty()) {
      ExpectedEdge spread;
      spread.from_x = -engine_.limits.tdc_warning_deg;
      spread.to_x = engine_.limits.tdc_warning_deg;
      expect(out_.rows.back(), -engine_.reference->advance_deg, engine_.reference->period_deg, spread);
    }
    add_unknown();
  }
  add_edges();
  for (std::size_t i = 1; i < out_.rows.size(); ++i) {
    find_missing(out_.rows[i]);
  }
  run_counter();
  for (EvidenceRow& row : out_.rows) {
    std::sort(row.expected.begin(), row.expected.end(),
              [](const ExpectedEdge& a, const ExpectedEdge& b) { return a.x < b.x; });
  }
  return std::move(out_);
}

}  // namespace

EvidencePicture evidence_picture(const Engine& engine, const Finding& finding, const ItemBuffer& window) {
  const ToothTrace trace = trace_teeth(engine, window);
  return Picture(engine, finding, trace).draw();
}

}  // namespace cw
