// The judge of the two-sided campaign: what the truth says passes, each way of being wrong is complained of. No decoder.
#include <gtest/gtest.h>

#include "campaign/two_sided.hpp"

namespace cw::campaign {
namespace {

struct Trial {
  TwoSidedCase drawn;
  sim::Simulation simulation;
};

// The first tuning seed of that situation whose ECU loses sync as it should.
Trial trial_of(Situation situation) {
  for (std::uint64_t seed = 1; seed < 400; ++seed) {
    Trial trial{draw_two_sided(seed), {}};
    if (trial.drawn.situation != situation || !trial.drawn.drawn.problem.empty()) {
      continue;
    }
    trial.simulation = sim::simulate(trial.drawn.drawn.engine, trial.drawn.drawn.scenario);
    const bool quiet = situation == Situation::nothing || situation == Situation::tap_alone;
    if (judge_two_sided(trial.drawn, trial.simulation, {}).wanted.empty() == quiet) {
      return trial;
    }
  }
  ADD_FAILURE() << "no seed of that situation";
  return {};
}

std::int64_t fault_ns(const Trial& trial) {
  return trial.simulation.truth.faults.front().t_ns;
}

// Each loss of the ECU's truth told in this way, 20 ms after it.
Observed told(const Trial& trial, FindingKind kind, Attribution attribution, std::int64_t late_ns = 20'000'000) {
  Observed observed;
  for (const sim::EcuMoment& moment : trial.simulation.truth.ecu) {
    if (moment.state == sim::EcuState::lost) {
      Finding finding;
      finding.kind = kind;
      finding.severity = Severity::fault;
      finding.attribution = attribution;
      finding.start_ns = moment.t_ns + late_ns;
      finding.session_ns = finding.start_ns;
      observed.findings.push_back(finding);
    }
  }
  return observed;
}

bool passes(const Trial& trial, const Observed& observed) {
  return judge_two_sided(trial.drawn, trial.simulation, observed).good();
}

TEST(TwoSidedJudge, wants_the_ecu_blamed_for_what_it_alone_sees_and_nobody_else) {
  const Trial trial = trial_of(Situation::ecu_alone);
  EXPECT_TRUE(passes(trial, told(trial, FindingKind::ecu_lost_sync_on_clean_signal, Attribution::ecu)));
  EXPECT_FALSE(passes(trial, {}));
  EXPECT_FALSE(passes(trial, told(trial, FindingKind::ecu_lost_sync, Attribution::sensor_or_wiring)));
  EXPECT_FALSE(passes(trial, told(trial, FindingKind::ecu_lost_sync_on_clean_signal, Attribution::undecided)));
  EXPECT_FALSE(passes(trial, told(trial, FindingKind::ecu_lost_sync_on_clean_signal, Attribution::ecu, 2'000'000'000)));
}

TEST(TwoSidedJudge, wants_the_sensor_blamed_for_what_both_see) {
  const Trial trial = trial_of(Situation::both);
  EXPECT_TRUE(passes(trial, told(trial, FindingKind::ecu_lost_sync, Attribution::sensor_or_wiring)));
  EXPECT_FALSE(passes(trial, told(trial, FindingKind::ecu_lost_sync_on_clean_signal, Attribution::ecu)));
  EXPECT_FALSE(passes(trial, {}));
}

TEST(TwoSidedJudge, wants_no_word_against_the_ecu_for_what_only_the_tap_sees_and_none_for_nothing) {
  const Trial trial = trial_of(Situation::tap_alone);
  EXPECT_TRUE(passes(trial, {}));
  Observed observed;
  Finding finding;
  finding.kind = FindingKind::ecu_missed_fault;
  finding.severity = Severity::warning;
  finding.attribution = Attribution::undecided;
  finding.start_ns = fault_ns(trial);
  observed.findings = {finding};
  EXPECT_TRUE(passes(trial, observed));
  observed.findings[0].attribution = Attribution::ecu;
  EXPECT_FALSE(passes(trial, observed));
  const Trial sound = trial_of(Situation::nothing);
  EXPECT_TRUE(passes(sound, {}));
  for (const FindingKind kind : {FindingKind::ecu_lost_sync_on_clean_signal, FindingKind::ecu_speed_disagrees,
                                 FindingKind::ecu_silent, FindingKind::ecu_cam_disagrees}) {
    observed.findings[0].kind = kind;
    observed.findings[0].start_ns = 6'000'000'000;
    EXPECT_FALSE(passes(sound, observed)) << to_string(kind);
  }
}

TEST(TwoSidedJudge, wants_a_silent_and_a_restarted_ecu_told_apart) {
  const Trial trial = trial_of(Situation::silent);
  Observed observed;
  Finding finding;
  finding.kind = FindingKind::ecu_silent;
  finding.severity = Severity::warning;
  finding.attribution = Attribution::undecided;
  finding.start_ns = fault_ns(trial);
  observed.findings = {finding};
  EXPECT_TRUE(passes(trial, observed));
  observed.findings[0].kind = FindingKind::ecu_restarted;
  observed.findings[0].attribution = Attribution::ecu;
  EXPECT_FALSE(passes(trial, observed));
  EXPECT_TRUE(passes(trial_of(Situation::nothing), {}));
}

}  // namespace
}  // namespace cw::campaign
