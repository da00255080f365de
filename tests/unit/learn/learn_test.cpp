// Engine files learned from edges made by arithmetic: the wheels of config/engines, turned as published.
#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <string>
#include <variant>
#include <vector>

#include "config/engine_file.hpp"
#include "learn/common_repeat.hpp"
#include "learn/flank_fit.hpp"
#include "learn/fold.hpp"
#include "learn/learn.hpp"
#include "learn/smooth_turning.hpp"
#include "tests/unit/sync/engine_times.hpp"

namespace cw::learn {
namespace {

Engine engine_of(const std::string& name) {
  auto loaded = load_engine(std::string(CRANKWITNESS_SOURCE_DIR) + "/config/engines/" + name);
  EXPECT_TRUE(std::holds_alternative<Engine>(loaded)) << name;
  return std::get<Engine>(std::move(loaded));
}

// Time at each degree of a crank that is cranked as published (Tech Briefs, test and measurement 21269): mean 150, least 85,
// greatest 225 rpm, `waves` a revolution; 155 + 70 cos x + 5 cos 2x rpm.
class CrankedAsPublished {
 public:
  explicit CrankedAsPublished(double waves) {
    constexpr double step_deg = 0.25;
    double t_ns = 0;
    for (double deg = 0; deg < 9000; deg += step_deg) {
      times_ns_.push_back(t_ns);
      const double x = (deg + step_deg / 2) * waves * std::numbers::pi / 180;
      t_ns += step_deg * ns_per_deg_at(155 + 70 * std::cos(x) + 5 * std::cos(2 * x));
    }
  }
  double operator()(double deg) const {
    const double place = deg * 4;
    const auto index = static_cast<std::size_t>(place);
    return times_ns_[index] + (place - static_cast<double>(index)) * (times_ns_[index + 1] - times_ns_[index]);
  }

