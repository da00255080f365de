#include "campaign/judge.hpp"

#include <algorithm>
#include <cmath>

#include "campaign/expectations.hpp"
#include "campaign/text.hpp"
#include "campaign/truth_view.hpp"

namespace cw::campaign {

namespace {

constexpr double ns_per_s = 1e9;

struct Explainer {
  const sim::Fault& fault;
  const Expectation& expected;
  Span span;
  std::size_t occurrences;  // how often its own finding may come, 0 = any number
  double occurrences_used = 0;
  std::vector<std::string> cams_told;  // fixed cams whose step was told
};

// A jump, and a slip of the wheel, shows as a step of each cam, once. A phased cam may show it later, and again, whenever
// its phaser brings it out of its travel.
bool explains_cam_step(const sim::Truth& truth, const Case& drawn, Explainer& explainer, const Finding& finding) {
  const bool jumped = explainer.fault.cam.empty() || explainer.fault.cam == finding.channel;
  const auto cam = std::find_if(drawn.engine.cams.begin(), drawn.engine.cams.end(),
                                [&](const CamPattern& candidate) { return candidate.name == finding.channel; });
  if (!jumped || cam == drawn.engine.cams.end()) {
    return false;
  }
  if (cam->phaser_min_deg != cam->phaser_max_deg) {
    return begins_near(truth, explainer.span, for_ever, finding.start_ns, step_cycles);
  }
  const bool first =
      std::find(explainer.cams_told.begin(), explainer.cams_told.end(), cam->name) == explainer.cams_told.end();
  explainer.cams_told.push_back(cam->name);
  return first && begins_near(truth, explainer.span, step_cycles, finding.start_ns);
}

bool explains(const sim::Truth& truth, const Case& drawn, Explainer& explainer, const Finding& finding) {
  const bool step =
      explainer.fault.kind == sim::FaultKind::cam_step || explainer.fault.kind == sim::FaultKind::crank_wheel_step;
  if (step && finding.kind == FindingKind::cam_step) {
    return explains_cam_step(truth, drawn, explainer, finding);
  }
  if (finding.kind == explainer.expected.finding &&
      begins_near(truth, explainer.span, explainer.expected.cycles_after, finding.start_ns)) {
    // Told twice is told once too often.
    explainer.occurrences_used += finding.count;
    return explainer.occurrences == 0 || explainer.occurrences_used <= static_cast<double>(explainer.occurrences);
  }
  return std::any_of(explainer.expected.consequences.begin(), explainer.expected.consequences.end(),
                     [&](const Consequence& consequence) {
                       return consequence.kind == finding.kind &&
                              begins_near(truth, explainer.span, consequence.cycles_after, finding.start_ns);
                     });
}

// A crank that is thrown backwards while it is being cranked (a kick-back, a starter too weak for the next compression)
// takes the position away, and lost sync is the right answer. A swing back after which the engine stands is not that: it
// has stopped, and engine-stopped is the right answer.
bool thrown_back(const sim::Truth& truth, const Finding& finding) {
  constexpr std::int64_t reach_ns = 2'000'000'000;
  return finding.kind == FindingKind::sync_lost &&
         std::any_of(truth.reversals_ns.begin(), truth.reversals_ns.end(), [&](std::int64_t t_ns) {
           const double gone_on_deg = turned_deg(truth, t_ns + reach_ns) - turned_deg(truth, t_ns);
           return std::abs(finding.start_ns - t_ns) <= reach_ns && gone_on_deg > truth.cycle_deg;
         });
}

std::vector<Explainer> explainers_of(const Case& drawn, const sim::Truth& truth) {
  std::vector<Explainer> explainers;
  for (const sim::Fault& fault : drawn.scenario.faults) {
    const auto entries = entries_of(truth, fault.kind);
    if (entries.empty()) {
      continue;
    }
    const bool counted = fault.kind == sim::FaultKind::extra_edge || fault.kind == sim::FaultKind::missed_edge;
    explainers.push_back(
        {fault, expectation_of(fault.kind), span_of(fault, entries, truth), counted ? entries.size() : 0, 0, {}});
  }
  return explainers;
}

}  // namespace

std::string in_words(const Finding& finding) {
  std::string text = padded(fixed(static_cast<double>(finding.start_ns) / ns_per_s, 4) + " s", 12);
  text += std::string(to_string(finding.kind)) + " (" + std::string(to_string(finding.severity)) + ", " +
          std::string(to_string(finding.phase)) + ", " + std::string(to_string(finding.attribution)) + ")";
  if (!finding.channel.empty()) {
    text += " " + finding.channel;
  }
  if (finding.tooth) {
    text += " tooth " + std::to_string(*finding.tooth);
  }
  if (finding.angle_deg) {
    text += " at " + fixed(*finding.angle_deg, 2) + " deg";
  }
  if (finding.rpm) {
    text += ", " + fixed(*finding.rpm, 0) + " rpm";
  }
  for (const auto& [name, value] : finding.values) {
    text += ", " + name + " " + fixed(value, 2);
  }
  if (finding.count > 1) {
    text += ", count " + std::to_string(finding.count);
  }
  return text;
}

void judge_alarms(const Case& drawn, const sim::Simulation& simulation, const Observed& observed, Verdict& verdict) {
  std::vector<Explainer> explainers = explainers_of(drawn, simulation.truth);
  std::vector<std::uint64_t> seen;
  for (const Finding& finding : observed.findings) {
    if (finding.severity == Severity::info || finding.phase == FindingPhase::close) {
      continue;
    }
    // A condition that is told again as it grows is still one.
    if (finding.phase == FindingPhase::open && std::find(seen.begin(), seen.end(), finding.id) != seen.end()) {
      continue;
    }
    seen.push_back(finding.id);
    const bool explained = std::any_of(explainers.begin(), explainers.end(), [&](Explainer& explainer) {
      return explains(simulation.truth, drawn, explainer, finding);
    });
    if (!explained && !thrown_back(simulation.truth, finding)) {
      verdict.false_alarms.push_back(in_words(finding));
      verdict.false_alarm_kinds.emplace_back(to_string(finding.kind));
    }
  }
}

Verdict judge(const Case& drawn, const sim::Simulation& simulation, const Observed& observed) {
  Verdict verdict;
  verdict.seed = drawn.seed;
  verdict.wheel = wheel_class_of(drawn.engine);
  verdict.clean = simulation.truth.faults.empty();
  verdict.engine_s = simulation.truth.end_s;
  verdict.cycles_true = simulation.truth.tdc1_ns.size();
  judge_lock(drawn, simulation, observed, verdict);
  judge_tdc(drawn, simulation, observed, verdict);
  judge_faults(drawn, simulation, observed, verdict);
  judge_alarms(drawn, simulation, observed, verdict);
  return verdict;
}

}  // namespace cw::campaign
