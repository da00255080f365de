#include <algorithm>
#include <cstddef>
#include <optional>

#include "config/sections.hpp"

namespace cw {

namespace {

std::string place(const TableReader& in, std::string_view key) {
  return std::string(key) + ", line " + std::to_string(in.line(key));
}

bool is_plain_name(std::string_view name) {
  return std::all_of(name.begin(), name.end(), [](char c) {
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '_' || c == '-';
  });
}

// The name becomes part of a column name (phase_<name>_deg), so it is kept to letters that need no quoting.
std::string read_name(const TableReader& in) {
  if (!in.has("name")) {
    in.complain("name", "a name for this cam");
    return "";
  }
  const std::optional<std::string> name = in.text("name", 32);
  if (name && (!is_plain_name(*name) || *name == "crank" || *name == "reference")) {
    in.complain("name", "letters, digits, - and _ (and neither crank nor reference)");
  }
  return name.value_or("");
}

double read_period(const TableReader& in, double cycle_deg) {
  const double period_deg =
      in.one_of("period_deg", turn_periods_deg, "720 (a cam) or 360 (an index that passes once a crank turn)")
          .value_or(720);
  if (period_deg > cycle_deg) {
    in.complain("period_deg",
                "period_deg = 360, since a two-stroke engine has no cam at half speed (engine.cycle_deg = 360)",
                in.has("period_deg") ? "720" : "nothing, which means 720");
  }
  return period_deg;
}

void add_edges(const TableReader& in, std::string_view key, ActiveEdge edge, double period_deg,
               std::vector<CamEdge>& edges) {
  const auto angles = in.numbers(key, 1, cam_edges_max, {0, period_deg, false, true});
  if (!angles) {
    return;
  }
  check_ascending(in, key, *angles, tooth_step_deg_min);
  for (const double angle_deg : *angles) {
    edges.push_back({angle_deg, edge});
  }
}

// One signal that rises must fall before it rises again.
void check_alternating(const TableReader& in, const std::vector<CamEdge>& edges) {
  for (std::size_t i = 0; i < edges.size(); ++i) {
    const CamEdge& next = edges[(i + 1) % edges.size()];
    if (edges[i].edge == next.edge || edges[i].angle_deg == next.angle_deg) {
      in.complain(
          "falling_deg", "edges that alternate with rising_deg (line " + std::to_string(in.line("rising_deg")) + ")",
          std::string(next.edge == ActiveEdge::rising ? "a rising" : "a falling") + " edge at " +
              number_text(next.angle_deg) + " next to one of the " +
              (edges[i].edge == next.edge ? "same kind" : "other kind") + " at " + number_text(edges[i].angle_deg));
      return;
    }
  }
}

std::vector<CamEdge> read_both_edges(const TableReader& in, double period_deg) {
  for (const char* other : {"edges_deg", "active_edge"}) {
    if (in.has(other)) {
      const char* own = in.has("rising_deg") ? "rising_deg" : "falling_deg";
      in.complain(other, "either active_edge with edges_deg, or rising_deg and falling_deg",
                  "both (" + place(in, own) + ")");
    }
  }
  std::vector<CamEdge> edges;
  add_edges(in, "rising_deg", ActiveEdge::rising, period_deg, edges);
  add_edges(in, "falling_deg", ActiveEdge::falling, period_deg, edges);
  std::sort(edges.begin(), edges.end(), [](const CamEdge& a, const CamEdge& b) { return a.angle_deg < b.angle_deg; });
  if (in.has("rising_deg") && in.has("falling_deg")) {
    check_alternating(in, edges);
  }
  return edges;
}

std::vector<CamEdge> read_edges(const TableReader& in, double period_deg) {
  if (in.has("rising_deg") || in.has("falling_deg")) {
    return read_both_edges(in, period_deg);
  }
  if (!in.has("edges_deg")) {
    in.complain("edges_deg", "edges_deg with active_edge, or rising_deg and falling_deg", "neither");
    return {};
  }
  std::vector<CamEdge> edges;
  add_edges(in, "edges_deg", read_active_edge(in), period_deg, edges);
  return edges;
}

void read_phaser(const TableReader& in, CamPattern& cam) {
  const auto range = in.numbers("phaser_range_deg", 2, 2, {-180, 180});
  if (!range) {
    return;
  }
  cam.phaser_min_deg = range->at(0);
  cam.phaser_max_deg = range->at(1);
  const std::string found = "[" + number_text(cam.phaser_min_deg) + ", " + number_text(cam.phaser_max_deg) + "]";
  if (cam.phaser_min_deg > cam.phaser_max_deg) {
    in.complain("phaser_range_deg", "the lower end first, for example [-40, 0]", found);
  }
  if (cam.phaser_min_deg > 0 || cam.phaser_max_deg < 0) {
    in.complain("phaser_range_deg", "a range that includes 0 (park)", found);
  }
}

void repeat_next_turn(std::vector<CamEdge>& edges) {
  const std::size_t count = edges.size();
  for (std::size_t i = 0; i < count; ++i) {
    edges.push_back({edges[i].angle_deg + 360, edges[i].edge});
  }
}

// A pattern that passes once a crank turn is not on a cam: it has no phaser and no cam gear.
void check_index(const TableReader& in, const CamPattern& cam, bool is_index) {
  if (is_index && cam.gear_teeth) {
    in.complain("gear_teeth", "no gear_teeth on an index that turns with the crank (" + place(in, "period_deg") + ")");
  }
  if (is_index && cam.crank_gear_teeth) {
    in.complain("crank_gear_teeth",
                "no crank_gear_teeth on an index that turns with the crank (" + place(in, "period_deg") + ")");
  }
  if (is_index && (cam.phaser_min_deg != 0 || cam.phaser_max_deg != 0)) {
    in.complain("phaser_range_deg",
                "no phaser on an index that turns with the crank (" + place(in, "period_deg") + ")");
  }
}

}  // namespace

CamPattern read_cam_section(const TableReader& in, double cycle_deg) {
  CamPattern cam;
  cam.name = read_name(in);
  const double period_deg = read_period(in, cycle_deg);
  cam.edges = read_edges(in, period_deg);
  read_phaser(in, cam);
  cam.tolerance_deg = in.number("tolerance_deg", {0, 90, true, false}).value_or(cam.tolerance_deg);
  cam.gear_teeth = in.whole("gear_teeth", 8, 400);
  cam.crank_gear_teeth = in.whole("crank_gear_teeth", 8, 400);
  cam.moves_with = in.text("moves_with", name_bytes_max).value_or("");
  cam.delay_us = read_delay(in);
  cam.turns_with_crank = period_deg == 360;
  check_index(in, cam, cam.turns_with_crank);
  if (period_deg < cycle_deg) {
    repeat_next_turn(cam.edges);
  }
  return cam;
}

}  // namespace cw
