#include "simulate/output_files.hpp"

#include <charconv>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <string_view>
#include <system_error>

#include "text/json.hpp"

namespace cw::sim {

namespace {

struct Closer {
  void operator()(std::FILE* file) const { std::fclose(file); }
};

std::optional<std::string> write_file(const std::string& path, std::string_view text) {
  std::unique_ptr<std::FILE, Closer> file(std::fopen(path.c_str(), "wb"));
  if (!file) {
    return path + ": expected a file that can be written";
  }
  const bool written = std::fwrite(text.data(), 1, text.size(), file.get()) == text.size();
  if (std::fclose(file.release()) != 0 || !written) {
    return path + ": could not be written in full, is the disk full?";
  }
  return std::nullopt;
}

double angle(double deg) {
  return std::round(deg * 1e6) / 1e6;
}
double speed(double rpm) {
  return std::round(rpm * 1e4) / 1e4;
}

OrderedJson noise_json(const SensorNoise& noise) {
  return {{"jitter_ns", noise.jitter_ns}, {"jitter_deg", noise.jitter_deg}, {"delay_us", noise.delay_us}};
}

OrderedJson settings_json(const Scenario& scenario) {
  OrderedJson crank = noise_json(scenario.crank.noise);
  crank["duty"] = scenario.crank.duty;
  crank["pitch_error_sd_deg"] = scenario.crank.pitch_error_sd_deg;
  crank["pitch_errors_deg"] = scenario.crank.pitch_errors_deg;
  crank["run_out_deg"] = scenario.crank.run_out_deg;
  crank["backlash_deg"] = scenario.crank.backlash_deg;
  crank["torsion_deg"] = scenario.crank.torsion_deg;
  if (scenario.crank.backwards) {
    crank["backwards"] = {{"threshold_rpm", scenario.crank.backwards->threshold_rpm},
                          {"noise_rpm", scenario.crank.backwards->noise_rpm},
                          {"fade", scenario.crank.backwards->fade}};
  }
  OrderedJson cams = OrderedJson::array();
  for (const CamSensor& sensor : scenario.cams) {
    OrderedJson cam = {{"name", sensor.name}};
    cam.update(noise_json(sensor.noise));
    cam["phase_deg"] = sensor.phase_deg;
    cam["backlash_deg"] = sensor.backlash_deg;
    cam["torsion_deg"] = sensor.torsion_deg;
    cam["phaser"] = OrderedJson::array();
    for (const PhaserPoint& point : sensor.phaser) {
      cam["phaser"].push_back({point.t_s, point.deg});
    }
    cams.push_back(cam);
  }
  const Ecu& ecu = scenario.ecu;
  return {{"tick_ns", scenario.tick_ns},
          {"crank", crank},
          {"cams", cams},
          {"ecu", {{"error_deg", ecu.error_deg}, {"delay_us", ecu.delay_us}, {"jitter_us", ecu.jitter_us}}}};
}

OrderedJson fault_json(const TruthFault& fault) {
  OrderedJson json = {{"kind", fault.kind}, {"t_ns", fault.t_ns}};
  if (fault.end_ns) {
    json["end_ns"] = *fault.end_ns;
  }
  json["cycle"] = fault.cycle;
  json["crank_deg"] = angle(fault.crank_deg);
  json["channel"] = fault.channel;
  if (!fault.cam.empty()) {
    json["cam"] = fault.cam;
  }
  if (fault.tooth) {
    json["tooth"] = *fault.tooth;
  }
  json["count"] = fault.count;
  json["value"] = fault.value;
  if (fault.seen_by != SeenBy::both) {
    json["seen_by"] = to_string(fault.seen_by);
  }
  return json;
}

OrderedJson ecu_json(const std::vector<EcuMoment>& moments) {
  OrderedJson list = OrderedJson::array();
  for (const EcuMoment& moment : moments) {
    OrderedJson entry = {{"t_ns", moment.t_ns}, {"state", to_string(moment.state)}, {"losses", moment.losses}};
    if (!moment.reason.empty()) {
      entry["reason"] = moment.reason;
    }
    list.push_back(entry);
  }
  return list;
}

std::string padded_digits(std::int64_t value, std::size_t width) {
  std::string digits = std::to_string(value);
  return digits.size() < width ? std::string(width - digits.size(), '0') + digits : digits;
}

std::string hex_digits(std::uint64_t value, int width) {
  std::string text;
  for (int i = width - 1; i >= 0; --i) {
    text += "0123456789ABCDEF"[(value >> static_cast<unsigned>(4 * i)) & 0xfU];
  }
  return text;
}

OrderedJson truth_json(const Simulation& simulation, const Scenario& scenario) {
  const Truth& truth = simulation.truth;
  OrderedJson json = {{"engine", truth.engine},
                      {"seed", truth.seed},
                      {"cycle_deg", truth.cycle_deg},
                      {"end_s", truth.end_s},
                      {"channels", simulation.channels},
                      {"edges", simulation.edges.size()},
                      {"settings", settings_json(scenario)}};
  json["faults"] = OrderedJson::array();
  for (const TruthFault& fault : truth.faults) {
    json["faults"].push_back(fault_json(fault));
  }
  if (!truth.ecu.empty()) {
    json["ecu"] = ecu_json(truth.ecu);
    json["frames"] = simulation.frames.size();
  }
  json["faults_not_reached"] = truth.faults_not_reached;
  json["wheel_slips"] = OrderedJson::array();
  for (const AngleStep& slip : truth.wheel_slips) {
    json["wheel_slips"].push_back(
        {{"from_deg", angle(slip.from_deg)}, {"span_deg", angle(slip.span_deg)}, {"by_deg", angle(slip.by_deg)}});
  }
  json["reversals_ns"] = truth.reversals_ns;
  json["tdc1_ns"] = truth.tdc1_ns;
  json["wheel_tdc1_ns"] = truth.wheel_tdc1_ns;
  OrderedJson times = OrderedJson::array();
  OrderedJson angles = OrderedJson::array();
  OrderedJson speeds = OrderedJson::array();
  for (const TruthSample& sample : truth.samples) {
    times.push_back(sample.t_ns);
    angles.push_back(angle(sample.crank_deg));
    speeds.push_back(speed(sample.rpm));
  }
  json["samples"] = {{"t_ns", times}, {"crank_deg_unwrapped", angles}, {"rpm", speeds}};
  return json;
}

}  // namespace

std::optional<std::string> write_edges_csv(const Simulation& simulation, const std::string& path) {
  std::string text = "t_ns,channel,edge\n";
  std::size_t longest = 0;
  for (const std::string& channel : simulation.channels) {
    longest = std::max(longest, channel.size());
  }
  text.reserve(text.size() + simulation.edges.size() * (longest + 16));
  char digits[24];
  for (const SimEdge& edge : simulation.edges) {
    const auto end = std::to_chars(std::begin(digits), std::end(digits), edge.t_ns);
    text.append(digits, end.ptr);
    text += ',';
    text += simulation.channels[edge.channel];
    text += edge.rising ? ",r\n" : ",f\n";
  }
  return write_file(path, text);
}

std::optional<std::string> write_can_log(const Simulation& simulation, const EcuBroadcast& can,
                                         const std::string& path) {
  constexpr std::int64_t us_per_s = 1000000;
  std::string text;
  for (const SimFrame& frame : simulation.frames) {
    text += "(" + padded_digits(frame.stamp_us / us_per_s, 10) + "." + padded_digits(frame.stamp_us % us_per_s, 6) +
            ") " + can.interface + " " + hex_digits(frame.id, frame.extended ? 8 : 3) + "#";
    for (const std::uint8_t byte : frame.data) {
      text += hex_digits(byte, 2);
    }
    text += '\n';
  }
  return write_file(path, text);
}

std::optional<std::string> write_truth_json(const Simulation& simulation, const Scenario& scenario,
                                            const std::string& path) {
  return write_file(path, dump_json(truth_json(simulation, scenario)) + "\n");
}

std::optional<std::string> run_scenario(const Engine& engine, const Scenario& scenario, const std::string& out_dir) {
  if (auto problem = find_problem(engine, scenario)) {
    return problem;
  }
  std::error_code failure;
  std::filesystem::create_directories(out_dir, failure);
  if (failure) {
    return out_dir + ": expected a folder that can be made: " + failure.message();
  }
  const Simulation simulation = simulate(engine, scenario);
  double wanted_s = 0;
  for (const Phase& phase : scenario.phases) {
    wanted_s += phase.duration_s;
  }
  if (simulation.truth.end_s < wanted_s * (1 - 1e-9)) {
    return "[model]: the crank ran away beyond 60000 rpm at " + std::to_string(simulation.truth.end_s) +
           " s, expected torques and an inertia that fit each other";
  }
  const std::filesystem::path folder(out_dir);
  if (auto problem = write_edges_csv(simulation, (folder / "edges.csv").string())) {
    return problem;
  }
  if (scenario.ecu.can) {
    if (auto problem = write_can_log(simulation, *scenario.ecu.can, (folder / "can.log").string())) {
      return problem;
    }
  }
  return write_truth_json(simulation, scenario, (folder / "truth.json").string());
}

}  // namespace cw::sim
