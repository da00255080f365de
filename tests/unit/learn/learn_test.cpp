// Engine files learned from edges made by arithmetic: the wheels of config/engines, turned as published.
#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <string>
#include <variant>
#include <vector>

#include "config/engine_file.hpp"
#include "learn/common_repeat.hpp"
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
