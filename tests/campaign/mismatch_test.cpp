// The rule of what can't be told, worked out by hand; the draw; and a judge of mismatches that no decoder takes part in.
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <set>
#include <sstream>
#include <variant>

#include "campaign/mismatch.hpp"
#include "campaign/truth_view.hpp"
#include "config/engine_file.hpp"
#include "geometry/tooth_cycle.hpp"

namespace cw::campaign {
namespace {

constexpr const char* sixty_two = "teeth = 60\nmissing = 2\n";
constexpr const char* twelve = "teeth = 12\nmissing = 0\n";

std::string cam_of(const std::string& edges, const std::string& more = "") {
  return "[[cam]]\nname = \"a\"\nchannel = \"c\"\nactive_edge = \"falling\"\nedges_deg = " + edges + "\n" + more;
}

Engine engine_of(const std::string& wheel, const std::string& cam = "") {
  const auto parsed = parse_engine(
      "[engine]\ncylinders = 1\n[crank]\nactive_edge = \"falling\"\ntrigger_offset_deg = 100\n" + wheel + cam,
      "mismatch.toml");
  if (const auto* error = std::get_if<ConfigError>(&parsed)) {
    ADD_FAILURE() << error->message;
    return {};
  }
  return std::get<Engine>(parsed);
}

TEST(CouldBe, tells_wheels_by_their_counts_and_gaps) {
  const Engine truth = engine_of(sixty_two);
  EXPECT_TRUE(could_be(truth, truth));
  EXPECT_FALSE(could_be(truth, engine_of("teeth = 60\nmissing = 1\n")));
  EXPECT_FALSE(could_be(truth, engine_of("teeth = 61\nmissing = 2\n")));
  EXPECT_FALSE(could_be(truth, engine_of("teeth = 36\nmissing = 1\n")));
  EXPECT_FALSE(could_be(truth, engine_of(twelve)));
  EXPECT_FALSE(could_be(engine_of(twelve), truth));
  EXPECT_FALSE(could_be(truth, engine_of("teeth = 60\ngaps = [[28, 2], [58, 2]]\n")));
}

TEST(CouldBe, cannot_tell_a_wheel_from_one_with_its_gap_turned) {
  // Tooth 1 is another one; the wheel is the same.
  EXPECT_TRUE(could_be(engine_of("teeth = 36\ngaps = [[13, 2], [16, 2], [34, 2]]\n"),
                       engine_of("teeth = 36\ngaps = [[1, 2], [19, 2], [34, 2]]\n")));
  EXPECT_FALSE(could_be(engine_of("teeth = 36\ngaps = [[13, 2], [16, 2], [34, 2]]\n"),
                        engine_of("teeth = 36\ngaps = [[13, 2], [17, 2], [34, 2]]\n")));
}

TEST(CouldBe, tells_even_wheels_by_the_cam_only) {
  const Engine truth = engine_of(twelve);
  EXPECT_TRUE(could_be(truth, engine_of("teeth = 8\nmissing = 0\n")));  // as if it turned slower
  const std::string cam = cam_of("[300]");
  EXPECT_FALSE(could_be(engine_of(twelve, cam), engine_of("teeth = 8\nmissing = 0\n", cam)));
  EXPECT_TRUE(could_be(engine_of(twelve, cam), engine_of(twelve, cam)));
}

TEST(CouldBe, tells_the_shaft_by_the_cam_only) {
  const std::string on_cam = std::string("shaft = \"cam\"\n") + sixty_two;
  EXPECT_TRUE(could_be(engine_of(sixty_two), engine_of(on_cam)));
  const std::string cam = cam_of("[300]");
  EXPECT_FALSE(could_be(engine_of(sixty_two, cam), engine_of(on_cam, cam)));  // two turns of it without a cam edge
  EXPECT_FALSE(could_be(engine_of(on_cam, cam), engine_of(sixty_two, cam)));
}

TEST(CouldBe, asks_of_a_cam_that_it_lies_outside_every_window) {
  const Engine truth = engine_of(sixty_two, cam_of("[100, 300, 420]"));
  EXPECT_TRUE(could_be(truth, engine_of(sixty_two, cam_of("[110, 300, 420]"))));   // tolerance 8, slack 5
  EXPECT_FALSE(could_be(truth, engine_of(sixty_two, cam_of("[120, 300, 420]"))));  // 20 is more
  EXPECT_TRUE(
      could_be(truth, engine_of(sixty_two, cam_of("[60, 460, 660]"))));  // the other turn: TDC1 is elsewhere then
  EXPECT_TRUE(could_be(truth, engine_of(sixty_two, cam_of("[130, 330, 450]", "phaser_range_deg = [-40, 0]\n"))));
  EXPECT_FALSE(could_be(truth, engine_of(sixty_two, cam_of("[100, 300, 420, 600]"))));  // an edge that never comes
  EXPECT_FALSE(could_be(truth, engine_of(sixty_two, cam_of("[100, 300]"))));            // one too many
}

TEST(CouldBe, tells_swapped_wires_and_a_reluctor_backwards) {
  Engine swapped = engine_of(sixty_two, cam_of("[100, 300, 420]"));
  const Engine truth = swapped;
  std::swap(swapped.crank.channel, swapped.cams.front().channel);
  EXPECT_FALSE(could_be(truth, swapped));
  // Midpoints of the spaces of 60-2: two steps of (18 + 6) / 2 = 12 degrees, all others 6.
  const ToothCycle moved = tooth_cycle(with_teeth_in_spaces(truth));
  EXPECT_EQ(moved.teeth.size(), 116U);
  EXPECT_EQ(std::count_if(moved.teeth.begin(), moved.teeth.end(),
                          [](const CycleTooth& tooth) { return std::abs(tooth.step_deg - 12) < 1e-9; }),
            4);
  EXPECT_FALSE(could_be(with_teeth_in_spaces(truth), truth));
  // Every space of an even wheel is like every other: only its angle to the cam changes, by less than the tolerance.
  const Engine even = engine_of("teeth = 40\nmissing = 0\n", cam_of("[300]"));
  EXPECT_TRUE(could_be(with_teeth_in_spaces(even), even));
}

TEST(CouldBeTimedWrong, asks_of_a_turned_cam_that_no_belt_could_have_turned_it_so_far) {
  const auto timed_wrong = [](const std::string& seen, const std::string& said, const std::string& more = "") {
    return could_be_timed_wrong(engine_of(sixty_two, cam_of(seen)), engine_of(sixty_two, cam_of(said, more)));
  };
  EXPECT_TRUE(timed_wrong("[100]", "[182]"));   // 82 <= 75 and a tolerance of 8
  EXPECT_TRUE(timed_wrong("[100]", "[542]"));   // or in the other turn
  EXPECT_FALSE(timed_wrong("[100]", "[184]"));  // 84
  EXPECT_TRUE(timed_wrong("[100]", "[200]", "phaser_range_deg = [-20, 0]\n"));
  EXPECT_TRUE(timed_wrong("[0, 100, 300]", "[40, 140, 340]"));  // steps 100, 200, 420
  EXPECT_FALSE(timed_wrong("[0, 100, 300]", "[0, 200, 300]"));  // 200, 100, 420: mirrored
  EXPECT_FALSE(timed_wrong("[0, 100, 300]", "[120, 220, 420]"));
  EXPECT_FALSE(timed_wrong("[0, 100, 300]", "[0, 300]"));
}

TEST(CouldBeTimedWrong, sees_only_what_the_file_reads) {
  const std::string half_moon = "[[cam]]\nname = \"a\"\nchannel = \"c\"\nrising_deg = [338]\nfalling_deg = [698]\n";
  // The file lists a falling edge only: it says nothing of a rising one 360 degrees away.
  EXPECT_TRUE(could_be_timed_wrong(engine_of(sixty_two, half_moon), engine_of(sixty_two, cam_of("[640]"))));
  EXPECT_FALSE(could_be_timed_wrong(engine_of(sixty_two, half_moon), engine_of(sixty_two, cam_of("[600]"))));
  EXPECT_FALSE(could_be_timed_wrong(engine_of(sixty_two, cam_of("[640]")), engine_of(sixty_two, half_moon)));
  // A rising edge of a cam whose falling ones are listed stands up to 30 degrees away: 75 + 8 + 30.
  const std::string rising = "[[cam]]\nname = \"a\"\nchannel = \"c\"\nactive_edge = \"rising\"\nedges_deg = [210]\n";
  EXPECT_TRUE(could_be_timed_wrong(engine_of(sixty_two, cam_of("[100]")), engine_of(sixty_two, rising)));
  EXPECT_FALSE(could_be_timed_wrong(engine_of(sixty_two, cam_of("[95]")), engine_of(sixty_two, rising)));
}

TEST(DrawMismatch, gives_every_kind_in_turn_and_only_what_can_be_told) {
  std::set<MismatchKind> kinds;
  for (std::uint64_t seed = 1; seed <= 40; ++seed) {
    const MismatchCase mismatch = draw_mismatch(seed);
    ASSERT_EQ(mismatch.drawn.problem, "") << seed;
    kinds.insert(mismatch.kind);
    const bool backwards = mismatch.kind == MismatchKind::reluctor_backwards;
    EXPECT_EQ(mismatch.file_toml == mismatch.drawn.engine_toml, backwards) << seed;
    EXPECT_EQ(mismatch.drawn.scenario.crank.backwards.has_value(), backwards) << seed;
    EXPECT_TRUE(mismatch.drawn.scenario.faults.empty());
    const Engine& truth = mismatch.drawn.engine;
    EXPECT_FALSE(could_be(backwards ? with_teeth_in_spaces(truth) : truth, mismatch.file)) << seed;
    EXPECT_TRUE(could_be(truth, truth)) << seed;
    EXPECT_FALSE(mismatch.kind == MismatchKind::cam_pattern && could_be_timed_wrong(truth, mismatch.file)) << seed;
  }
  EXPECT_EQ(kinds.size(), mismatch_kinds);
  EXPECT_EQ(draw_mismatch(9).file_toml, draw_mismatch(9).file_toml);
}

// The kind of that name, if it is one.
std::optional<FindingKind> kind_named(std::string_view name) {
  for (int i = 0; i <= static_cast<int>(FindingKind::clock_trouble); ++i) {
    if (to_string(static_cast<FindingKind>(i)) == name) {
      return static_cast<FindingKind>(i);
    }
  }
  return std::nullopt;
}

struct Scene {
  MismatchCase mismatch;
  sim::Simulation simulation;
  Observed observed;
};

// An observer that says so three cycles after the first edge, and nothing else.
Scene scene_of(MismatchKind kind, std::string_view said) {
  Scene scene;
  scene.mismatch = draw_mismatch(mismatch_kinds + static_cast<std::uint64_t>(kind));
  scene.simulation = sim::simulate(scene.mismatch.drawn.engine, scene.mismatch.drawn.scenario);
  const sim::Truth& truth = scene.simulation.truth;
  Finding finding;
  finding.kind = kind_named(said).value_or(FindingKind::margin_low);
  finding.phase = FindingPhase::open;
  finding.severity = Severity::fault;
  const double first_deg = turned_deg(truth, scene.simulation.edges.front().t_ns);
  finding.session_ns = time_of_deg(truth, first_deg + 3 * truth.cycle_deg);
  scene.observed.findings.push_back(finding);
  scene.observed.changes.push_back({LockState::no_signal, LockState::searching, 0, 0});
  return scene;
}

MismatchVerdict verdict_of(const Scene& scene) {
  return judge_mismatch(scene.mismatch, scene.simulation, scene.observed);
}

constexpr std::array all_kinds = {MismatchKind::tooth_count,      MismatchKind::missing_count,
                                  MismatchKind::several_gaps,     MismatchKind::even_for_gap,
                                  MismatchKind::other_shaft,      MismatchKind::cam_pattern,
                                  MismatchKind::swapped_channels, MismatchKind::reluctor_backwards};

TEST(JudgeMismatch, passes_an_observer_that_says_so_and_claims_nothing) {
  for (const std::string_view said : {"wrong-engine-file", "wrong-edge-or-polarity"}) {
    ASSERT_TRUE(kind_named(said)) << said;
    for (const MismatchKind kind : all_kinds) {
      const MismatchVerdict verdict = verdict_of(scene_of(kind, said));
      EXPECT_EQ(failure_of(verdict), "") << to_string(kind);
      EXPECT_EQ(verdict.said, said);
      EXPECT_NEAR(verdict.after_cycles, 3, 0.05);
      EXPECT_TRUE(missed_targets(std::span(&verdict, 1)).empty());
    }
  }
}

TEST(JudgeMismatch, complains_of_silence_of_another_finding_and_of_one_that_only_ends) {
  Scene scene = scene_of(MismatchKind::tooth_count, "wrong-engine-file");
  scene.observed.findings.front().phase = FindingPhase::close;
  EXPECT_FALSE(verdict_of(scene).recognised());
  scene.observed.findings.front().phase = FindingPhase::open;
  scene.observed.findings.front().kind = FindingKind::sync_lost;
  EXPECT_FALSE(verdict_of(scene).recognised());
  scene.observed.findings.clear();
  const MismatchVerdict verdict = verdict_of(scene);
  EXPECT_EQ(failure_of(verdict), "not recognised");
  EXPECT_FALSE(missed_targets(std::span(&verdict, 1)).empty());
}

TEST(JudgeMismatch, complains_of_any_position_claimed_but_with_a_wrong_cam_of_the_cycle_only) {
  for (const MismatchKind kind : all_kinds) {
    Scene scene = scene_of(kind, "wrong-engine-file");
    const Observed quiet = scene.observed;
    EXPECT_FALSE(verdict_of(scene).claimed);
    scene.observed.changes.push_back({LockState::searching, LockState::revolution_locked, 0, 0});
    EXPECT_EQ(verdict_of(scene).claimed, kind != MismatchKind::cam_pattern) << to_string(kind);
    scene.observed = quiet;
    scene.observed.changes.push_back({LockState::searching, LockState::cycle_locked, 0, 0});
    EXPECT_TRUE(verdict_of(scene).claimed) << to_string(kind);
    EXPECT_NE(failure_of(verdict_of(scene)), "");
    scene.observed = quiet;
    scene.observed.cycles.emplace_back().state = LockState::cycle_locked;
    EXPECT_TRUE(verdict_of(scene).claimed) << to_string(kind);
  }
}

TEST(JudgeMismatch, wants_ninety_eight_of_a_hundred) {
  MismatchVerdict good;
  good.said = "wrong-engine-file";
  std::vector<MismatchVerdict> verdicts(98, good);
  verdicts.resize(100);
  EXPECT_TRUE(missed_targets(verdicts).empty());
  verdicts[0].claimed = true;
  EXPECT_EQ(missed_targets(verdicts).size(), 1U);
  verdicts[0] = good;
  verdicts[99].problem = "could not be drawn";
  EXPECT_EQ(missed_targets(verdicts).size(), 1U);
  std::ostringstream out;
  print_report(verdicts, out);
  EXPECT_NE(out.str().find("98/99"), std::string::npos) << out.str();
  EXPECT_NE(out.str().find("could not be drawn"), std::string::npos);
}

}  // namespace
}  // namespace cw::campaign
