#include "streams.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <numbers>
#include <vector>

#include "config/engine_file.hpp"

namespace cw::bench {

namespace {

constexpr std::array<Case, 8> all_cases = {{
    {"clean_60_2_at_6000_rpm", "teeth = 60\nmissing = 2\n", 6000, 0.01, 1000, false, 0},
    {"clean_60_2_at_6000_rpm_both_edges", "teeth = 60\nmissing = 2\n", 6000, 0.01, 1000, true, 0},
    {"clean_36_1_at_6000_rpm", "teeth = 36\nmissing = 1\n", 6000, 0.01, 1000, false, 0},
    {"three_gaps_at_3000_rpm", "teeth = 36\ngaps = [[13, 2], [16, 2], [34, 2]]\n", 3000, 0.02, 1000, false, 0},
    {"faults_60_2_at_3000_rpm", "teeth = 60\nmissing = 2\n", 3000, 0.02, 3000, false, 400},
    {"many_faults_60_2_at_3000_rpm", "teeth = 60\nmissing = 2\n", 3000, 0.02, 3000, false, 90},
    {"cranking_60_2_at_150_rpm", "teeth = 60\nmissing = 2\n", 150, 0.45, 5000, false, 0},
    {"three_cam_edges_36_2_at_6000_rpm", "teeth = 36\nmissing = 2\n", 6000, 0.01, 1000, false, 0, "62.0, 242.0, 602.0"},
}};

constexpr const char* engine_head = R"([engine]
name = "bench"
cylinders = 4
firing_order = [1, 3, 4, 2]
[crank]
channel = "crank"
active_edge = "falling"
trigger_offset_deg = 114.0
offset_basis = "verified-mark"
)";
constexpr const char* engine_tail = R"(
[[cam]]
name = "intake"
channel = "cam1"
active_edge = "falling"
edges_deg = [CAM_EDGES]
[reference]
channel = "ref"
active_edge = "falling"
marks = "spark"
advance_deg = 10.0
)";

enum Channel : std::uint8_t { crank, cam1, ref };

struct Feature {
  double deg = 0;  // crank angle in the cycle
  Channel channel = crank;
  EdgeCode code = EdgeCode::falling;
};

std::vector<Feature> features_of(const Case& what, const Engine& engine) {
  std::vector<Feature> features;
  const auto add = [&](double deg, Channel channel) {
    const double place = std::fmod(deg + engine.cycle_deg, engine.cycle_deg);
    features.push_back({place, channel, EdgeCode::falling});
    if (what.both_edges) {
      constexpr double width_deg = 2.5;
      features.push_back(
          {std::fmod(place + engine.cycle_deg - width_deg, engine.cycle_deg), channel, EdgeCode::rising});
    }
  };
  for (double turn_deg = 0; turn_deg < engine.cycle_deg; turn_deg += engine.crank.period_deg) {
    for (const WheelTooth& tooth : engine.crank.teeth) {
      add(engine.cycle_deg - engine.crank.trigger_offset_deg + turn_deg + tooth.angle_deg, crank);
    }
  }
  for (const CamEdge& edge : engine.cams.front().edges) {
    add(edge.angle_deg, cam1);
  }
  add(-engine.reference->advance_deg, ref);
  std::sort(features.begin(), features.end(), [](const Feature& a, const Feature& b) { return a.deg < b.deg; });
  return features;
}

// Puts items in order and numbers them.
class Writer {
 public:
  explicit Writer(ItemBuffer& out) : out_(out) {
    for (const Channel channel : {crank, cam1, ref}) {
      name(channel, channel_names.at(channel));
    }
  }

  void name(Channel channel, std::string_view text) {
    Item item = stamped(ItemKind::link_note, 0);
    item.code = static_cast<std::uint8_t>(LinkNote::channel_named);
    item.channel = channel;
    out_.add_with_payload(item, std::as_bytes(std::span(text)));
  }
  void edge(Channel channel, EdgeCode code, std::int64_t t_ns) {
    constexpr std::int64_t tick_ns = 100'000'000;
    for (; next_tick_ns_ <= t_ns; next_tick_ns_ += tick_ns) {
      out_.items.push_back(stamped(ItemKind::tick, next_tick_ns_));
    }
    Item item = stamped(ItemKind::edge, t_ns);
    item.channel = channel;
    item.code = static_cast<std::uint8_t>(code);
    out_.items.push_back(item);
  }

 private:
  Item stamped(ItemKind kind, std::int64_t t_ns) {
    Item item;
    item.kind = kind;
    item.source_ns = t_ns;
    item.host_ns = t_ns;
    item.sequence = next_sequence_++;
    return item;
  }
  ItemBuffer& out_;
  std::uint64_t next_sequence_ = 0;
  std::int64_t next_tick_ns_ = 100'000'000;
};

// Evenly spread over -1 to 1: the multiplier of Knuth's MMIX generator (from memory), upper bits taken.
class Noise {
 public:
  double next() {
    state_ = state_ * 6364136223846793005ULL + 1442695040888963407ULL;
    constexpr unsigned kept_bits = 31;
    return std::ldexp(static_cast<double>(state_ >> (64 - kept_bits)), 1 - static_cast<int>(kept_bits)) - 1;
  }

