// What no observer can tell, from geometry alone.
#include <algorithm>
#include <cmath>
#include <numeric>

#include "campaign/mismatch.hpp"
#include "geometry/angle.hpp"
#include "geometry/tooth_cycle.hpp"

namespace cw::campaign {

namespace {

constexpr double same_step_share = 0.1;  // of the file's least step
constexpr double slack_deg = 5;
// Five teeth of a cam gear of 48: beyond that no engine is taken to be timed wrong (our own choice).
constexpr double timed_wrong_max_deg = 75;
constexpr double tooth_width_max_deg = 30;  // of a cam whose other flank is not listed (scenario.hpp: CamSensor)
constexpr std::size_t compared_max = 20'000;

// Edges on one wire over a cycle, ascending.
struct Train {
  std::vector<double> angles_deg;
  double cycle_deg = 720;

  double at(std::size_t index) const {  // unrolled
    const std::size_t cycles = index / angles_deg.size();
    return angles_deg[index % angles_deg.size()] + static_cast<double>(cycles) * cycle_deg;
  }
  double step(std::size_t index) const { return at(index + 1) - at(index); }
};

Train teeth_of(const Engine& engine) {
  Train train;
  train.cycle_deg = engine.cycle_deg;
  for (const CycleTooth& tooth : tooth_cycle(engine).teeth) {
    train.angles_deg.push_back(tooth.crank_deg);
  }
  std::sort(train.angles_deg.begin(), train.angles_deg.end());
  return train;
}

// Of one polarity; where the pattern lists the other one only, its edges stand for the unlisted flanks, which lie a
// tooth's width away.
Train cam_edges(const CamPattern& cam, ActiveEdge polarity, double cycle_deg) {
  Train train;
  train.cycle_deg = cycle_deg;
  const bool listed =
      std::any_of(cam.edges.begin(), cam.edges.end(), [&](const CamEdge& edge) { return edge.edge == polarity; });
  for (const CamEdge& edge : cam.edges) {
    if (edge.edge == polarity || !listed) {
      train.angles_deg.push_back(edge.angle_deg);
    }
  }
  return train;
}

// What the true engine puts on a channel.
Train train_on(const Engine& truth, const std::string& channel, ActiveEdge polarity) {
  if (truth.crank.channel == channel) {
    return teeth_of(truth);
  }
  for (const CamPattern& cam : truth.cams) {
    if (cam.channel == channel) {
      return cam_edges(cam, polarity, truth.cycle_deg);
    }
  }
  return {};
}

struct Fit {
  std::size_t from = 0;   // the file's tooth that the first true tooth is taken for
  double scale = 1;       // true degrees a degree of the file
  double span_deg = 720;  // true degrees after which both trains are where they began
};

// Whether the trains' steps stand in one proportion all around, the true train's first tooth taken for `from`.
std::optional<Fit> proportion(const Train& seen, const Train& file, std::size_t from) {
  const std::size_t all = std::min(std::lcm(seen.angles_deg.size(), file.angles_deg.size()), compared_max);
  double least_deg = file.cycle_deg;
  for (std::size_t i = 0; i < file.angles_deg.size(); ++i) {
    least_deg = std::min(least_deg, file.step(i));
  }
  Fit fit{from, 1, seen.at(all) - seen.at(0)};
  fit.scale = fit.span_deg / (file.at(from + all) - file.at(from));
  for (std::size_t i = 0; i < all; ++i) {
    if (std::fabs(seen.step(i) / fit.scale - file.step(from + i)) > same_step_share * least_deg) {
      return std::nullopt;
    }
  }
  return fit;
}

bool in_window(const CamPattern& cam, const CamEdge& edge, double angle_deg, double cycle_deg) {
  const double off_deg = wrap_signed_deg(angle_deg - edge.angle_deg, cycle_deg);
  return off_deg >= cam.phaser_min_deg - cam.tolerance_deg - slack_deg &&
         off_deg <= cam.phaser_max_deg + cam.tolerance_deg + slack_deg;
}

// Whether this cam of the file finds its edges, all of them and no others, under the fit.
bool cam_fits(const Engine& truth, const Engine& file, const CamPattern& cam, const Train& seen, const Train& teeth,
              const Fit& fit) {
  double edges = 0;
  for (const ActiveEdge polarity : {ActiveEdge::falling, ActiveEdge::rising}) {
    const bool read =
        std::any_of(cam.edges.begin(), cam.edges.end(), [&](const CamEdge& edge) { return edge.edge == polarity; });
    const Train train = read ? train_on(truth, cam.channel, polarity) : Train{};
    const auto count =
        static_cast<std::size_t>(static_cast<double>(train.angles_deg.size()) * fit.span_deg / train.cycle_deg);
    for (std::size_t i = 0; i < count; ++i) {
      const double file_deg = teeth.at(fit.from) + (train.at(i) - seen.at(0)) / fit.scale;
      const bool expected = std::any_of(cam.edges.begin(), cam.edges.end(), [&](const CamEdge& edge) {
        return edge.edge == polarity && in_window(cam, edge, file_deg, file.cycle_deg);
      });
      if (!expected) {
        return false;
      }
      edges += 1;
    }
  }
  const double wanted = static_cast<double>(cam.edges.size()) * fit.span_deg / fit.scale / file.cycle_deg;
  return std::fabs(edges - wanted) < 0.5;
}

}  // namespace

bool could_be(const Engine& truth, const Engine& file) {
  const Train seen = train_on(truth, file.crank.channel, file.crank.active_edge);
  const Train teeth = teeth_of(file);
  if (seen.angles_deg.empty()) {
    return false;
  }
  for (std::size_t from = 0; from < teeth.angles_deg.size(); ++from) {
    const std::optional<Fit> fit = proportion(seen, teeth, from);
    if (fit && std::all_of(file.cams.begin(), file.cams.end(),
                           [&](const CamPattern& cam) { return cam_fits(truth, file, cam, seen, teeth, *fit); })) {
      return true;
    }
  }
  return false;
}

bool could_be_timed_wrong(const Engine& truth, const Engine& file) {
  const CamPattern& cam = file.cams.front();
  const auto lists = [](const CamPattern& pattern, ActiveEdge polarity) {
    return std::any_of(pattern.edges.begin(), pattern.edges.end(),
                       [polarity](const CamEdge& edge) { return edge.edge == polarity; });
  };
  std::vector<CamEdge> seen;
  double most_deg = timed_wrong_max_deg + cam.tolerance_deg + std::max(-cam.phaser_min_deg, cam.phaser_max_deg);
  for (const ActiveEdge polarity : {ActiveEdge::falling, ActiveEdge::rising}) {
    const bool read = lists(cam, polarity);
    const bool unlisted = read && std::any_of(truth.cams.begin(), truth.cams.end(), [&](const CamPattern& other) {
                            return other.channel == cam.channel && !lists(other, polarity);
                          });
    most_deg += unlisted ? tooth_width_max_deg : 0;
    for (const double angle_deg : read ? train_on(truth, cam.channel, polarity).angles_deg : std::vector<double>{}) {
      seen.push_back({angle_deg, polarity});
    }
  }
  if (seen.size() != cam.edges.size()) {
    return false;
  }
  const double turn_deg = file.cycle_deg / tooth_cycle(file).places();
  const auto same = [&](double turned_deg) {
    return std::all_of(cam.edges.begin(), cam.edges.end(), [&](const CamEdge& edge) {
      return std::any_of(seen.begin(), seen.end(), [&](const CamEdge& other) {
        const double off_deg = wrap_signed_deg(other.angle_deg - turned_deg - edge.angle_deg, file.cycle_deg);
        return other.edge == edge.edge && std::fabs(off_deg) <= 2 * cam.tolerance_deg;
      });
    });
  };
  return std::any_of(seen.begin(), seen.end(), [&](const CamEdge& other) {
    const double turned_deg = other.angle_deg - cam.edges.front().angle_deg;
    const double least_deg = std::fabs(wrap_signed_deg(turned_deg, turn_deg));
    return least_deg <= most_deg && same(turned_deg);
  });
}

Engine with_teeth_in_spaces(const Engine& engine) {
  Engine moved = engine;
  std::vector<WheelTooth>& teeth = moved.crank.teeth;
  const double first_deg = engine.crank.teeth.front().angle_deg;
  for (std::size_t i = 0; i < teeth.size(); ++i) {
    const bool last = i + 1 == teeth.size();
    const double next_deg = last ? first_deg + engine.crank.period_deg : engine.crank.teeth[i + 1].angle_deg;
    teeth[i].angle_deg = (engine.crank.teeth[i].angle_deg + next_deg) / 2;
  }
  const double shift_deg = teeth.front().angle_deg;
  for (WheelTooth& tooth : teeth) {
    tooth.angle_deg -= shift_deg;
  }
  moved.crank.trigger_offset_deg = wrap_deg(engine.crank.trigger_offset_deg - shift_deg, engine.cycle_deg);
  return moved;
}

}  // namespace cw::campaign
