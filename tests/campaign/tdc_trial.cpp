#include "campaign/tdc_trial.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <ostream>
#include <string>

#include "campaign/feed.hpp"
#include "campaign/text.hpp"
#include "geometry/angle.hpp"
#include "simulate/simulation.hpp"

namespace cw::campaign {

namespace {

constexpr double within_deg = 4;

// The file as it would be with the trigger offset `late_deg` too great: TDC1 and all cams count from a wrong place.
Engine with_wrong_offset(Engine engine, double late_deg) {
  engine.crank.trigger_offset_deg = wrap_deg(engine.crank.trigger_offset_deg + late_deg, engine.cycle_deg);
  for (CamPattern& cam : engine.cams) {
    for (CamEdge& edge : cam.edges) {
      edge.angle_deg = wrap_deg(edge.angle_deg - late_deg, engine.cycle_deg);
    }
    std::sort(cam.edges.begin(), cam.edges.end(),
              [](const CamEdge& a, const CamEdge& b) { return a.angle_deg < b.angle_deg; });
  }
  engine.reference.reset();
  return engine;
}

std::vector<std::int64_t> crank_edges(const Engine& engine, const sim::Simulation& simulation) {
  std::vector<std::int64_t> edges;
  for (const sim::SimEdge& edge : simulation.edges) {
    if (simulation.channels[edge.channel] == engine.crank.channel &&
        edge.rising == (engine.crank.active_edge == ActiveEdge::rising)) {
      edges.push_back(edge.t_ns - std::llround(engine.crank.delay_us * 1e3));
    }
  }
  return edges;
}

}  // namespace

TdcVerdict run_tdc(std::uint64_t seed) {
  TdcVerdict verdict;
  verdict.seed = seed;
  Case drawn = draw_tdc_case(seed);
  verdict.problem = drawn.problem;
  if (!verdict.problem.empty()) {
    return verdict;
  }
  verdict.cylinders = drawn.engine.cylinders;
  verdict.wheel = wheel_class_of(drawn.engine);
  Dice dice(seed, 33);
  const double late_deg = dice.range(-30, 30);
  const Engine file = with_wrong_offset(drawn.engine, late_deg);
  const sim::Simulation simulation = sim::simulate(drawn.engine, drawn.scenario);
  const Observed observed = observe(file, stream_of(simulation), dice);
  const auto runs = locate_teeth(crank_edges(drawn.engine, simulation), observed.cycles, file);
  verdict.told = tdc_from_crank(runs, file);
  verdict.error_deg = wrap_signed_deg(verdict.told.deg + late_deg, verdict.told.modulo_deg);
  if (verdict.told.cranking) {
    verdict.cranking_slow_deg = wrap_signed_deg(verdict.told.cranking->deg + late_deg, verdict.told.modulo_deg);
  }
  return verdict;
}

std::string failure_of(const TdcVerdict& verdict) {
  if (!verdict.problem.empty() || !verdict.told.why_not.empty()) {
    return verdict.problem;
  }
  const double off = std::fabs(verdict.error_deg);
  const std::string words =
      fixed(verdict.error_deg, 1) + " degrees off, told to within " + fixed(verdict.told.half_width_deg, 1);
  return off > within_deg ? words : off > verdict.told.half_width_deg ? "not covered: " + words : "";
}

namespace {

struct Count {
  std::size_t runs = 0;
  std::size_t told = 0;
  std::size_t near = 0;
  std::size_t covered = 0;
  std::vector<double> errors;
  std::vector<double> widths;
};

template <class Takes>
Count count_of(std::span<const TdcVerdict> verdicts, Takes takes) {
  Count count;
  for (const TdcVerdict& one : verdicts) {
    if (!one.problem.empty() || !takes(one)) {
      continue;
    }
    ++count.runs;
    if (one.told.why_not.empty()) {
      const double off = std::fabs(one.error_deg);
      ++count.told;
      count.near += off <= within_deg ? 1 : 0;
      count.covered += off <= one.told.half_width_deg ? 1 : 0;
      count.errors.push_back(off);
      count.widths.push_back(one.told.half_width_deg);
    }
  }
  return count;
}

void print_line(const std::string& name, const Count& count, std::ostream& out) {
  const Share near = share_of(count.near, count.told);
  out << "  " << padded(name, 22) << right(std::to_string(count.runs), 6) << right(std::to_string(count.told), 6)
      << right(fixed(quantile(count.errors, 0.5), 2), 8) << right(fixed(quantile(count.errors, 0.95), 2), 8)
      << right(fixed(quantile(count.widths, 0.5), 2), 9) << "   "
      << (count.told == 0
              ? "-"
              : percent(near.value, 1) + " (" + fixed(100 * near.low, 1) + " to " + fixed(100 * near.high, 1) +
                    "), covered " + percent(share_of(count.covered, count.told).value, 1))
      << "\n";
}

}  // namespace

void print_report(std::span<const TdcVerdict> verdicts, std::ostream& out) {
  out << "Simulated engines only.\n  " << padded("", 22)
      << "  runs  told  p50deg  p95deg  +-p50deg   within 4 degrees\n";
  for (int cylinders = 1; cylinders <= 8; ++cylinders) {
    print_line(std::to_string(cylinders) + " cylinders",
               count_of(verdicts, [&](const TdcVerdict& one) { return one.cylinders == cylinders; }), out);
  }
  print_line("all", count_of(verdicts, [](const TdcVerdict&) { return true; }), out);
  const Count all = count_of(verdicts, [](const TdcVerdict&) { return true; });
  const Share covered = share_of(all.covered, all.told);
  out << "  covered by its interval: " << all.covered << " of " << all.told << ", " << percent(covered.value, 1) << " ("
      << fixed(100 * covered.low, 1) << " to " << fixed(100 * covered.high, 1) << ")\n";
  std::vector<double> slow;
  for (const TdcVerdict& one : verdicts) {
    if (one.told.cranking) {
      slow.push_back(one.cranking_slow_deg);
    }
  }
  out << "  slow spot while cranking, from the true TDC: p5 " << fixed(quantile(slow, 0.05), 1) << ", p50 "
      << fixed(quantile(slow, 0.5), 1) << ", p95 " << fixed(quantile(slow, 0.95), 1) << " degrees, of " << slow.size()
      << " runs\n\n";
  std::map<std::string, std::size_t> silent;
  for (const TdcVerdict& one : verdicts) {
    // Without the numbers.
    ++silent[one.told.why_not.substr(0, one.told.why_not.find(':'))];
  }
  for (const auto& [why, count] : silent) {
    out << (why.empty() ? "" : "  not told, " + std::to_string(count) + ": " + why + "\n");
  }
  out << "\n";
  for (const TdcVerdict& one : verdicts) {
    if (!failure_of(one).empty()) {
      out << "  --tdc --seed " << one.seed << "   " << one.cylinders << " cylinders, " << to_string(one.wheel) << ": "
          << failure_of(one) << "\n";
    }
  }
}

std::vector<std::string> missed_targets(std::span<const TdcVerdict> verdicts, const Demands& demands) {
  const Count count = count_of(verdicts, [](const TdcVerdict&) { return true; });
  std::vector<std::string> missed;
  const auto asks = [&](std::size_t hits, const std::string& what) {
    if (static_cast<double>(hits) < demands.tdc_least * static_cast<double>(count.told)) {
      missed.push_back("top dead centre from the run-down " + what + ": " + std::to_string(hits) + " of " +
                       std::to_string(count.told) + ", " + percent(demands.tdc_least, 0) + " asked for");
    }
  };
  // Silence is no way to be right: of engines whose wheel is fine enough and that fire more than once in two turns this share
  // must be told (our own; a single stops within two or three firings).
  constexpr double told_least = 0.6;
  const Count able = count_of(verdicts, [](const TdcVerdict& one) {
    return one.cylinders > 1 && one.told.why_not.find("too few teeth") == std::string::npos;
  });
  if (static_cast<double>(able.told) < told_least * static_cast<double>(able.runs)) {
    missed.push_back("top dead centre from the run-down told at all, wheel fine enough, two cylinders or more: " +
                     std::to_string(able.told) + " of " + std::to_string(able.runs) + ", " + percent(told_least, 0) +
                     " asked for");
  }
  asks(count.near, "within 4 degrees");
  asks(count.covered, "covered by its interval");
  return missed;
}

}  // namespace cw::campaign