 private:
  std::uint64_t state_ = 1;
};

}  // namespace

std::span<const Case> cases() {
  return all_cases;
}

const Case* find_case(std::string_view name) {
  const auto* found =
      std::find_if(all_cases.begin(), all_cases.end(), [&](const Case& one) { return one.name == name; });
  return found == all_cases.end() ? nullptr : found;
}

std::string engine_text_of(const Case& what) {
  constexpr std::string_view cam_edges = "CAM_EDGES";
  std::string tail = engine_tail;
  tail.replace(tail.find(cam_edges), cam_edges.size(), what.cam_edges_deg);
  return engine_head + std::string(what.wheel) + tail;
}

Engine engine_of(const Case& what) {
  const auto engine = parse_engine(engine_text_of(what), "bench.toml");
  if (const auto* error = std::get_if<ConfigError>(&engine)) {
    std::fprintf(stderr, "%s\n", error->message.c_str());
    std::exit(2);
  }
  return std::get<Engine>(engine);
}

Stream stream_of(const Case& what, const Engine& engine, double seconds) {
  Stream stream;
  Writer writer(stream.items);
  for_each_edge(what, engine, seconds, [&](std::uint8_t channel, EdgeCode code, std::int64_t t_ns) {
    writer.edge(static_cast<Channel>(channel), code, t_ns);
    ++stream.edges;
  });
  return stream;
}

void for_each_batch(const Case& what, const Engine& engine, double seconds, const BatchSink& sink) {
  constexpr std::size_t batch_items = 32768;
  ItemBuffer items;
  Writer writer(items);
  for_each_edge(what, engine, seconds, [&](std::uint8_t channel, EdgeCode code, std::int64_t t_ns) {
    writer.edge(static_cast<Channel>(channel), code, t_ns);
    if (items.items.size() >= batch_items) {
      sink(items);
      items.clear();
    }
  });
  sink(items);
}

void for_each_edge(const Case& what, const Engine& engine, double seconds, const EdgeSink& sink) {
  std::int64_t last_ns = 0;
  const auto put = [&](Channel channel, EdgeCode code, std::int64_t t_ns) {
    last_ns = std::max(t_ns, last_ns + 1);  // jitter never turns two edges round
    sink(channel, code, last_ns);
  };
  const std::vector<Feature> features = features_of(what, engine);
  Noise noise;
  constexpr double deg_per_s_per_rpm = 6;
  constexpr double ns_per_s = 1e9;
  double t_ns = 1e6;
  double deg = 0;
  int teeth = 0;
  for (std::size_t i = 0; t_ns < seconds * ns_per_s; i = (i + 1) % features.size()) {
    const Feature& feature = features[i];
    const double step_deg = feature.deg >= deg ? feature.deg - deg : feature.deg + engine.cycle_deg - deg;
    const double middle_rad = (deg + step_deg / 2) * std::numbers::pi / 180;
    const double rpm = what.rpm * (1 + what.ripple * std::cos(2 * middle_rad));
    const double step_ns = step_deg / (deg_per_s_per_rpm * rpm) * ns_per_s;
    t_ns += step_ns;
    deg = feature.deg;
    teeth += feature.channel == crank ? 1 : 0;
    const bool fault = what.fault_every_teeth > 0 && feature.channel == crank && teeth % what.fault_every_teeth == 0;
    if (fault && (teeth / what.fault_every_teeth) % 2 == 0) {
      continue;  // a tooth that gives no edge
    }
    if (fault) {
      put(crank, feature.code, std::llround(t_ns - 0.4 * step_ns));
    }
    put(feature.channel, feature.code, std::llround(t_ns + what.jitter_ns * noise.next()));
  }
}

void add_csv_row(std::string& text, std::uint8_t channel, EdgeCode code, std::int64_t t_ns) {
  text += std::to_string(t_ns);
  text += ',';
  text += channel_names.at(channel);
  text += code == EdgeCode::rising ? ",r\n" : ",f\n";
}

std::string csv_of(const Stream& stream) {
  std::string text(csv_header);
  for (const Item& item : stream.items.items) {
    if (item.kind == ItemKind::edge) {
      add_csv_row(text, item.channel, static_cast<EdgeCode>(item.code), item.source_ns);
    }
  }
  return text;
}

std::string vcd_of(const Stream& stream) {
  std::string text =
      "$timescale 1 ns $end\n$var wire 1 ! crank $end\n$var wire 1 \" cam1 $end\n$var wire 1 # ref $end\n"
      "$enddefinitions $end\n$dumpvars\n0!\n0\"\n0#\n$end\n";
  std::array<char, 3> levels = {'0', '0', '0'};
  for (const Item& item : stream.items.items) {
    if (item.kind == ItemKind::edge) {
      char& level = levels.at(item.channel);
      level = level == '0' ? '1' : '0';
      text += "#" + std::to_string(item.source_ns) + "\n";
      text += {level, static_cast<char>('!' + item.channel), '\n'};
    }
  }
  return text;
}

}  // namespace cw::bench
