#include <algorithm>
#include <cmath>
#include <set>
#include <vector>

#include "cli/check.hpp"
#include "cli/check_page.hpp"
#include "geometry/angle.hpp"
#include "geometry/tooth_cycle.hpp"

namespace cw {

namespace {

constexpr int label_columns_max = 10;

struct Signs {
  const char* tooth;
  const char* missing;
  const char* several;
  const char* falling;
  const char* rising;
  const char* travel;
  const char* tolerance;
  const char* reference;
  const char* tick;
};
constexpr Signs utf8_signs = {"┃", "·", "█", "▼", "▲", "━", "─", "◆", "╷"};
constexpr Signs ascii_signs = {"|", ".", "#", "v", "^", "=", "-", "*", "'"};

// How often something with this period passes in a cycle.
int repeats(double cycle_deg, double period_deg) {
  return static_cast<int>(std::lround(cycle_deg / period_deg));
}

// One row of the drawing over the whole cycle; each cell holds one sign.
using Row = std::vector<std::string>;

// Cells of one crank turn and how angles fall into them.
struct Scale {
  int columns = 72;  // a turn
  int turns = 2;

  double cell_deg() const { return deg_per_rev / columns; }
  int cells() const { return columns * turns; }
  // An angle that should stand on a cell's left border may be computed a hair before it.
  int cell(double angle_deg) const {
    const double at = wrap_deg(angle_deg, turns * deg_per_rev) / cell_deg();
    return static_cast<int>(std::floor(at + 1e-6)) % cells();
  }
};

// The greatest number of columns, of those that keep a wheel of `pitches` a turn regular (a whole number of columns for
// each pitch, or of pitches for each column), from `least` to `most`; 0 when there is none. `whole`: only numbers that
// divide 360, so that a column is a whole number of degrees.
int regular_columns(int pitches, int least, int most, bool whole) {
  for (int columns = most; columns >= least; --columns) {
    if ((columns % pitches == 0 || pitches % columns == 0) && (!whole || 360 % columns == 0)) {
      return columns;
    }
  }
  return 0;
}

bool stands_at_pitches(const Wheel& wheel) {
  return std::all_of(wheel.teeth.begin(), wheel.teeth.end(), [&](const WheelTooth& tooth) {
    return std::fabs(tooth.angle_deg - (tooth.number - 1) * wheel.period_deg / wheel.positions) < 1e-6;
  });
}

// Columns a turn: regular and of whole degrees, unless that would waste much of the width; one without an even pitch
// gets columns of whole degrees.
int columns_of_turn(const Wheel& wheel, int available) {
  constexpr int fewest = 36;
  const int wheel_turns = wheel.period_deg > deg_per_rev ? 2 : 1;
  const bool regular = stands_at_pitches(wheel) && wheel.positions % wheel_turns == 0;
  const int pitches = regular ? wheel.positions / wheel_turns : 1;
  if (const int columns = regular_columns(pitches, std::max(fewest, available / 2), available, true); columns > 0) {
    return columns;
  }
  if (const int columns = regular_columns(pitches, fewest, available, false); columns > 0) {
    return columns;
  }
  return std::max(fewest, regular_columns(1, fewest, available, true));
}

// The width of the names at the left.
int label_columns(const Engine& engine) {
  std::size_t widest = 5;
  for (const CamPattern& cam : engine.cams) {
    widest = std::max(widest, cam.name.size());
  }
  return std::min(static_cast<int>(widest), label_columns_max);
}

std::string label(std::string_view name, int columns) {
  const auto room = static_cast<std::size_t>(columns);
  std::string out(name.size() > room ? std::string(name.substr(0, room - 1)) + "~" : std::string(name));
  out.resize(room + 2, ' ');
  return out;
}

void put_once(Row& row, int cell, const std::string& sign, const Signs& signs, std::set<int>& taken) {
  row[static_cast<std::size_t>(cell)] = taken.insert(cell).second ? sign : signs.several;
}

// Columns in which a place of the wheel has no tooth.
std::set<int> missing_cells(const Engine& engine, const Scale& scale) {
  const Wheel& wheel = engine.crank;
  std::set<int> numbers;
  for (const WheelTooth& tooth : wheel.teeth) {
    numbers.insert(tooth.number);
  }
  std::set<int> cells;
  for (int turn = 0; turn < repeats(engine.cycle_deg, wheel.period_deg); ++turn) {
    for (int number = 1; number <= wheel.positions; ++number) {
      const double wheel_deg = turn * wheel.period_deg + (number - 1) * wheel.period_deg / wheel.positions;
      if (numbers.count(number) == 0) {
        cells.insert(scale.cell(wheel_deg - wheel.trigger_offset_deg));
      }
    }
  }
  return cells;
}

Row tooth_row(const Engine& engine, const Scale& scale, const Signs& signs) {
  Row row(static_cast<std::size_t>(scale.cells()), " ");
  const Wheel& wheel = engine.crank;
  const auto at = [&](double wheel_deg) { return scale.cell(wheel_deg - wheel.trigger_offset_deg); };
  std::set<int> taken;
  for (const CycleTooth& tooth : tooth_cycle(engine).teeth) {
    put_once(row, at(tooth.wheel_deg), signs.tooth, signs, taken);
  }
  // Where teeth are denser than columns a gap would drown in its neighbours.
  for (const int cell : missing_cells(engine, scale)) {
    row[static_cast<std::size_t>(cell)] = signs.missing;
  }
  for (int turn = 0; turn < repeats(engine.cycle_deg, wheel.period_deg); ++turn) {
    row[static_cast<std::size_t>(at(turn * wheel.period_deg))] = "1";
  }
  return row;
}

// Fills the cells that the angles from `from_deg` to `to_deg` touch.
void fill(Row& row, double from_deg, double to_deg, const Scale& scale, const char* sign) {
  const int first = static_cast<int>(std::floor(from_deg / scale.cell_deg() + 1e-6));
  const int last = static_cast<int>(std::ceil(to_deg / scale.cell_deg() - 1e-6)) - 1;
  for (int cell = first; cell <= std::max(first, last) && cell < first + scale.cells(); ++cell) {
    const int wrapped = ((cell % scale.cells()) + scale.cells()) % scale.cells();
    row[static_cast<std::size_t>(wrapped)] = sign;
  }
}

Row cam_row(const CamPattern& cam, const Scale& scale, const Signs& signs) {
  Row row(static_cast<std::size_t>(scale.cells()), " ");
  for (const CamEdge& edge : cam.edges) {
    fill(row, edge.angle_deg + cam.phaser_min_deg - cam.tolerance_deg,
         edge.angle_deg + cam.phaser_max_deg + cam.tolerance_deg, scale, signs.tolerance);
  }
  for (const CamEdge& edge : cam.edges) {
    if (cam.phaser_max_deg > cam.phaser_min_deg) {
      fill(row, edge.angle_deg + cam.phaser_min_deg, edge.angle_deg + cam.phaser_max_deg, scale, signs.travel);
    }
  }
  std::set<int> taken;
  for (const CamEdge& edge : cam.edges) {
    put_once(row, scale.cell(edge.angle_deg), edge.edge == ActiveEdge::falling ? signs.falling : signs.rising, signs,
             taken);
  }
  return row;
}

Row reference_row(const Reference& reference, double cycle_deg, const Scale& scale, const Signs& signs) {
  Row row(static_cast<std::size_t>(scale.cells()), " ");
  for (int pulse = 0; pulse < repeats(cycle_deg, reference.period_deg); ++pulse) {
    row[static_cast<std::size_t>(scale.cell(pulse * reference.period_deg - reference.advance_deg))] = signs.reference;
  }
  return row;
}

// Writes `text` into the row where there is room for it and a space on each side; false when there is none.
bool write_text(Row& row, int cell, const std::string& text, int turn_columns) {
  const int turn_end = (cell / turn_columns + 1) * turn_columns;
  const int begin = std::min(cell, turn_end - static_cast<int>(text.size()));
  const int end = begin + static_cast<int>(text.size());
  const int turn_begin = turn_end - turn_columns;
  for (int i = std::max(begin - 1, turn_begin); i < std::min(end + 1, turn_end); ++i) {
    if (row[static_cast<std::size_t>(i)] != " ") {
      return false;
    }
  }
  for (int i = begin; i < end; ++i) {
    row[static_cast<std::size_t>(i)] = std::string(1, text[static_cast<std::size_t>(i - begin)]);
  }
  return true;
}

// Cylinder numbers at their top dead centres, on as many rows as keep them apart.
std::vector<Row> tdc_rows(const Engine& engine, const Scale& scale) {
  std::vector<Row> rows;
  for (const int cylinder : engine.firing_order) {
    const int cell = scale.cell(engine.firing_angles_deg.at(static_cast<std::size_t>(cylinder - 1)));
    bool written = false;
    for (std::size_t i = 0; !written && i <= rows.size(); ++i) {
      if (i == rows.size()) {
        rows.emplace_back(static_cast<std::size_t>(scale.cells()), " ");
      }
      written = write_text(rows[i], cell, std::to_string(cylinder), scale.columns);
    }
  }
  return rows;
}

std::string turn_of(const Row& row, int turn, const Scale& scale) {
  std::string out;
  for (int i = turn * scale.columns; i < (turn + 1) * scale.columns; ++i) {
    out += row[static_cast<std::size_t>(i)];
  }
  out.erase(out.find_last_not_of(' ') + 1);
  return out;
}

// The angles of one turn, at steps that fall on whole columns where they can.
int ruler_step_deg(const Scale& scale) {
  for (const int step_deg : {30, 45, 60, 90}) {
    const double columns = step_deg / scale.cell_deg();
    if (columns >= 6 && std::fabs(columns - std::round(columns)) < 1e-9) {
      return step_deg;
    }
  }
  return 90;
}

std::string ruler(int turn, int left, const Scale& scale, const Signs& signs) {
  std::string numbers(static_cast<std::size_t>(left), ' ');
  Row ticks(static_cast<std::size_t>(scale.columns), " ");
  for (int at_deg = 0; at_deg <= 360; at_deg += ruler_step_deg(scale)) {
    const auto column = static_cast<std::size_t>(std::lround(at_deg / scale.cell_deg()));
    numbers.resize(static_cast<std::size_t>(left) + column, ' ');
    numbers += std::to_string(turn * 360 + at_deg);
    if (column < ticks.size()) {
      ticks[column] = signs.tick;
    }
  }
  std::string out = numbers + "\n" + std::string(static_cast<std::size_t>(left), ' ');
  for (const std::string& cell : ticks) {
    out += cell;
  }
  out.erase(out.find_last_not_of(' ') + 1);
  return out + "\n";
}

struct NamedRow {
  std::string name;
  Row row;
};

bool any_sign(const std::vector<NamedRow>& rows, std::string_view sign) {
  return std::any_of(rows.begin(), rows.end(), [&](const NamedRow& named) {
    return std::find(named.row.begin(), named.row.end(), sign) != named.row.end();
  });
}

// What each sign that occurs means, two or three to a line.
std::string legend(const std::vector<NamedRow>& rows, int left, int width, const Signs& signs) {
  const std::vector<std::pair<std::string, std::string>> meanings = {{"1", "first tooth"},
                                                                     {signs.tooth, "tooth"},
                                                                     {signs.missing, "missing tooth"},
                                                                     {signs.falling, "falling"},
                                                                     {signs.rising, "rising"},
                                                                     {signs.travel, "phaser travel"},
                                                                     {signs.tolerance, "tolerance"},
                                                                     {signs.reference, "reference pulse"},
                                                                     {signs.several, "several in one column"}};
  std::string out;
  std::string line(static_cast<std::size_t>(left), ' ');
  for (const auto& [sign, meaning] : meanings) {
    if (!any_sign(rows, sign)) {
      continue;
    }
    std::string part = sign;
    part += " ";
    part += meaning;
    part += "   ";
    if (columns_of(line) + columns_of(part) > static_cast<std::size_t>(width) + 3) {
      out += line.substr(0, line.find_last_not_of(' ') + 1) + "\n";
      line.assign(static_cast<std::size_t>(left), ' ');
    }
    line += part;
  }
  return out + line.substr(0, line.find_last_not_of(' ') + 1) + "\n";
}

std::vector<NamedRow> rows_of(const Engine& engine, const Scale& scale, const Signs& signs) {
  std::vector<NamedRow> rows;
  for (const Row& row : tdc_rows(engine, scale)) {
    rows.push_back({rows.empty() ? "TDC" : "", row});
  }
  rows.push_back({engine.crank.shaft == WheelShaft::cam ? "wheel" : "crank", tooth_row(engine, scale, signs)});
  for (const CamPattern& cam : engine.cams) {
    rows.push_back({cam.name, cam_row(cam, scale, signs)});
  }
  if (engine.reference && engine.reference->advance_from.empty()) {
    rows.push_back({"ref", reference_row(*engine.reference, engine.cycle_deg, scale, signs)});
  }
  return rows;
}

}  // namespace

std::string draw_cycle(const Engine& engine, const CheckLook& look) {
  const Signs& signs = look.utf8 ? utf8_signs : ascii_signs;
  const int name_columns = label_columns(engine);
  const int left = name_columns + 2;
  Scale scale;
  scale.turns = repeats(engine.cycle_deg, deg_per_rev);
  // The last number of the ruler stands two columns out.
  scale.columns = columns_of_turn(engine.crank, std::max(look.width, check_width_min) - left - 3);
  const std::vector<NamedRow> rows = rows_of(engine, scale, signs);
  std::string out;
  for (int turn = 0; turn < scale.turns; ++turn) {
    out += ruler(turn, left, scale, signs);
    for (const NamedRow& named : rows) {
      std::string line = label(named.name, name_columns) + turn_of(named.row, turn, scale);
      line.erase(line.find_last_not_of(' ') + 1);
      out += line.empty() ? "" : line + "\n";
    }
    out += "\n";
  }
  return out + legend(rows, left, look.width, signs);
}

}  // namespace cw
