#include "learn/learn.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <numeric>

#include "geometry/angle.hpp"
#include "learn/common_repeat.hpp"
#include "learn/flank_guess.hpp"
#include "learn/learn_parts.hpp"
#include "learn/wheel_guess.hpp"
#include "sync/wheel_look.hpp"

namespace cw::learn {

namespace {

using Times = std::span<const std::int64_t>;

constexpr std::size_t edges_least = 8;   // of a wheel
constexpr std::size_t others_least = 5;  // of a cam or an output: a cranked single has ten cycles in ten seconds
constexpr std::size_t cam_edges_max = 24;
constexpr std::size_t few_pitched = 30;  // edges in a cycle, of which one flank may not tell
constexpr double cycle_four_stroke_deg = 720;

struct Train {
  const Channel* channel = nullptr;
  Times t_ns;      // the polarity with more edges, falling when alike
  Times other_ns;  // the other one
};

bool rises_more(const Channel& channel) {
  return channel.rising_ns.size() > channel.falling_ns.size() + 1;
}

Times more_of(const Channel& channel) {
  return rises_more(channel) ? channel.rising_ns : channel.falling_ns;
}

// Most edges first; the reference last.
std::vector<Train> trains_of(const std::vector<Channel>& channels, const Known& known, Learned& learned) {
  std::vector<Train> trains;
  for (const Channel& channel : channels) {
    const Times t_ns = more_of(channel);
    if (t_ns.size() >= others_least) {
      trains.push_back({&channel, t_ns, rises_more(channel) ? channel.falling_ns : channel.rising_ns});
    } else if (!t_ns.empty()) {
      learned.unused.push_back(channel.name + ": only " + std::to_string(t_ns.size()) + " edges of a kind");
    }
  }
  std::stable_sort(trains.begin(), trains.end(), [&](const Train& a, const Train& b) {
    const bool a_marks = a.channel->name == known.reference;
    const bool b_marks = b.channel->name == known.reference;
    return a_marks != b_marks ? b_marks : a.t_ns.size() > b.t_ns.size();
  });
  return trains;
}

// How the wheel's edges fall into turns and cycles.
struct Layout {
  std::size_t turn_edges = 0;   // of the wheel: in one turn of it
  std::size_t cycle_edges = 0;  // in one engine cycle; in two turns where that is not known
  WheelShaft shaft = WheelShaft::crank;
  bool cycle_sure = false;
  bool shaft_sure = false;
};

// The share of a fold by which its second half is not the first one again, in degrees of the fold.
double half_difference(const Fold& fold) {
  const std::size_t half = fold.at_deg.size() / 2;
  double most = 0;
  for (std::size_t i = 0; i < half; ++i) {
    most = std::max(most, std::fabs(fold.at_deg[i + half] - fold.at_deg[i] - deg_per_rev / 2));
  }
  return most;
}

double rpm_of(double turn_ns) {
  return rpm_at(turn_ns / deg_per_rev);
}

// Whether the two halves of a fold over a cycle are one turn twice, as near as uneven turning of half orders lets tell: the
// differences of the halves as a smooth wave of odd orders, or the two halves are two patterns.
bool is_turn_twice(const Fold& fold, std::optional<int> cylinders) {
  const std::size_t half = fold.at_deg.size() / 2;
  if (fold.at_deg.size() % 2 != 0) {
    return false;
  }
  std::vector<double> differences;
  std::vector<double> times;
  for (std::size_t i = 0; i < half; ++i) {
    // Ahead of the second half less that of the first; half of it each.
    differences.push_back(-(fold.at_deg[i + half] - fold.at_deg[i] - deg_per_rev / 2) / 2);
    times.push_back(fold.at_deg[i]);
  }
  const double rpm = rpm_of(fold.repeat_ns / 2);
  const bool odd = !cylinders || *cylinders % 2 == 1;
  const double pitch_deg = deg_per_rev / static_cast<double>(fold.at_deg.size());
  const Turning how{odd && cylinders ? static_cast<double>(*cylinders) : 1.0, !cylinders,
                    usual_scale(rpm) * (odd ? 1.0 : 0.3), 0.15 + 0.03 * pitch_deg};
  const double smooth = SmoothTurning(times, how).log_evidence(differences);
  constexpr double spread_share = 0.25;  // of two patterns: a step anywhere
  const double wide_deg = spread_share * pitch_deg;
  const double any = -static_cast<double>(half) * std::log(wide_deg * 4);
  return smooth > any;
}

// After how many edges the wheel alone repeats, as most looks along the record say; 0: they don't. Only for as long as
// the wheel's file is not known, so the least is asked for.
std::size_t own_repeat(Times t_ns) {
  constexpr std::size_t looks = 24;
  constexpr std::size_t steps_min = 8;
  std::map<std::size_t, std::size_t> votes;
  for (std::size_t i = 1; i <= looks; ++i) {
    const std::size_t upto = t_ns.size() * i / looks;
    const std::size_t from = upto - std::min<std::size_t>(upto, 4 * repeat_max);
    if (upto - from < steps_min) {
      continue;
    }
    if (const auto look = look_at_wheel(t_ns.subspan(from, upto - from), steps_min)) {
      ++votes[look->step_deg.size()];
    }
  }
  const auto best =
      std::max_element(votes.begin(), votes.end(), [](const auto& a, const auto& b) { return a.second < b.second; });
  return best == votes.end() ? 0 : best->first;
}

double firings_in(const Known& known, bool whole_cycle) {
  const double a_cycle = known.cylinders.value_or(4);
  return whole_cycle ? a_cycle : a_cycle / 2;
}

// A wheel as it looks when `edges` are a turn of the crank, and when they are a cycle.
struct TwoLooks {
  WheelGuess turn;
  WheelGuess cycle;
};

TwoLooks looks_at(const Fold& fold, const Known& known) {
  return {guess_wheel(fold, firings_in(known, false), rpm_of(fold.repeat_ns)),
          guess_wheel(fold, firings_in(known, true), rpm_of(fold.repeat_ns / 2))};
}

bool is_even(const WheelGuess& guess) {
  return guess.pitched && std::all_of(guess.pitches.begin(), guess.pitches.end(), [](int step) { return step == 1; });
}

bool halves_alike(const std::vector<int>& pitches) {
  if (pitches.size() % 2 != 0) {
    return false;
  }
  const auto half = static_cast<std::ptrdiff_t>(pitches.size() / 2);
  return std::equal(pitches.begin() + half, pitches.end(), pitches.begin());
}

// How much better both flanks are explained by one turn twice than by one that takes a cycle, in log evidence; nothing where the
// teeth are too many for that to be needed or the other flank is not there.
std::optional<double> twice_by_flanks(const Train& train, const Fold& fold, const Known& known,
                                      const WheelGuess& guess) {
  constexpr std::size_t listed_most = 100;
  const std::size_t edges = fold.at_deg.size();
  auto flanks = edges <= (guess.pitched ? few_pitched : listed_most)
                    ? flanks_of(train.t_ns, train.other_ns, fold, edges)
                    : std::nullopt;
  if (!flanks) {
    return std::nullopt;
  }
  const double rpm = rpm_of(fold.repeat_ns / 2);
  const double firings = firings_in(known, true);
  const double once = guess_by_flanks(*flanks, firings, rpm, guess).log_evidence;
  flanks->teeth = edges / 2;
  WheelGuess half;
  half.tried = {std::vector<int>(edges / 2, 1)};
  for (const std::vector<int>& pitches : guess.tried) {
    if (halves_alike(pitches)) {
      half.tried.emplace_back(pitches.begin(), pitches.begin() + static_cast<std::ptrdiff_t>(edges / 2));
    }
  }
  return guess_by_flanks(*flanks, firings, rpm, half).log_evidence - once;
}

// Whether the second half of the steps is the first one again; where one flank may not tell, by both.
bool repeats_in_half(const TwoLooks& looks, const Train& train, const Fold& fold, const Known& known) {
  const WheelGuess& guess = looks.cycle;
  if (guess.tooth_deg.size() % 2 != 0) {
    return false;
  }
  const bool alike = guess.pitched && halves_alike(guess.pitches);
  if (const auto twice = twice_by_flanks(train, fold, known, guess)) {
    // Of even teeth both say the same.
    return *twice > (alike ? -margin_min : 0);
  }
  if (!guess.pitched) {
    return is_turn_twice(fold, known.cylinders);
  }
  // Ripple that comes once a turn looks like a second gap to one who takes a turn for a cycle: that is less sure, and explains
  // far less.
  constexpr double far_less = 25;
  const bool doubtful = guess.margin < margin_min && guess.log_evidence < looks.turn.log_evidence - far_less;
  return alike && !doubtful;
}

// Whether two repeats in a row differ in the same way again and again: then one repeat is no cycle.
bool alternates(Times t_ns, std::size_t edges) {
  constexpr double sigmas = 4;
  constexpr double least_deg = 0.02;
  const auto fold = fold_edges(t_ns, 2 * edges);
  if (!fold) {
    return false;
  }
  double sum = 0;
  double squares = 0;
  double noise = 0;
  for (std::size_t i = 0; i < edges; ++i) {
    const double difference = fold->at_deg[i + edges] - fold->at_deg[i];
    sum += difference;
    squares += difference * difference;
    noise += fold->scatter_deg[i] * fold->scatter_deg[i] + fold->scatter_deg[i + edges] * fold->scatter_deg[i + edges];
  }
  const auto count = static_cast<double>(edges);
  const double spread = std::sqrt(std::max(0.0, squares / count - sum / count * sum / count));
  const double by_chance = std::sqrt(noise / count / static_cast<double>(fold->starts.size()));
  return spread > std::max(least_deg, sigmas * by_chance);
}

// How much more the ripple speaks for a turn of the crank than for a cycle, in log evidence. Firings of an odd number of
// cylinders make one turn differ from the next.
double ripple_for_turn(Times t_ns, std::size_t edges, const TwoLooks& looks, const Known& known) {
  constexpr double certain = 100;
  if (alternates(t_ns, edges)) {
    return certain;
  }
  if (!known.cylinders) {
    return 0;
  }
  constexpr double odd_without = -20;
  return *known.cylinders % 2 == 1 ? odd_without : looks.turn.log_evidence - looks.cycle.log_evidence;
}

// `lead`: by how much the ripple must speak for a turn, where cylinders are known, before `edges` are not taken for a cycle.
Layout layout_of(const Train& train, std::size_t edges, const Fold& fold, double lead, const Known& known) {
  constexpr double sure = 10;
  const TwoLooks looks = looks_at(fold, known);
  if (repeats_in_half(looks, train, fold, known)) {
    return {edges / 2, edges, WheelShaft::crank, true, !is_even(looks.cycle)};
  }
  const double for_turn = ripple_for_turn(train.t_ns, edges, looks, known);
  if (for_turn < lead) {
    // What repeats in half of a cam turn is a crank wheel all the same; few teeth both flanks have been asked about.
    return looks.cycle.pitched && halves_alike(looks.cycle.pitches) && edges > few_pitched
               ? Layout{edges / 2, edges, WheelShaft::crank, true, false}
               : Layout{edges, edges, WheelShaft::cam, true, for_turn < -sure};
  }
  return {edges, 2 * edges, WheelShaft::crank, false, for_turn > sure};
}

// `edges`: of the wheel, after which the other channels repeat. A cam tells the cycle; a reference output may come each turn.
std::optional<Layout> layout_with_others(const Train& train, std::size_t edges, bool cams, const Known& known) {
  constexpr double cams_speak_for_cycle = 15;
  constexpr double reference_speaks_for_turn = -6;
  if (known.two_stroke) {
    return Layout{edges, edges, WheelShaft::crank, true, true};
  }
  const auto fold = fold_edges(train.t_ns, edges);
  return fold ? std::optional(
                    layout_of(train, edges, *fold, cams ? cams_speak_for_cycle : reference_speaks_for_turn, known))
              : std::nullopt;
}

std::optional<Layout> layout_alone(const Train& train, const Known& known) {
  constexpr double crank_likelier = -3;
  const std::size_t repeat = own_repeat(train.t_ns);
  if (repeat <= 1) {
    return std::nullopt;
  }
  if (known.two_stroke) {
    return Layout{repeat, repeat, WheelShaft::crank, true, true};
  }
  const auto fold = fold_edges(train.t_ns, repeat);
  if (!fold) {
    return std::nullopt;
  }
  Layout layout = layout_of(train, repeat, *fold, crank_likelier, known);
  layout.cycle_sure = layout.shaft == WheelShaft::cam;
  return layout;
}

// ---- which channel is the wheel

struct Roles {
  Train wheel;
  std::size_t edges = 0;  // of the wheel, after which all others repeat; 0: there is no other
  bool cams = false;      // an other that is not the reference
};

std::size_t least_common(std::size_t a, std::size_t b) {
  return a == 0 ? b : b == 0 ? a : std::lcm(a, b);
}

Roles roles_with(const Train& wheel, const std::vector<Train>& trains, const Known& known) {
  constexpr std::size_t repeat_most = 600;
  Roles roles{wheel, 0, false};
  for (const Train& other : trains) {
    if (other.channel == wheel.channel) {
      continue;
    }
    const auto common = common_repeat(wheel.t_ns, other.t_ns, cam_edges_max);
    if (common && least_common(roles.edges, common->base_edges) <= repeat_most) {
      roles.edges = least_common(roles.edges, common->base_edges);
      roles.cams |= other.channel->name != known.reference;
    }
  }
  return roles;
}

// Most edges make a wheel. But where even that has few, the one that does the same in each half of the cycle.
Roles choose_wheel(const std::vector<Train>& trains, const Known& known) {
  constexpr std::size_t few = 36;
  constexpr double alike_deg = 4;  // fold degrees
  const auto named = std::find_if(trains.begin(), trains.end(),
                                  [&](const Train& train) { return train.channel->name == known.wheel; });
  if (named != trains.end()) {
    return roles_with(*named, trains, known);
  }
  Roles best = roles_with(trains.front(), trains, known);
  if (best.edges == 0 || best.edges > few || known.two_stroke) {
    return best;
  }
  double least = 1e9;
  std::optional<Roles> chosen;
  for (const Train& train : trains) {
    if (train.channel->name == known.reference) {
      continue;
    }
    const Roles roles = roles_with(train, trains, known);
    const auto fold = roles.edges >= 2 && roles.edges % 2 == 0 ? fold_edges(train.t_ns, roles.edges) : std::nullopt;
    if (!fold) {
      continue;
    }
    const double difference = half_difference(*fold);
    // The first has most edges; one with fewer must be clearly more alike.
    if (!chosen || (difference < least / 2 && least > alike_deg)) {
      least = difference;
      chosen = roles;
    }
  }
  constexpr double hopeless_deg = 22;
  return chosen && least < hopeless_deg ? *chosen : best;
}

// ---- the wheel

// The rotation by which the longest step comes last: the fold's edge that is the reference tooth. Of several as long the
// one before which the steps are greatest.
std::size_t reference_edge(const std::vector<double>& steps) {
  const std::size_t count = steps.size();
  constexpr double same = 1e-3;
  std::size_t best = 0;
  for (std::size_t at = 1; at < count; ++at) {
    for (std::size_t back = 1; back <= count; ++back) {
      const double here = steps[(at + count - back) % count];
      const double there = steps[(best + count - back) % count];
      if (std::fabs(here - there) > same) {
        best = here > there ? at : best;
        break;
      }
    }
  }
  return best;
}

std::vector<double> steps_of(const std::vector<double>& angles, double period) {
  std::vector<double> steps;
  for (std::size_t i = 0; i < angles.size(); ++i) {
    steps.push_back((i + 1 < angles.size() ? angles[i + 1] : period) - angles[i]);
  }
  return steps;
}

void describe_teeth(const WheelGuess& guess, std::size_t first, double period_deg, FoundWheel& wheel) {
  const std::size_t count = guess.tooth_deg.size();
  const double scale = period_deg / deg_per_rev;
  for (std::size_t i = 0; i < count; ++i) {
    const std::size_t at = (first + i) % count;
    wheel.angles_deg.push_back(wrap_deg((guess.tooth_deg[at] - guess.tooth_deg[first]) * scale, period_deg));
    wheel.uncertain_deg.push_back(scale * guess.uncertain_from(first, at));
  }
  wheel.pitched = guess.pitched;
  wheel.margin = guess.margin;
  if (!guess.pitched) {
    wheel.positions = static_cast<int>(count);
    return;
  }
  wheel.positions = guess.positions();
  int position = 0;
  for (std::size_t i = 0; i < count; ++i) {
    const int step = guess.pitches[(first + i) % count];
    if (step > 1) {
      wheel.gaps.push_back({position + 1, step - 1});
    }
    position += step;
  }
}

// Both polarities folded: the steadier, or falling where both are as steady.
void choose_edge(const Channel& channel, std::size_t edges, FoundWheel& wheel) {
  constexpr double steadier = 2;
  const auto rising = fold_edges(channel.rising_ns, edges);
  const auto falling = fold_edges(channel.falling_ns, edges);
  const auto scatter = [](const std::optional<Fold>& fold) {
    if (!fold) {
      return 1e9;
    }
    std::vector<double> sorted = fold->scatter_deg;
    std::sort(sorted.begin(), sorted.end());
    return sorted[sorted.size() / 2] + 0.02;
  };
  const bool rises = scatter(rising) * steadier < scatter(falling);
  wheel.edge = rises ? ActiveEdge::rising : ActiveEdge::falling;
  wheel.edge_by_choice = !rises && rising && falling && scatter(falling) * steadier >= scatter(rising);
}

std::string refusal(const FoundWheel& wheel) {
  if (wheel.margin < margin_min) {
    return "the wheel on channel " + wheel.channel + " has " + std::to_string(wheel.angles_deg.size()) +
           " edges a turn and may be " + wheel_words(wheel) +
           ", but another explains its edges nearly as well: at this speed the ripple of the engine hides it";
  }
  constexpr double rough_share = 0.5;
  const std::vector<double> steps = steps_of(wheel.angles_deg, wheel.shaft == WheelShaft::cam ? 720.0 : 360.0);
  const double worst = *std::max_element(wheel.uncertain_deg.begin(), wheel.uncertain_deg.end());
  if (!wheel.pitched && worst > rough_share * *std::min_element(steps.begin(), steps.end())) {
    return "the wheel on channel " + wheel.channel + " has " + std::to_string(steps.size()) +
           " teeth at angles of their own; at this speed the ripple of the engine moves them by up to " +
           std::to_string(std::lround(worst)) + " degrees";
  }
  return "";
}

// On the camshaft a second wheel with about as many edges may as well be the one that the ECU counts.
std::string another_wheel(const FoundWheel& wheel, const std::vector<Train>& trains, const Known& known) {
  constexpr std::size_t of_ten = 8;
  if (wheel.shaft != WheelShaft::cam || wheel.channel == known.wheel) {
    return "";
  }
  const auto chosen = std::find_if(trains.begin(), trains.end(),
                                   [&](const Train& train) { return train.channel->name == wheel.channel; });
  for (const Train& other : trains) {
    const bool candidate = other.channel != chosen->channel && other.channel->name != known.reference;
    const auto common = candidate ? common_repeat(chosen->t_ns, other.t_ns, cam_edges_max) : std::nullopt;
    if (common && 10 * common->other_edges >= of_ten * common->base_edges) {
      return "channels " + wheel.channel + " and " + other.channel->name +
             " have about as many edges in a turn of the camshaft: which of them is the wheel no edge tells (--wheel)";
    }
  }
  return "";
}

Fold turn_fold(const Layout& layout, const Fold& cycle_fold) {
  return layout.cycle_edges == 2 * layout.turn_edges ? halved(cycle_fold) : cycle_fold;
}

WheelInCycle in_cycle(const Layout& layout, const Known& known, Times t_ns, const Fold& cycle, const WheelGuess& guess,
                      std::size_t first) {
  WheelInCycle wheel;
  wheel.t_ns = t_ns;
  wheel.fold = cycle;
  wheel.cycle_deg = known.two_stroke ? deg_per_rev : cycle_four_stroke_deg;
  wheel.turn_deg = layout.shaft == WheelShaft::cam ? cycle_four_stroke_deg : deg_per_rev;
  for (std::size_t i = 0; i < cycle.at_deg.size(); ++i) {
    const std::size_t turns = i / layout.turn_edges;
    const std::size_t tooth = i % layout.turn_edges;
    wheel.angle_deg.push_back(static_cast<double>(turns) * wheel.turn_deg +
                              guess.tooth_deg[tooth] * wheel.turn_deg / deg_per_rev);
    wheel.uncertain_deg.push_back(guess.uncertain_from(first, tooth) * wheel.turn_deg / deg_per_rev);
  }
  const double rpm = rpm_of(cycle.repeat_ns * deg_per_rev / wheel.cycle_deg);
  wheel.reference_tooth = first;
  wheel.turning = guess.turning;
  wheel.turning.firings = known.cylinders.value_or(4);
  wheel.turning.uneven = guess.turning.uneven || !known.cylinders;
  // Few teeth say little of how large the waves are: then as large as they may be.
  constexpr std::size_t few = 30;
  wheel.turning.scale = std::max(guess.turning.scale, (cycle.at_deg.size() < few ? 1.5 : 0.3) * usual_scale(rpm));
  wheel.turning.edge_deg = guess.turning.edge_deg * wheel.turn_deg / wheel.cycle_deg;
  return wheel;
}

// By both flanks, where one does not tell the wheel.
struct ByFlanks {
  WheelGuess wheel;
  FlankFit fit;
};

std::optional<ByFlanks> look_at_flanks(const Channel& channel, ActiveEdge edge, const Layout& layout, const Fold& cycle,
                                       const Known& known, double rpm, const WheelGuess& guess) {
  constexpr std::size_t teeth_most = 60;
  constexpr std::size_t few = 24;  // one flank of so few is easily taken for even teeth
  const bool sure = guess.pitched && guess.margin >= margin_min && layout.turn_edges > few;
  if (sure || layout.turn_edges > teeth_most) {
    return std::nullopt;
  }
  const bool rises = edge == ActiveEdge::rising;
  const auto flanks = flanks_of(rises ? channel.rising_ns : channel.falling_ns,
                                rises ? channel.falling_ns : channel.rising_ns, cycle, layout.turn_edges);
  if (!flanks) {
    return std::nullopt;
  }
  const FlankGuess found = guess_by_flanks(*flanks, firings_in(known, true), rpm, guess);
  if (guess.pitched && guess.margin >= margin_min && found.fit.wheel().pitches == guess.pitches) {
    return std::nullopt;
  }
  return ByFlanks{wheel_of(found, *flanks), found.fit};
}

struct WheelLook {
  WheelGuess guess;
  std::optional<FlankFit> fit;  // where both flanks told it
  double rpm = 0;               // of the crank
};

WheelLook look_once(const Channel& channel, ActiveEdge edge, const Fold& cycle, const Known& known,
                    const Layout& layout) {
  const bool on_cam = layout.shaft == WheelShaft::cam;
  const Fold fold = turn_fold(layout, cycle);
  const double rpm = rpm_of(fold.repeat_ns / (on_cam ? 2 : 1));
  const WheelGuess guess = guess_wheel(fold, firings_in(known, on_cam || known.two_stroke), rpm);
  if (auto by_flanks = look_at_flanks(channel, edge, layout, cycle, known, rpm, guess)) {
    return {by_flanks->wheel, by_flanks->fit, rpm};
  }
  return {guess, std::nullopt, rpm};
}

// A wheel of equal pitches whose halves are alike is on the crank: on the cam no one would tell it from that.
WheelLook look_at_wheel_of(const Channel& channel, ActiveEdge edge, const Fold& cycle, const Known& known,
                           Layout& layout) {
  WheelLook look = look_once(channel, edge, cycle, known, layout);
  if (layout.shaft == WheelShaft::cam && look.guess.pitched && halves_alike(look.guess.pitches)) {
    layout = {layout.cycle_edges / 2, layout.cycle_edges, WheelShaft::crank, layout.cycle_sure, false};
    look = look_once(channel, edge, cycle, known, layout);
  }
  return look;
}

void take_others(const std::vector<Channel>& channels, const Known& known, WheelInCycle& wheel, Learned& learned) {
  for (const Channel& channel : channels) {
    if (channel.name == learned.wheel->channel || more_of(channel).size() < others_least) {
      continue;
    }
    if (channel.name == known.reference) {
      learned.reference = find_reference(wheel, channel, known);
      if (!learned.reference) {
        learned.unused.push_back(channel.name + ": no pulse at a steady place once a turn or once a cycle");
      }
    } else if (auto cam = find_cam(wheel, channel)) {
      learned.cams.push_back(std::move(*cam));
    } else {
      learned.unused.push_back(channel.name + ": its edges have no steady places on the wheel");
    }
  }
}

// Even teeth have no beginning: the tooth after the first cam edge is marked, of the cam that comes most seldom.
double mark_by_cam(const WheelInCycle& wheel, const Learned& learned) {
  const auto cam = std::min_element(learned.cams.begin(), learned.cams.end(), [](const FoundCam& a, const FoundCam& b) {
    return a.edges.size() < b.edges.size();
  });
  if (cam == learned.cams.end()) {
    return 0;
  }
  const double edge_deg = cam->edges.front().angle_deg;
  const auto after = std::upper_bound(wheel.angle_deg.begin(), wheel.angle_deg.end(), edge_deg);
  return after == wheel.angle_deg.end() ? wheel.angle_deg.front() : *after;
}

void count_from(double reference_deg, double cycle_deg, Learned& learned) {
  const auto by_angle = [](const FoundEdge& a, const FoundEdge& b) { return a.angle_deg < b.angle_deg; };
  for (FoundCam& cam : learned.cams) {
    for (FoundEdge& edge : cam.edges) {
      edge.angle_deg = wrap_deg(edge.angle_deg - reference_deg, cycle_deg);
    }
    std::sort(cam.edges.begin(), cam.edges.end(), by_angle);
  }
  if (learned.reference) {
    FoundEdge& at = learned.reference->at;
    at.angle_deg = wrap_deg(at.angle_deg - reference_deg, cycle_deg);
  }
}

void take_offset(const Known& known, Learned& learned) {
  if (known.trigger_offset_deg) {
    learned.trigger_offset_deg = wrap_deg(*known.trigger_offset_deg, learned.cycle_deg);
    learned.offset_known = true;
  } else if (learned.reference) {
    learned.trigger_offset_deg =
        wrap_deg(learned.reference->at.angle_deg + known.advance_deg.value_or(0), learned.cycle_deg);
    learned.offset_known = true;
  }
}

}  // namespace

Learned learn(const std::vector<Channel>& channels, const Known& known) {
  Learned learned;
  learned.cycle_deg = known.two_stroke ? deg_per_rev : cycle_four_stroke_deg;
  const std::vector<Train> trains = trains_of(channels, known, learned);
  if (trains.empty() || trains.front().channel->name == known.reference || trains.front().t_ns.size() < edges_least) {
    learned.problem = "no channel has enough edges of a wheel (" + std::to_string(edges_least) + " of a kind)";
    return learned;
  }
  const Roles roles = choose_wheel(trains, known);
  FoundWheel wheel;
  wheel.channel = roles.wheel.channel->name;
  auto layout = roles.edges > 0 ? layout_with_others(roles.wheel, roles.edges, roles.cams, known)
                                : layout_alone(roles.wheel, known);
  if (!layout) {
    learned.problem = "channel " + wheel.channel + " has most edges, but shows no pattern that repeats" +
                      (trains.size() > 1 ? "" : ", and no other channel says how many of them make a turn");
    return learned;
  }
  wheel.shaft_sure = layout->shaft_sure;
  learned.cycle_sure = layout->cycle_sure;
  choose_edge(*roles.wheel.channel, layout->cycle_edges, wheel);
  const Times t_ns =
      wheel.edge == ActiveEdge::rising ? roles.wheel.channel->rising_ns : roles.wheel.channel->falling_ns;
  const auto cycle_fold = fold_edges(t_ns, layout->cycle_edges);
  if (!cycle_fold) {
    learned.problem = "channel " + wheel.channel + " never repeats three times in a row";
    return learned;
  }
  const auto [guess, fit, rpm] = look_at_wheel_of(*roles.wheel.channel, wheel.edge, *cycle_fold, known, *layout);
  wheel.shaft = layout->shaft;
  wheel.rpm = rpm;
  const std::size_t first = reference_edge(steps_of(guess.tooth_deg, deg_per_rev));
  describe_teeth(guess, first, layout->shaft == WheelShaft::cam ? cycle_four_stroke_deg : deg_per_rev, wheel);
  learned.wheel = wheel;
  learned.problem = refusal(wheel);
  if (learned.problem.empty()) {
    learned.problem = another_wheel(wheel, trains, known);
  }
  WheelInCycle placed = in_cycle(*layout, known, t_ns, *cycle_fold, guess, first);
  placed.flanks = fit;
  take_others(channels, known, placed, learned);
  const bool even = wheel.pitched && wheel.gaps.empty();
  count_from(even ? mark_by_cam(placed, learned) : placed.angle_deg[first], learned.cycle_deg, learned);
  if (even && learned.cams.empty()) {
    learned.problem = "channel " + wheel.channel + " has even teeth, and no cam or index says which tooth is which";
  }
  take_offset(known, learned);
  return learned;
}

}  // namespace cw::learn
