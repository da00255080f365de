#include "cli/pipeline.hpp"

#include <pthread.h>

#include <algorithm>
#include <utility>

namespace cw {

namespace {

class Collector final : public Observer {
 public:
  void on_finding(const Finding& finding) override { observations_.emplace_back(finding); }
  void on_cycle(const Cycle& cycle) override { observations_.emplace_back(cycle); }
  void on_second(const Second& second) override { observations_.emplace_back(second); }
  void on_state(const StateChange& change) override { observations_.emplace_back(change); }
  void on_wheel(const WheelShape& shape) override { observations_.emplace_back(shape); }
  void on_clock(const ClockFit& fit) override { observations_.emplace_back(fit); }
  std::vector<Observation> take() { return std::exchange(observations_, {}); }

 private:
  std::vector<Observation> observations_;
};

struct TellObserver {
  Observer& observer;
  void operator()(const Finding& finding) const { observer.on_finding(finding); }
  void operator()(const Cycle& cycle) const { observer.on_cycle(cycle); }
  void operator()(const Second& second) const { observer.on_second(second); }
  void operator()(const StateChange& change) const { observer.on_state(change); }
  void operator()(const WheelShape& shape) const { observer.on_wheel(shape); }
  void operator()(const ClockFit& fit) const { observer.on_clock(fit); }
};

}  // namespace

Pipeline::Pipeline(const Engine& engine, PipelineSettings settings)
    : engine_(engine),
      settings_(std::move(settings)),
      input_(settings_.queue_items),
      output_(settings_.queue_items),
      telling_(settings_.queue_items),
      monitor_thread_([this] { run_monitor(); }),
      writer_thread_([this] { run_writer(); }),
      teller_thread_([this] { run_teller(); }) {}

Pipeline::~Pipeline() {
  finish();
}

bool Pipeline::offer(ItemBuffer& items) {
  const std::size_t weight = items.items.size();
  return input_.try_push(items, weight);
}

void Pipeline::push(ItemBuffer items) {
  const std::size_t weight = items.items.size();
  input_.push(std::move(items), weight);
}

void Pipeline::finish() {
  input_.close();
  if (monitor_thread_.joinable()) {
    monitor_thread_.join();
  }
  if (writer_thread_.joinable()) {
    writer_thread_.join();
  }
  if (teller_thread_.joinable()) {
    teller_thread_.join();
  }
}

void Pipeline::run_monitor() {
  ::pthread_setname_np(::pthread_self(), "monitor");
  Collector collector;
  Monitor monitor(engine_, collector, settings_.maps);
  while (auto items = input_.pop()) {
    monitor.push(items->batch());
    pass_on({std::move(*items), collector.take()});
    monitor_done_ = std::chrono::steady_clock::now();
  }
  monitor.finish();
  pass_on({{}, collector.take()});
  output_.close();
  telling_.close();
}

void Pipeline::pass_on(Work work) {
  if (settings_.live) {
    settings_.totals->take_items(work.items.batch());
    for (const Observation& observation : work.observations) {
      std::visit(TellObserver{*settings_.totals}, observation);
    }
    keep_counts(work.observations);
    std::vector<Observation> copy = work.observations;
    const std::size_t count = copy.size();
    if (count > 0 && !telling_.try_push(copy, count)) {
      lost_observations_ += count;
    }
  }
  hand_to_writer(std::move(work));
}

// The monitor's thread never waits for one that looks: the next batch is soon here.
void Pipeline::keep_counts(const std::vector<Observation>& observations) {
  const std::unique_lock lock(counts_mutex_, std::try_to_lock);
  if (!lock) {
    return;
  }
  counts_.edges = settings_.totals->edges();
  counts_.can_frames = settings_.totals->can_frames();
  if (std::ranges::any_of(observations, [](const Observation& each) { return std::holds_alternative<Second>(each); })) {
    counts_.not_watched = settings_.totals->not_watched();
  }
}

PipelineCounts Pipeline::counts() const {
  const std::lock_guard lock(counts_mutex_);
  return counts_;
}

// When the writer is behind, live analysis goes on: the items are not recorded (the writer sees the jump in their
// sequence and asks for a marker), what was found is still passed on.
void Pipeline::hand_to_writer(Work work) {
  const std::size_t weight = work.items.items.size() + work.observations.size();
  if (!settings_.live) {
    output_.push(std::move(work), weight);
    return;
  }
  if (output_.try_push(work, weight)) {
    return;
  }
  Work rest{{}, std::move(work.observations)};
  const std::size_t count = rest.observations.size();
  if (count > 0 && !output_.try_push(rest, count, 2)) {
    lost_observations_ += count;
  }
}

// Live, what waits behind a slow disk is synced together: a sync for each finding would take longer than the findings.
void Pipeline::run_writer() {
  ::pthread_setname_np(::pthread_self(), "writer");
  constexpr std::chrono::milliseconds together{200};
  auto last_commit = std::chrono::steady_clock::now();
  while (auto work = output_.pop()) {
    write(*work);
    const auto now = std::chrono::steady_clock::now();
    if (!settings_.live || output_.empty() || now - last_commit >= together) {
      commit();
      last_commit = std::chrono::steady_clock::now();
    }
    writer_done_ = std::chrono::steady_clock::now();
  }
}

void Pipeline::run_teller() {
  ::pthread_setname_np(::pthread_self(), "teller");
  while (auto observations = telling_.pop()) {
    tell(*observations);
  }
}

void Pipeline::tell(const std::vector<Observation>& observations) {
  for (const Observation& observation : observations) {
    for (Observer* observer : settings_.observers) {
      std::visit(TellObserver{*observer}, observation);
    }
  }
}

void Pipeline::write(const Work& work) {
  if (settings_.session != nullptr) {
    settings_.session->append(work.items.batch());
    for (const Observation& observation : work.observations) {
      std::visit(TellObserver{*settings_.session}, observation);
    }
  }
  if (!settings_.live) {
    settings_.totals->take_items(work.items.batch());
    for (const Observation& observation : work.observations) {
      std::visit(TellObserver{*settings_.totals}, observation);
    }
    tell(work.observations);
  }
}

void Pipeline::commit() {
  if (settings_.session != nullptr) {
    settings_.session->commit();
  }
}

}  // namespace cw
