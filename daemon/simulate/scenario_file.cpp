#include "simulate/scenario_file.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <filesystem>
#include <fstream>
#include <limits>
#include <sstream>
#include <utility>
#include <vector>

#include <toml++/toml.h>

#include "text/one_line.hpp"
#include "text/toml_shape.hpp"

namespace cw::sim {

namespace {

constexpr std::size_t scenario_bytes_max = std::size_t{1} << 20U;
constexpr double huge = std::numeric_limits<double>::infinity();

// Reads one table key by key. Remembers the first error and which keys were asked for: what is left over is unknown.
class Keys {
 public:
  Keys(const toml::table& table, std::string where, std::string_view file, std::string& error)
      : table_(table), where_(std::move(where)), file_(file), error_(error) {}

  void number(std::string_view key, double& value, double least, double greatest) {
    if (const toml::node* node = find(key)) {
      const auto found = node->value<double>();
      if (!node->is_number() || !found || !(*found >= least && *found <= greatest)) {
        fail(key, *node, "expected a number " + range(least, greatest));
        return;
      }
      value = *found;
    }
  }

  void optional_number(std::string_view key, std::optional<double>& value, double least, double greatest) {
    if (has(key)) {
      double found = 0;
      number(key, found, least, greatest);
      value = found;
    }
  }

  template <class Integer>
  void integer(std::string_view key, Integer& value, std::int64_t least, std::int64_t greatest) {
    if (const toml::node* node = find(key)) {
      const auto* found = node->as_integer();
      if (found == nullptr || found->get() < least || found->get() > greatest) {
        fail(key, *node, "expected a whole number from " + std::to_string(least) + " to " + std::to_string(greatest));
        return;
      }
      value = static_cast<Integer>(found->get());
    }
  }

  void text(std::string_view key, std::string& value) {
    if (const toml::node* node = find(key)) {
      const auto* found = node->as_string();
      if (found == nullptr) {
        fail(key, *node, "expected a text in quotes");
        return;
      }
      value = found->get();
    }
  }

  std::vector<std::string> texts(std::string_view key) {
    std::vector<std::string> all;
    if (const toml::node* node = find(key)) {
      const auto* list = node->as_array();
      for (std::size_t i = 0; list != nullptr && i < list->size(); ++i) {
        all.push_back(list->get(i)->value_exact<std::string>().value_or(""));
      }
      if (list == nullptr || std::find(all.begin(), all.end(), "") != all.end()) {
        fail(key, *node, "expected a list of texts in quotes");
      }
    }
    return all;
  }

  void flag(std::string_view key, bool& value) {
    if (const toml::node* node = find(key)) {
      const auto* found = node->as_boolean();
      if (found == nullptr) {
        fail(key, *node, "expected true or false");
        return;
      }
      value = found->get();
    }
  }

  void numbers(std::string_view key, std::vector<double>& values) {
    if (const toml::node* node = find(key)) {
      values = row(key, *node, 0);
    }
  }

  // A list of rows of `width` numbers each.
  std::vector<std::vector<double>> rows(std::string_view key, std::size_t width) {
    std::vector<std::vector<double>> all;
    if (const toml::node* node = find(key)) {
      const auto* list = node->as_array();
      if (list == nullptr) {
        fail(key, *node, "expected a list of rows of " + std::to_string(width) + " numbers");
        return all;
      }
      for (const toml::node& entry : *list) {
        all.push_back(row(key, entry, width));
        if (failed()) {
          return all;
        }
      }
    }
    return all;
  }

  // Calls read(Keys&) for a table, or for each table of a list.
  template <class Read>
  void tables(std::string_view key, Read read) {
    const toml::node* node = find(key);
    if (node == nullptr) {
      return;
    }
    if (const auto* table = node->as_table()) {
      read_one(*table, std::string(key), read);
      return;
    }
    const auto* list = node->as_array();
    if (list == nullptr) {
      fail(key, *node, "expected a table");
      return;
    }
    int number = 0;
    for (const toml::node& entry : *list) {
      ++number;
      const auto* table = entry.as_table();
      if (table == nullptr) {
        fail(key, entry, "expected tables");
        return;
      }
      read_one(*table, std::string(key) + "[" + std::to_string(number) + "]", read);
    }
  }

