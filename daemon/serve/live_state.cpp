#include "serve/live_state.hpp"

#include <algorithm>

namespace cw {

namespace {

using SteadyClock = std::chrono::steady_clock;

constexpr std::int64_t lately_ns = 600'000'000'000;

// What has been counted since this was last asked, of a count that starts anew with each session.
std::uint64_t more_of(std::uint64_t now, std::uint64_t& added) {
  const std::uint64_t more = now > added ? now - added : 0;
  added = std::max(added, now);
  return more;
}

bool same_cams(const Engine& a, const Engine& b) {
  return std::ranges::equal(a.cams, b.cams, {}, &CamPattern::name, &CamPattern::name);
}

}  // namespace

double age_s(const LiveStatus& status, SteadyTime then) {
  return std::max(0.0, std::chrono::duration<double>(status.now - then).count());
}

bool is_stale(const LiveStatus& status) {
  return status.now - status.told.value_or(status.state_since) > stale_after;
}

bool is_recording(const LiveStatus& status) {
  const RecordingHealth& recording = status.health.recording;
  return recording.recording && recording.waits_for_disk_s < 1.0 && !status.stopping &&
         status.now - status.health.writer_done < stale_after;
}

Severity gravest_lately(const LiveStatus& status) {
  Severity worst = Severity::info;
  for (const ToldFinding& told : status.findings) {
    if (told.is_open() || status.now_wall_ns - told.wall_ns < lately_ns) {
      worst = std::max(worst, told.finding.severity);
    }
  }
  return worst;
}

LiveState::LiveState(std::string program) {
  status_.program = std::move(program);
  status_.started_wall_ns = wall_now_ns();
  status_.state_since = SteadyClock::now();
}

unsigned LiveState::begin_session(SessionFacts facts) {
  const std::lock_guard lock(mutex_);
  if (!same_cams(facts.engine, status_.session->engine)) {
    rows_.clear();
  }
  status_.session = std::make_shared<const SessionFacts>(std::move(facts));
  status_.session_wall_ns = wall_now_ns();
  status_.state = LockState::no_signal;
  status_.state_since = SteadyClock::now();
  status_.second.reset();
  status_.cycle.reset();
  status_.told.reset();
  status_.last_edge.reset();
  status_.health = {};
  for (ToldFinding& told : status_.findings) {
    if (told.is_open()) {
      told.over_ns = status_.session_wall_ns;  // what lasts is told anew
    }
  }
  ++status_.findings_version;
  ++status_.counts.sessions;
  edges_added_ = 0;
  can_frames_added_ = 0;
  unrecorded_added_ = 0;
  return ++session_;
}

void LiveState::take(unsigned session, const Finding& finding, std::int64_t wall_ns) {
  const std::lock_guard lock(mutex_);
  auto& findings = status_.findings;
  if (session == session_) {
    status_.told = SteadyClock::now();
  }
  const auto known = std::ranges::find_if(findings, [&](const ToldFinding& told) {
    return session == session_ && told.is_open() && told.finding.id == finding.id;
  });
  ++status_.findings_version;
  if (finding.phase == FindingPhase::close) {
    if (known != findings.end()) {
      known->over_ns = wall_ns;
    }
    return;
  }
  status_.counts.findings[{finding.kind, finding.severity}] += finding.count;
  if (known != findings.end()) {
    known->finding = finding;  // seen better: it goes on, with its first time
    return;
  }
  findings.insert(findings.begin(), ToldFinding{finding, wall_ns, std::nullopt});
  if (session != session_ && finding.phase == FindingPhase::open) {
    findings.front().over_ns = wall_ns;
  }
  drop_old_findings();
}

void LiveState::drop_old_findings() {
  auto& findings = status_.findings;
  std::size_t kept = 0;
  std::size_t open = 0;
  std::erase_if(findings, [&](const ToldFinding& told) {
    return told.is_open() ? ++open > open_findings_max : ++kept > findings_max;
  });
}

void LiveState::take(unsigned session, const Cycle& cycle) {
  const std::lock_guard lock(mutex_);
  ++status_.counts.cycles;
  if (session == session_) {
    status_.cycle = cycle;
    status_.cycle_at = SteadyClock::now();
  }
}

void LiveState::take(unsigned session, const Second& second) {
  const std::lock_guard lock(mutex_);
  status_.counts.crank_edges += second.crank_edges;
  status_.counts.extra_edges += second.extra_edges;
  status_.counts.missed_edges += second.missed_edges;
  status_.counts.lost_items += second.lost_items;
  if (session != session_) {
    return;
  }
  status_.second = second;
  status_.told = SteadyClock::now();
  rows_.push_back({status_.next_row++, wall_now_ns(), second});
  if (rows_.size() > rows_max) {
    rows_.pop_front();
  }
}

void LiveState::take(unsigned session, const StateChange& change) {
  const std::lock_guard lock(mutex_);
  if (session == session_) {
    status_.state = change.to;
    status_.state_since = SteadyClock::now();
    status_.told = status_.state_since;
  }
}

void LiveState::take(unsigned session, RunHealth health) {
  const std::lock_guard lock(mutex_);
  if (session != session_) {
    return;
  }
  const std::uint64_t edges = more_of(health.edges, edges_added_);
  if (edges > 0) {
    status_.last_edge = SteadyClock::now();
  }
  status_.counts.edges += edges;
  status_.counts.can_frames += more_of(health.can_frames, can_frames_added_);
  status_.counts.unrecorded_items += more_of(health.recording.lost_items, unrecorded_added_);
  status_.health = std::move(health);
}

void LiveState::stopping() {
  const std::lock_guard lock(mutex_);
  status_.stopping = true;
}

LiveStatus LiveState::status() const {
  const std::lock_guard lock(mutex_);
  LiveStatus copy = status_;
  copy.now = SteadyClock::now();
  copy.now_wall_ns = wall_now_ns();
  return copy;
}

std::vector<PlotRow> LiveState::rows(std::uint64_t first) const {
  const std::lock_guard lock(mutex_);
  const auto begin = std::ranges::lower_bound(rows_, first, {}, &PlotRow::number);
  return {begin, rows_.end()};
}

}  // namespace cw
