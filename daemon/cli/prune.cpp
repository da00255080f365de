#include "cli/prune.hpp"

#include <chrono>
#include <utility>

#include "cli/terminal.hpp"
#include "record/observation_text.hpp"
#include "record/wall_time.hpp"

namespace cw {

namespace {

constexpr std::chrono::minutes look_every{10};
constexpr double ns_per_s = 1e9;
constexpr double ns_per_day = 86'400.0 * ns_per_s;
constexpr double bytes_per_gib = 1024.0 * 1024.0 * 1024.0;

RetentionRules rules_for(const std::optional<double>& keep_days, const std::optional<double>& keep_gib,
                         double lead_in_s, double after_s) {
  RetentionRules rules;
  if (keep_days) {
    rules.keep_ns = static_cast<std::int64_t>(*keep_days * ns_per_day);
  }
  if (keep_gib) {
    rules.keep_bytes = static_cast<std::uint64_t>(*keep_gib * bytes_per_gib);
  }
  rules.lead_in_ns = static_cast<std::int64_t>(lead_in_s * ns_per_s);
  rules.after_ns = static_cast<std::int64_t>(after_s * ns_per_s);
  rules.now_wall_ns = wall_now_ns();
  return rules;
}

std::string gib_text(std::uint64_t bytes) {
  std::string text;
  append_fixed(text, static_cast<double>(bytes) / bytes_per_gib, 3);
  return text + " GiB";
}

// Empty: the limit is kept.
std::string over_limit(const RetentionPlan& plan, const RetentionRules& rules) {
  if (!rules.keep_bytes || plan.bytes_after <= *rules.keep_bytes) {
    return {};
  }
  return "the sessions still take " + gib_text(plan.bytes_after) + ", more than the limit of " +
         gib_text(*rules.keep_bytes) + ": what is left bears on warnings and faults, is being written or is left alone";
}

}  // namespace

ExitCode prune(const PruneOptions& options) {
  Terminal terminal;
  const auto refuse = [&](ExitCode code, const std::string& why) {
    terminal.complain("crankwitness: " + why);
    return code;
  };
  if (!options.keep_days && !options.keep_gib) {
    return refuse(ExitCode::usage, "prune: expected --keep-days or --keep-gib, found neither");
  }
  const FileLayer layer;
  const RetentionRules rules = rules_for(options.keep_days, options.keep_gib, options.lead_in_s, options.after_s);
  const auto planned = plan_retention(layer, options.folder, rules);
  if (const auto* error = std::get_if<std::string>(&planned)) {
    return refuse(ExitCode::bad_input, *error);
  }
  const auto& plan = std::get<RetentionPlan>(planned);
  terminal.print(options.folder + ": " + std::to_string(plan.sessions) + " sessions, " + gib_text(plan.bytes_before) +
                 "\n");
  ExitCode code = ExitCode::done;
  for (const RetentionStep& step : plan.steps) {
    const Problem problem = options.dry_run ? Problem() : carry_out(layer, step, rules.now_wall_ns);
    if (problem) {
      terminal.complain("crankwitness: " + *problem);
      code = ExitCode::cannot_write;
    } else {
      terminal.print((options.dry_run ? "would remove  " : "removed  ") + step_in_words(step) + "\n");
    }
  }
  for (const std::string& line : plan.left_alone) {
    terminal.print("left alone  " + line + "\n");
  }
  terminal.print(plan.steps.empty() ? "nothing to remove\n"
                                    : (options.dry_run ? "nothing was removed (dry run); would be left: " : "left: ") +
                                          gib_text(plan.bytes_after) + "\n");
  if (const std::string over = over_limit(plan, rules); !over.empty()) {
    terminal.complain("crankwitness: " + options.folder + ": " + over);
  }
  return code;
}

RetentionWatch::RetentionWatch(const RecordSpec& record, SessionWriter& session,
                               std::function<void(const std::string&)> tell)
    : record_(record), session_(session), tell_(std::move(tell)) {
  if (record_.keep_days || record_.keep_gib) {
    thread_ = std::thread([this] { run(); });
  }
}

RetentionWatch::~RetentionWatch() {
  {
    const std::lock_guard lock(mutex_);
    ending_ = true;
  }
  wake_.notify_one();
  if (thread_.joinable()) {
    thread_.join();
  }
}

void RetentionWatch::run() {
  std::unique_lock lock(mutex_);
  while (!ending_) {
    lock.unlock();
    keep_once();
    lock.lock();
    wake_.wait_for(lock, look_every, [&] { return ending_; });
  }
}

void RetentionWatch::complain(const std::string& problem) {
  if (!problem.empty() && problem != last_problem_) {
    tell_(problem);
  }
  last_problem_ = problem;
}

void RetentionWatch::keep_once() {
  const FileLayer layer;
  const RetentionRules rules = rules_for(record_.keep_days, record_.keep_gib, record_.lead_in_s, record_.after_s);
  const auto planned = plan_retention(layer, record_.folder, rules);
  if (const auto* error = std::get_if<std::string>(&planned)) {
    complain(*error);
    return;
  }
  const auto& plan = std::get<RetentionPlan>(planned);
  std::string problem;
  for (const RetentionStep& step : plan.steps) {
    if (const Problem failed = carry_out(layer, step, rules.now_wall_ns)) {
      problem = *failed;
    } else {
      session_.note_removed_sessions(step_in_words(step), step.bytes);
    }
  }
  const std::string over = over_limit(plan, rules);
  complain(!problem.empty() ? problem : over.empty() ? over : record_.folder + ": " + over);
}

}  // namespace cw