  bool has(std::string_view key) const { return table_.contains(key); }
  bool failed() const { return !error_.empty(); }

  void require(std::string_view key, const std::string& expected) {
    if (!has(key)) {
      fail(key, table_, "missing, expected " + expected);
    }
  }

  void fail(std::string_view key, const toml::node& node, const std::string& expected) {
    if (!failed()) {
      error_ = std::string(file_) + ":" + std::to_string(node.source().begin.line) + ": " + full(key) + ": " + expected;
    }
  }
  void fail_at(std::string_view key, const std::string& expected) {
    const toml::node* node = table_.get(key);
    fail(key, node != nullptr ? *node : static_cast<const toml::node&>(table_), expected);
  }

  void refuse_unknown() {
    for (const auto& [key, node] : table_) {
      if (std::find(asked_.begin(), asked_.end(), key.str()) == asked_.end()) {
        fail(key.str(), node, "unknown key; expected one of " + known());
        return;
      }
    }
  }

 private:
  template <class Read>
  void read_one(const toml::table& table, const std::string& name, Read read) {
    Keys inner(table, full(name), file_, error_);
    read(inner);
    inner.refuse_unknown();
  }

  const toml::node* find(std::string_view key) {
    asked_.emplace_back(key);
    return failed() ? nullptr : table_.get(key);
  }

  // A list of numbers; width 0 = any.
  std::vector<double> row(std::string_view key, const toml::node& node, std::size_t width) {
    std::vector<double> values;
    const auto* list = node.as_array();
    bool good = list != nullptr && (width == 0 || list->size() == width);
    for (std::size_t i = 0; good && i < list->size(); ++i) {
      const auto value = list->get(i)->value<double>();
      good = list->get(i)->is_number() && value && std::isfinite(*value);
      values.push_back(value.value_or(0));
    }
    if (!good) {
      fail(key, node, width == 0 ? "expected a list of numbers" : "expected " + std::to_string(width) + " numbers");
      values.assign(width, 0);
    }
    return values;
  }

  std::string full(std::string_view key) const {
    return where_.empty() ? std::string(key) : where_ + "." + std::string(key);
  }

  std::string known() const {
    std::string all;
    for (const std::string& key : asked_) {
      all += all.empty() ? key : ", " + key;
    }
    return all;
  }

  static std::string range(double least, double greatest) {
    std::ostringstream text;
    if (greatest == huge) {
      text << "of " << least << " or more";
    } else {
      text << "from " << least << " to " << greatest;
    }
    return text.str();
  }