 private:
  std::vector<double> times_ns_;
};

// One polarity a channel: those of the file. A half-moon has both.
template <typename NsAt>
std::vector<Channel> channels_of(const Engine& engine, NsAt ns_at) {
  std::vector<Channel> channels(1 + engine.cams.size() + (engine.reference ? 1 : 0));
  channels[0].name = "a";
  for (std::size_t i = 1; i < channels.size(); ++i) {
    channels[i].name = std::string(1, static_cast<char>('a' + i));
  }
  for (const test::TimedEdge& edge : test::engine_edges(engine, 0, 8900, ns_at)) {
    std::size_t index = 0;
    ActiveEdge polarity = engine.crank.active_edge;
    if (edge.line == test::Line::cam) {
      index = 1 + edge.cam;
      for (const CamEdge& listed : engine.cams[edge.cam].edges) {
        if (std::fabs(wrap_signed_deg(edge.crank_deg - listed.angle_deg, 720)) < 0.01) {
          polarity = listed.edge;
        }
      }
    } else if (edge.line == test::Line::reference) {
      index = channels.size() - 1;
      polarity = engine.reference->active_edge;
    }
    Channel& channel = channels[index];
    (polarity == ActiveEdge::rising ? channel.rising_ns : channel.falling_ns).push_back(edge.t_ns);
  }
  return channels;
}

Engine parsed(const Learned& learned, const Known& known) {
  auto file = parse_engine(engine_toml(learned, known, "a test"), "learned.toml");
  EXPECT_TRUE(std::holds_alternative<Engine>(file)) << std::get<ConfigError>(file).message;
  return std::holds_alternative<Engine>(file) ? std::get<Engine>(std::move(file)) : Engine{};
}

struct WheelCase {
  const char* file;
  const char* words;
};

TEST(Learn, tells_the_wheels_of_the_example_engines_from_published_cranking) {
  for (const WheelCase& one : {WheelCase{"demo-four.toml", "60-2"},
                               {"quarry-three.toml", "36-1"},
                               {"ridge-six.toml", "36-2"},
                               {"basalt-eight.toml", "36-2-2-2"},
                               {"orchard-four.toml", "12 even teeth"},
                               {"winch-six.toml", "132 even teeth"}}) {
    const Engine engine = engine_of(one.file);
    Known known;
    known.cylinders = engine.cylinders;
    known.firing_order = engine.firing_order;
    known.reference = engine.reference ? std::string(1, static_cast<char>('a' + 1 + engine.cams.size())) : "";
    const Learned learned = learn(channels_of(engine, CrankedAsPublished(engine.cylinders / 2.0)), known);
    ASSERT_TRUE(learned.wheel) << one.file << ": " << learned.problem;
    EXPECT_EQ(learned.problem, "") << one.file;
    EXPECT_EQ(learned.wheel->channel, "a") << one.file;
    EXPECT_EQ(wheel_words(*learned.wheel), one.words) << one.file;
    EXPECT_EQ(learned.cams.size(), engine.cams.size()) << one.file;
    const Engine file = parsed(learned, known);
    EXPECT_EQ(file.crank.teeth.size(), engine.crank.teeth.size()) << one.file;
    EXPECT_EQ(file.crank.offset_basis, OffsetBasis::unverified) << one.file;
  }
}

TEST(Learn, finds_the_trigger_offset_of_a_reference_and_each_cam_edge_where_the_file_has_it) {
  const Engine engine = engine_of("demo-four.toml");
  Known known;
  known.cylinders = 4;
  known.reference = "c";
  known.advance_deg = 10;
  const Learned learned = learn(channels_of(engine, CrankedAsPublished(2)), known);
  ASSERT_EQ(learned.problem, "");
  // Which of the two turns is marked is free; the offset then is 360 more or less, and the cams stay.
  EXPECT_NEAR(wrap_signed_deg(learned.trigger_offset_deg - engine.crank.trigger_offset_deg, 360), 0, 0.3);
  const Engine file = parsed(learned, known);
  ASSERT_EQ(file.cams.size(), 1U);
  ASSERT_EQ(file.cams[0].edges.size(), engine.cams[0].edges.size());
  for (std::size_t i = 0; i < file.cams[0].edges.size(); ++i) {
    EXPECT_NEAR(file.cams[0].edges[i].angle_deg, engine.cams[0].edges[i].angle_deg, 0.3);
  }
}

TEST(Learn, says_that_the_offset_is_a_placeholder_where_nothing_marks_top_dead_centre) {
  const Engine engine = engine_of("ridge-six.toml");
  Known known;
  const Learned learned = learn(channels_of(engine, [](double deg) { return deg * ns_per_deg_at(800); }), known);
  ASSERT_EQ(learned.problem, "");
  EXPECT_FALSE(learned.offset_known);
  EXPECT_NE(engine_toml(learned, known, "a test").find("PLACEHOLDER: edges don't tell where top dead centre is"),
            std::string::npos);
}

TEST(Learn, proposes_nothing_from_edges_without_a_pattern) {
  Channel channel{"noise", {}, {}};
  std::uint64_t state = 7;
  std::int64_t t_ns = 0;
  for (int i = 0; i < 3000; ++i) {
    state = state * 6364136223846793005ULL + 1442695040888963407ULL;
    t_ns += 100'000 + static_cast<std::int64_t>((state >> 33U) % 5'000'000);
    channel.falling_ns.push_back(t_ns);
  }
  EXPECT_NE(learn({channel}, {}).problem, "");
  EXPECT_NE(learn({}, {}).problem, "");
  EXPECT_NE(learn({Channel{"few", {1, 2, 3}, {4, 5, 6}}}, {}).problem, "");
}

TEST(Learn, does_not_say_which_of_even_teeth_is_which_without_a_cam) {
  Channel channel{"ring", {}, {}};
  for (std::int64_t i = 0; i < 3000; ++i) {
    channel.falling_ns.push_back(i * 1'000'000);
  }
  EXPECT_NE(learn({channel}, {}).problem, "");
}

// Bursts, equal stamps, channels that stop, patterns with odd edges: whatever comes, an answer or none.
TEST(Learn, never_proposes_from_random_edges_what_is_no_engine_file) {
  for (std::uint64_t seed = 1; seed <= 150; ++seed) {
    std::uint64_t state = seed * 0x9E3779B97F4A7C15ULL;
    const auto dice = [&](std::uint64_t below) {
      state = state * 6364136223846793005ULL + 1442695040888963407ULL;
      return static_cast<std::int64_t>((state >> 33U) % below);
    };
    std::vector<Channel> channels(static_cast<std::size_t>(dice(4)));
    for (std::size_t i = 0; i < channels.size(); ++i) {
      channels[i].name = std::string(1, static_cast<char>('a' + i));
      std::int64_t t_ns = dice(1000);
      const std::int64_t period = 1 + dice(40);
      const std::int64_t edges = dice(800);
      for (std::int64_t e = 0; e < edges; ++e) {
        t_ns += e % period == 0 ? dice(3'000'000) : dice(3) == 0 ? 0 : 1'000'000 + dice(100'000);
        (dice(2) == 0 ? channels[i].rising_ns : channels[i].falling_ns).push_back(t_ns);
      }
    }
    Known known;
    if (dice(2) == 0) {
      known.cylinders = 1 + static_cast<int>(dice(8));
    }
    known.two_stroke = dice(4) == 0;
    const Learned learned = learn(channels, known);
    if (learned.problem.empty()) {
      const auto file = parse_engine(engine_toml(learned, known, "random edges"), "learned.toml");
      EXPECT_TRUE(std::holds_alternative<Engine>(file)) << seed << ": " << std::get<ConfigError>(file).message;
    }
  }
}

// A wheel with teeth at `angles_deg` that are `widths_deg` wide, with both flanks.
template <typename NsAt>
Channel toothed(const std::string& name, const std::vector<double>& angles_deg, const std::vector<double>& widths_deg,
                double period_deg, NsAt ns_at) {
  Channel channel{name, {}, {}};
  for (double turn = 0; turn < 8900 - period_deg; turn += period_deg) {
    for (std::size_t i = 0; i < angles_deg.size(); ++i) {
      channel.falling_ns.push_back(std::llround(ns_at(turn + angles_deg[i])));
      channel.rising_ns.push_back(std::llround(ns_at(turn + angles_deg[i] + widths_deg[i])));
    }
  }
  return channel;
}

// Eleven teeth, the longest step last.
const std::vector<double> uneven_deg = {0, 21.5, 50, 66.4, 101, 130.2, 147, 189.3, 214, 262.7, 291};

TEST(Learn, tells_uneven_teeth_of_one_width_while_the_engine_is_cranked) {
  for (const double waves : {1.5, 2.0, 3.0}) {
    const CrankedAsPublished at(waves);
    Known known;
    known.cylinders = static_cast<int>(2 * waves);
    const Learned learned = learn(
        {toothed("a", uneven_deg, std::vector<double>(11, 7), 360, at), toothed("b", {100}, {40}, 720, at)}, known);
    ASSERT_EQ(learned.problem, "") << waves;
    ASSERT_EQ(learned.wheel->angles_deg.size(), uneven_deg.size());
    EXPECT_EQ(learned.wheel->shaft, WheelShaft::crank);
    for (std::size_t i = 0; i < uneven_deg.size(); ++i) {
      EXPECT_NEAR(learned.wheel->angles_deg[i], uneven_deg[i], 0.1 + learned.wheel->uncertain_deg[i]) << waves;
      EXPECT_LT(learned.wheel->uncertain_deg[i], 3) << waves;
    }
    ASSERT_EQ(learned.cams.size(), 1U);
    EXPECT_NEAR(wrap_signed_deg(learned.cams[0].edges[0].angle_deg - 100, 360), 0,
                0.2 + learned.cams[0].edges[0].uncertain_deg);
  }
}

// The widths then tell nothing of the speed, and must not be taken for it.
TEST(Learn, is_not_wrong_about_uneven_teeth_that_are_not_equally_wide) {
  std::uint64_t state = 5;
  int proposed = 0;
  for (int run = 0; run < 12; ++run) {
    std::vector<double> widths;
    for (std::size_t i = 0; i < uneven_deg.size(); ++i) {
      state = state * 6364136223846793005ULL + 1442695040888963407ULL;
      widths.push_back(4 + static_cast<double>((state >> 33U) % 1000) * 0.009);
    }
    const CrankedAsPublished at(2);
    Known known;
    known.cylinders = 4;
    const Learned learned =
        learn({toothed("a", uneven_deg, widths, 360, at), toothed("b", {100}, {40}, 720, at)}, known);
    if (!learned.problem.empty()) {
      continue;
    }
    ++proposed;
    ASSERT_EQ(learned.wheel->angles_deg.size(), uneven_deg.size());
    for (std::size_t i = 0; i < uneven_deg.size(); ++i) {
      EXPECT_NEAR(learned.wheel->angles_deg[i], uneven_deg[i], 0.1 + learned.wheel->uncertain_deg[i]) << run;
    }
  }
  EXPECT_LE(proposed, 3);
}

TEST(Learn, does_not_say_which_of_two_alike_channels_on_the_camshaft_is_the_wheel_unless_told) {
  const auto at = [](double deg) { return deg * ns_per_deg_at(800); };
  const Channel one = toothed("a", {0, 90, 290, 340, 600}, std::vector<double>(5, 30), 720, at);
  const Channel other = toothed("b", {60, 110, 290, 400, 470}, std::vector<double>(5, 20), 720, at);
  Known known;
  known.cylinders = 4;
  EXPECT_NE(learn({one, other}, known).problem.find("--wheel"), std::string::npos);
  known.wheel = "b";
  const Learned learned = learn({one, other}, known);
  EXPECT_EQ(learned.problem, "");
  ASSERT_TRUE(learned.wheel);
  EXPECT_EQ(learned.wheel->channel, "b");
}

TEST(Learn, takes_a_mark_that_began_late_and_came_only_six_times) {
  // A little faster all the time.
  const auto at = [](double deg) { return deg * ns_per_deg_at(120) * (1 - deg * 5e-6); };
  std::vector<double> teeth;
  std::vector<double> widths;
  for (int i = 0; i < 35; ++i) {
    teeth.push_back(i * 10.0);
    widths.push_back(4);
  }
  Channel mark = toothed("r", {200}, {10}, 720, at);
  mark.falling_ns.erase(mark.falling_ns.begin(), mark.falling_ns.end() - 6);
  mark.rising_ns.erase(mark.rising_ns.begin(), mark.rising_ns.end() - 6);
  Known known;
  known.cylinders = 1;
  known.reference = "r";
  const Learned learned = learn({toothed("a", teeth, widths, 360, at), mark}, known);
  EXPECT_EQ(learned.problem, "");
  EXPECT_TRUE(learned.reference.has_value());
}

// One turn of a twin has one firing: its dip must not be taken for a second gap, and the turn for a cycle.
TEST(Learn, does_not_take_the_dip_of_a_twin_for_a_second_gap) {
  const CrankedAsPublished at(1);
  std::vector<double> teeth;
  std::vector<double> widths;
  for (int i = 0; i < 48; ++i) {
    teeth.push_back(i * 360.0 / 49);
    widths.push_back(3);
  }
  Known known;
  known.cylinders = 2;
  const Learned learned = learn({toothed("a", teeth, widths, 360, at)}, known);
  ASSERT_EQ(learned.problem, "");
  EXPECT_EQ(wheel_words(*learned.wheel), "49-1");
}

// Nearly the same steps in either half of a turn of the camshaft, and widths that tell the speed.
TEST(Learn, leaves_a_wheel_on_the_cam_there_though_ripple_could_make_its_halves_alike) {
  const CrankedAsPublished at(4);
  const std::vector<double> angles = {0, 86.71, 147.74, 229.73, 301.17, 358.96, 439.88, 478.88, 543.95, 643.54};
  Known known;
  known.cylinders = 8;
  const Learned learned =
      learn({toothed("a", angles, std::vector<double>(10, 15), 720, at), toothed("b", {100}, {40}, 720, at)}, known);
  ASSERT_TRUE(learned.wheel) << learned.problem;
  EXPECT_EQ(learned.wheel->shaft, WheelShaft::cam);
}

TEST(FlankFit, gives_back_teeth_and_place_of_a_crank_that_turns_evenly) {
  const Flanks flanks{3, {0, 100, 220}, {10, 110, 230}};
  const FlankFit fit(flanks, {{}, EqualWidth::teeth, {2, false, 0.01, 0.05}});
  EXPECT_NEAR(fit.tooth(0, 1).ahead_deg, 100, 0.5);
  EXPECT_NEAR(fit.tooth(1, 2).ahead_deg, 120, 0.5);
  EXPECT_NEAR(fit.place(50, 0).ahead_deg, 50, 0.5);
  EXPECT_LT(fit.tooth(0, 1).sd_deg, 1);
}

TEST(FlankFit, finds_equal_widths_likelier_than_any_where_they_are_equal_and_else_not) {
  const Turning turning{2, false, 0.01, 0.05};
  const auto evidence = [&](const Flanks& flanks, EqualWidth equal) {
    return FlankFit(flanks, {{}, equal, turning}).log_evidence();
  };
  const Flanks equal{4, {0, 60, 170, 250}, {10, 70, 180, 260}};
  EXPECT_GT(evidence(equal, EqualWidth::teeth), evidence(equal, EqualWidth::none) + 5);
  const Flanks unequal{4, {0, 60, 170, 250}, {10, 75, 177, 264}};
  EXPECT_LT(evidence(unequal, EqualWidth::teeth), evidence(unequal, EqualWidth::none) - 5);
}

TEST(CommonRepeat, is_counted_in_edges_whatever_the_speed) {
  std::vector<std::int64_t> base;
  std::vector<std::int64_t> cam;
  double t_ns = 0;
  for (int i = 0; i < 58 * 20; ++i) {
    base.push_back(std::llround(t_ns));
    t_ns += 1e6 * (1 + 0.4 * std::sin(i * 0.37));
    if (i % 116 == 30 || i % 116 == 77) {
      cam.push_back(std::llround(t_ns - 1e5));
    }
  }
  const auto repeat = common_repeat(base, cam, 8);
  ASSERT_TRUE(repeat);
  EXPECT_EQ(repeat->base_edges, 116U);
  EXPECT_EQ(repeat->other_edges, 2U);
}

TEST(SmoothTurning, gives_the_density_of_a_normal_distribution_of_one_edge_by_hand) {
  // One edge: variance 60^2 (where the fold begins) + the waves' + edge^2; the bow is 0 at the beginning.
  Turning turning{2, false, 0, 1};
  const double at = 0;
  const double ahead = 3;
  const double variance = 60 * 60 + 1;
  const double expected = -0.5 * (ahead * ahead / variance + std::log(variance) + std::log(2 * std::numbers::pi));
  EXPECT_NEAR(SmoothTurning({&at, 1}, turning).log_evidence({&ahead, 1}), expected, 1e-9);
}

TEST(SmoothTurning, moves_all_edges_after_one_as_if_they_had_been_given_there) {
  std::vector<double> times;
  std::vector<double> ahead;
  for (int i = 0; i < 12; ++i) {
    times.push_back(i * 30.0);
    ahead.push_back(std::sin(i * 1.0));
  }
  const SmoothTurning turning(times, {2, false, 1, 0.2});
  const std::vector<double> all = turning.log_evidences(ahead, 5);
  for (std::size_t k = 0; k < times.size(); ++k) {
    std::vector<double> moved = ahead;
    for (std::size_t i = k + 1; i < moved.size(); ++i) {
      moved[i] += 5;
    }
    EXPECT_NEAR(all[k], turning.log_evidence(moved), 1e-6) << k;
  }
}

}  // namespace
}  // namespace cw::learn