  const toml::table& table_;
  std::string where_;
  std::string_view file_;
  std::string& error_;
  std::vector<std::string> asked_;
};

constexpr std::array<std::pair<std::string_view, PhaseKind>, 7> phase_names = {{{"rest", PhaseKind::rest},
                                                                                {"crank", PhaseKind::crank},
                                                                                {"run", PhaseKind::run},
                                                                                {"ramp", PhaseKind::ramp},
                                                                                {"sweep", PhaseKind::sweep},
                                                                                {"run-down", PhaseKind::run_down},
                                                                                {"profile", PhaseKind::profile}}};

void read_noise(Keys& keys, SensorNoise& noise) {
  keys.number("jitter_ns", noise.jitter_ns, 0, 1e9);
  keys.number("jitter_deg", noise.jitter_deg, 0, 90);
  keys.number("delay_us", noise.delay_us, 0, 1e6);
}

void read_phase(Keys& keys, Phase& phase) {
  keys.require("kind", "rest, crank, run, ramp, sweep, run-down or profile");
  keys.require("duration_s", "seconds");
  std::string kind;
  keys.text("kind", kind);
  const auto* found =
      std::find_if(phase_names.begin(), phase_names.end(), [&](const auto& entry) { return entry.first == kind; });
  if (found == phase_names.end()) {
    keys.fail_at("kind", "expected rest, crank, run, ramp, sweep, run-down or profile, found \"" + kind + "\"");
    return;
  }
  phase.kind = found->second;
  keys.number("duration_s", phase.duration_s, 1e-6, 1e6);
  keys.number("rpm", phase.rpm, 0, 30000);
  phase.rpm_end = phase.rpm;
  keys.number("rpm_end", phase.rpm_end, 0, 30000);
  double accel = 0;
  if (keys.has("accel_rpm_s") && keys.has("rpm_end")) {
    keys.fail_at("accel_rpm_s", "expected either rpm_end or accel_rpm_s");
  }
  keys.number("accel_rpm_s", accel, -1e6, 1e6);
  if (keys.has("accel_rpm_s")) {
    phase.rpm_end = phase.rpm + accel * phase.duration_s;
    if (phase.rpm_end < 0) {
      keys.fail_at("accel_rpm_s", "expected a speed of 0 or more at the end of the phase");
    }
  }
  keys.number("period_s", phase.period_s, 1e-3, 1e6);
  keys.tables("ripple", [&](Keys& inner) {
    Ripple ripple;
    inner.number("order", ripple.order, 1e-3, 100);
    inner.number("amplitude", ripple.amplitude, 0, 0.95);
    inner.number("phase_deg", ripple.phase_deg, -720, 720);
    phase.ripples.push_back(ripple);
  });
  double order = 0;
  keys.number("published_cranking_order", order, 0.5, 16);
  if (order > 0 && (phase.kind != PhaseKind::profile || keys.has("rpm") || keys.has("ripple"))) {
    keys.fail_at("published_cranking_order", "expected kind = \"profile\" and neither rpm nor ripple beside it");
  } else if (order > 0) {
    phase = published_cranking(order, phase.duration_s);
  }
  keys.tables("kick_back", [&](Keys& inner) {
    KickBack kick;
    inner.number("after_s", kick.after_s, 0, 1e6);
    inner.number("advance_deg", kick.advance_deg, 1, 90);
    inner.number("heat_j", kick.heat_j, 0, 1e6);
    phase.kick_back = kick;
  });
}

void read_model(Keys& keys, EngineModel& model) {
  keys.number("bore_mm", model.bore_mm, 1, 2000);
  keys.number("stroke_mm", model.stroke_mm, 1, 5000);
  keys.number("rod_ratio", model.rod_ratio, 1.2, 100);
  keys.number("compression_ratio", model.compression_ratio, 1.01, 40);
  keys.number("reciprocating_kg", model.reciprocating_kg, 0, 1e4);
  keys.number("inertia_kg_m2", model.inertia_kg_m2, 1e-4, 1e6);
  keys.number("friction_nm", model.friction_nm, 0, 1e6);
  keys.number("friction_nm_s", model.friction_nm_s, 0, 1e6);
  model.breakaway_nm = std::max(model.breakaway_nm, model.friction_nm);
  keys.number("breakaway_nm", model.breakaway_nm, 0, 1e6);
  keys.number("starter_stall_nm", model.starter_stall_nm, 0, 1e6);
  keys.number("starter_free_rpm", model.starter_free_rpm, 1, 5000);
  keys.number("polytropic", model.polytropic, 1.01, 2);
  keys.number("closed_deg", model.closed_deg, 60, 180);
  keys.number("ambient_kpa", model.ambient_kpa, 10, 1000);
  keys.number("leak_s", model.leak_s, 0, 1e6);
  keys.number("burn_start_deg", model.burn_start_deg, -90, 90);
  keys.number("burn_deg", model.burn_deg, 1, 180);
  keys.number("burn_scatter", model.burn_scatter, 0, 1);
  keys.number("heat_max_j", model.heat_max_j, 0, 1e7);
  keys.number("governor_s", model.governor_s, 0.01, 100);
  keys.number("step_deg", model.step_deg, 0.01, 10);
  keys.number("step_ms", model.step_ms, 1e-3, 10);
}

void read_crank(Keys& keys, CrankSensor& crank) {
  read_noise(keys, crank.noise);
  keys.number("duty", crank.duty, 0.02, 0.98);
  keys.numbers("pitch_errors_deg", crank.pitch_errors_deg);
  keys.number("pitch_error_sd_deg", crank.pitch_error_sd_deg, 0, 10);
  keys.number("run_out_deg", crank.run_out_deg, -10, 10);
  keys.number("run_out_phase_deg", crank.run_out_phase_deg, -360, 360);
  keys.number("backlash_deg", crank.backlash_deg, 0, 90);
  keys.number("torsion_deg", crank.torsion_deg, 0, 90);
  keys.tables("backwards", [&](Keys& inner) {
    Reluctor reluctor;
    inner.number("threshold_rpm", reluctor.threshold_rpm, -1000, 1000);
    inner.number("noise_rpm", reluctor.noise_rpm, 0, 1000);
    inner.number("fade", reluctor.fade, 0.05, 0.5);
    crank.backwards = reluctor;
  });
}

// Rows of seconds and degrees.
void read_points(Keys& keys, const char* key, std::vector<PhaserPoint>& points) {
  double before_s = -1;
  for (const std::vector<double>& row : keys.rows(key, 2)) {
    if (!keys.failed() && row[0] <= before_s) {
      keys.fail_at(key, "expected rows of seconds and degrees, seconds rising from 0");
    }
    before_s = row[0];
    points.push_back({row[0], row[1]});
  }
}

void read_cam(Keys& keys, CamSensor& cam) {
  keys.require("name", "the name of a cam of the engine file");
  keys.text("name", cam.name);
  read_noise(keys, cam.noise);
  keys.number("width_deg", cam.width_deg, 0, 719);
  keys.number("backlash_deg", cam.backlash_deg, 0, 90);
  keys.number("torsion_deg", cam.torsion_deg, 0, 90);
  keys.number("phase_deg", cam.phase_deg, -360, 360);
  read_points(keys, "phaser", cam.phaser);
}

void read_counter(Keys& keys, EcuCounter& counter) {
  keys.number("jitter_ns", counter.jitter_ns, 0, 1e9);
  keys.number("delay_us", counter.delay_us, 0, 1e6);
  keys.number("threshold_rpm", counter.threshold_rpm, 0, 30000);
  keys.number("gap_ratio", counter.gap_ratio, 1.05, 100);
  keys.integer("good_turns", counter.good_turns, 1, 1000);
  keys.integer("cam_edges", counter.cam_edges, 1, 1000);
  keys.integer("tolerate_teeth", counter.tolerate_teeth, 0, 100);
  keys.number("stopped_s", counter.stopped_s, 0.01, 60);
  keys.number("least_rpm", counter.least_rpm, 0, 1000);
  keys.number("loss_above_rpm", counter.loss_above_rpm, 0, 30000);
  keys.flag("counts_stops", counter.counts_stops);
  keys.number("speed_over_deg", counter.speed_over_deg, 1, 7200);
  keys.number("speed_filter_ms", counter.speed_filter_ms, 0, 1e5);
  keys.integer("speed_teeth", counter.speed_teeth, 1, 1000);
}

constexpr std::array<std::pair<std::string_view, CanLayout>, 3> layout_names = {
    {{"slate", CanLayout::slate}, {"marl", CanLayout::marl}, {"eec1", CanLayout::eec1}}};

void read_layouts(Keys& keys, std::vector<CanLayout>& layouts) {
  if (!keys.has("layouts")) {
    return;
  }
  layouts.clear();
  for (const std::string& name : keys.texts("layouts")) {
    const auto* found =
        std::find_if(layout_names.begin(), layout_names.end(), [&](const auto& entry) { return entry.first == name; });
    if (found == layout_names.end() || std::find(layouts.begin(), layouts.end(), found->second) != layouts.end()) {
      keys.fail_at("layouts", "expected a list of slate, marl and eec1, each at most once");
      return;
    }
    layouts.push_back(found->second);
  }
  if (layouts.empty()) {
    keys.fail_at("layouts", "expected a list of slate, marl and eec1, each at most once");
  }
}

void read_can(Keys& keys, EcuBroadcast& can) {
  constexpr std::size_t interface_longest = 15;  // IFNAMSIZ of Linux
  read_layouts(keys, can.layouts);
  keys.text("interface", can.interface);
  const auto odd = [](char letter) { return letter <= ' ' || letter > '~'; };
  if (can.interface.empty() || can.interface.size() > interface_longest ||
      std::any_of(can.interface.begin(), can.interface.end(), odd)) {
    keys.fail_at("interface", "expected 1 to 15 printable characters without a space");
  }
  keys.number("period_scale", can.period_scale, 0.01, 1000);
  keys.number("latency_ms", can.latency_ms, 0, 1e4);
  keys.number("latency_jitter_ms", can.latency_jitter_ms, 0, 1e4);
  keys.number("bit_rate", can.bit_rate, 10000, 1e6);
  keys.number("bus_load", can.bus_load, 0, 0.9);
  keys.number("clock_offset_s", can.clock_offset_s, 0, 4e9);
  keys.number("clock_skew_ppm", can.clock_skew_ppm, -1000, 1000);
  keys.number("transport_ms", can.transport_ms, 0, 1e4);
  keys.number("transport_jitter_ms", can.transport_jitter_ms, 0, 1e4);
}

void read_spans(Keys& keys, std::string_view key, std::vector<EcuSpan>& spans) {
  for (const std::vector<double>& row : keys.rows(key, 2)) {
    if (!keys.failed() && !(row[0] >= 0 && row[1] > row[0])) {
      keys.fail_at(key, "expected rows of two times in seconds, the second after the first");
    }
    spans.push_back({row[0], row[1]});
  }
}

void read_ecu(Keys& keys, Ecu& ecu) {
  keys.number("error_deg", ecu.error_deg, -360, 360);
  read_points(keys, "drift", ecu.drift);
  keys.number("delay_us", ecu.delay_us, -1e6, 1e6);
  keys.number("jitter_us", ecu.jitter_us, 0, 1e6);
  keys.optional_number("advance_deg", ecu.advance_deg, -360, 360);
  keys.number("dwell_ms", ecu.dwell_ms, 0.01, 1000);
  keys.number("pulse_ms", ecu.pulse_ms, 0.01, 1000);
  keys.number("starts_after_deg", ecu.starts_after_deg, 0, 1e6);
  for (const std::vector<double>& row : keys.rows("advance_table", 2)) {
    if (!keys.failed() && !(std::fabs(row[0]) <= 30000 && std::fabs(row[1]) <= 80)) {
      keys.fail_at("advance_table", "expected rows of rpm and degrees before TDC, -80 to 80");
    }
    ecu.advance_table.push_back({row[0], row[1]});
  }
  read_spans(keys, "spark_cuts", ecu.spark_cuts);
  read_spans(keys, "fuel_cuts", ecu.fuel_cuts);
  keys.tables("counter", [&](Keys& inner) { read_counter(inner, ecu.counter.emplace()); });
  keys.tables("can", [&](Keys& inner) { read_can(inner, ecu.can.emplace()); });
}

void read_fault(Keys& keys, Fault& fault) {
  keys.require("kind", "a kind of fault");
  std::string kind;
  keys.text("kind", kind);
  const auto known = fault_kind_of(kind);
  if (!known) {
    keys.fail_at("kind", "expected a kind of fault as in SCENARIO.md, found \"" + kind + "\"");
    return;
  }
  fault.kind = *known;
  if (keys.has("at_s") == keys.has("cycle")) {
    keys.fail_at("at_s", "expected either at_s, or cycle and angle_deg");
  }
  keys.optional_number("at_s", fault.at_s, 0, 1e6);
  keys.integer("cycle", fault.cycle, 0, 1000000000);
  keys.number("angle_deg", fault.angle_deg, 0, 719.999999);
  keys.optional_number("for_s", fault.for_s, 0, 1e6);
  keys.integer("every_cycles", fault.every_cycles, 0, 1000000);
  keys.integer("tooth", fault.tooth, 0, 100000);
  keys.integer("count", fault.count, 1, 100000);
  keys.number("fraction", fault.fraction, 0.001, 0.999);
  keys.number("width_us", fault.width_us, 0.01, 1e6);
  keys.number("span_deg", fault.span_deg, 0.1, 1e6);
  keys.flag("one_edge", fault.one_edge);
  std::string seen_by(to_string(SeenBy::both));
  keys.text("seen_by", seen_by);
  if (seen_by != "both" && seen_by != "tap" && seen_by != "ecu") {
    keys.fail_at("seen_by", "expected both, tap or ecu");
  }
  fault.seen_by = seen_by == "tap" ? SeenBy::tap : seen_by == "ecu" ? SeenBy::ecu : SeenBy::both;
  keys.text("cam", fault.cam);
  keys.integer("teeth", fault.teeth, -100, 100);
  keys.number("deg", fault.deg, -360, 360);
  keys.number("us", fault.us, -1e6, 1e6);
}

void read_all(Keys& keys, Scenario& scenario) {
  keys.require("engine", "the path of an engine file");
  keys.text("engine", scenario.engine_path);
  keys.integer("seed", scenario.seed, 0, std::numeric_limits<std::int64_t>::max());
  keys.number("start_deg", scenario.start_deg, 0, 719.999999);
  keys.optional_number("start_rpm", scenario.start_rpm, 0, 30000);
  keys.integer("tick_ns", scenario.tick_ns, 1, 1000000000);
  keys.number("sample_deg", scenario.sample_deg, 0.1, 360);
  keys.tables("model", [&](Keys& inner) { read_model(inner, scenario.model); });
  keys.tables("crank", [&](Keys& inner) { read_crank(inner, scenario.crank); });
  keys.tables("cam", [&](Keys& inner) { read_cam(inner, scenario.cams.emplace_back()); });
  keys.tables("ecu", [&](Keys& inner) { read_ecu(inner, scenario.ecu); });
  keys.tables("phase", [&](Keys& inner) { read_phase(inner, scenario.phases.emplace_back()); });
  keys.tables("fault", [&](Keys& inner) { read_fault(inner, scenario.faults.emplace_back()); });
  keys.refuse_unknown();
  keys.require("phase", "at least one [[phase]]");
}

}  // namespace

std::variant<Scenario, ScenarioError> parse_scenario(std::string_view text, std::string_view file_name) {
  if (const auto problem = toml_shape_problem(text, scenario_bytes_max)) {
    return ScenarioError{std::string(file_name) + ":" + std::to_string(problem->line) + ": expected " +
                         problem->expected + ", found " + problem->found};
  }
  toml::table table;
  try {
    table = toml::parse(text, file_name);
  } catch (const toml::parse_error& problem) {
    return ScenarioError{std::string(file_name) + ":" + std::to_string(problem.source().begin.line) +
                         ": not valid TOML: " + one_line(problem.description())};
  }
  Scenario scenario;
  std::string error;
  Keys keys(table, "", file_name, error);
  read_all(keys, scenario);
  if (!error.empty()) {
    return ScenarioError{error};
  }
  const std::filesystem::path folder = std::filesystem::path(file_name).parent_path();
  scenario.engine_path = (folder / scenario.engine_path).lexically_normal().string();
  return scenario;
}

std::variant<Scenario, ScenarioError> load_scenario(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  if (!file || std::filesystem::is_directory(path) || !(text << file.rdbuf())) {
    return ScenarioError{path + ": expected a scenario file that can be read"};
  }
  return parse_scenario(text.str(), path);
}

}  // namespace cw::sim
