#include "cli/learn_command.hpp"

#include <algorithm>
#include <charconv>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <variant>

#include "cli/check_page.hpp"
#include "cli/raw_edges.hpp"
#include "config/engine_file.hpp"
#include "learn/learn.hpp"
#include "text/json.hpp"

namespace cw {

namespace {

using learn::FoundCam;
using learn::Known;
using learn::Learned;

std::optional<std::vector<int>> wholes_of(const std::string& text) {
  std::vector<int> values;
  const char* at = text.data();
  const char* const end = at + text.size();
  while (at != end) {
    int value = 0;
    const auto read = std::from_chars(at, end, value);
    const bool more = read.ptr != end;
    if (read.ec != std::errc() || (more && (*read.ptr != ',' || read.ptr + 1 == end))) {
      return std::nullopt;
    }
    values.push_back(value);
    at = read.ptr + (more ? 1 : 0);
  }
  return values;
}

bool is_firing_order(const std::vector<int>& order) {
  std::vector<int> sorted = order;
  std::sort(sorted.begin(), sorted.end());
  for (std::size_t i = 0; i < sorted.size(); ++i) {
    if (sorted[i] != static_cast<int>(i) + 1) {
      return false;
    }
  }
  return !order.empty() && order.front() == 1;
}

// An error line, or what the user knows.
std::variant<Known, std::string> known_of(const LearnOptions& options) {
  Known known;
  known.cylinders = options.cylinders;
  const auto order = wholes_of(options.firing_order);
  const auto wanted = order && known.cylinders ? static_cast<std::size_t>(*known.cylinders) : order ? order->size() : 0;
  if (!options.firing_order.empty() && (!order || !is_firing_order(*order) || order->size() != wanted)) {
    return "--firing-order: expected each cylinder once, cylinder 1 first, for example 1,3,4,2, found \"" +
           options.firing_order + "\"";
  }
  known.firing_order = *order;
  if (!known.cylinders && !order->empty()) {
    known.cylinders = static_cast<int>(order->size());
  }
  known.two_stroke = options.two_stroke;
  known.wheel = options.wheel;
  known.reference = options.reference;
  known.advance_deg = options.advance_deg;
  if (!options.reference_edge.empty()) {
    known.reference_edge = options.reference_edge == "rising" ? ActiveEdge::rising : ActiveEdge::falling;
  }
  known.trigger_offset_deg = options.trigger_offset_deg;
  if (known.advance_deg && known.reference.empty()) {
    return std::string("--advance: expected --reference CHANNEL with it");
  }
  return known;
}

std::string refuse_channel(const RawEdges& edges, const std::string& option, const std::string& name) {
  const bool there = std::any_of(edges.channels.begin(), edges.channels.end(),
                                 [&](const learn::Channel& channel) { return channel.name == name; });
  if (name.empty() || there) {
    return "";
  }
  std::string names;
  for (const learn::Channel& channel : edges.channels) {
    names += (names.empty() ? "" : ", ") + channel.name;
  }
  return option + ": expected a channel of the input (" + names + "), found \"" + name + "\"";
}

std::string refuse_channels(const RawEdges& edges, const Known& known) {
  const std::string wheel = refuse_channel(edges, "--wheel", known.wheel);
  return wheel.empty() ? refuse_channel(edges, "--reference", known.reference) : wheel;
}

std::string range_words(const std::vector<learn::FoundEdge>& edges) {
  std::string text;
  for (const learn::FoundEdge& edge : edges) {
    text += (text.empty() ? "" : ", ") + plain_number(edge.angle_deg);
  }
  return text;
}

void say_wheel(const Learned& learned, Page& page) {
  const learn::FoundWheel& wheel = *learned.wheel;
  page.entry("Crank", "channel " + wheel.channel + ": " + learn::wheel_words(wheel) + ", looked at at " +
                          plain_number(std::round(wheel.rpm)) + " rpm.");
  page.point(wheel.margin > 12 ? "No other wheel explains these edges nearly as well."
                               : "Another wheel explains them less well, but not hopelessly: look at the wheel.");
  page.point(wheel.edge_by_choice
                 ? "Falling and rising edges are as steady: which of them the ECU uses can't be told from here."
                 : std::string(wheel.edge == ActiveEdge::rising ? "Rising" : "Falling") +
                       " edges are the steadier ones.");
  if (!wheel.shaft_sure) {
    page.point(
        "Whether it turns with the crank or the cam is a guess; --cylinders lets the ripple of the engine tell.");
  }
}

void say(const Learned& learned, const Known& known, std::ostream& out) {
  Page page(terminal_look(), out);
  if (learned.wheel) {
    say_wheel(learned, page);
  }
  for (const FoundCam& cam : learned.cams) {
    page.entry(cam.index ? "Index" : "Cam", "channel " + cam.channel + ": " + std::to_string(cam.edges.size()) +
                                                (cam.edges.size() == 1 ? " edge" : " edges") + " a cycle, at " +
                                                range_words(cam.edges) + "° after the reference tooth.");
  }
  if (learned.reference) {
    page.entry("Reference", "channel " + learned.reference->channel + ": " +
                                plain_number(learned.reference->at.angle_deg) + "° after the reference tooth, every " +
                                plain_number(learned.reference->period_deg) + "°.");
  }
  for (const std::string& one : learned.unused) {
    page.entry("Not used", one + ".");
  }
  for (const std::string& one : learned.remarks) {
    page.entry("Note", one);
  }
  if (!learned.cycle_sure) {
    page.entry("Cycle", "No cam tells the two turns of a cycle apart: positions are known within a turn only.");
  }
  page.entry("Can't know",
             std::string(learned.offset_known
                             ? ""
                             : "where top dead centre is (trigger_offset_deg is a placeholder: measure it); ") +
                 (known.firing_order.empty() && known.cylinders.value_or(2) > 1 ? "the firing order; " : "") +
                 "which turn is cylinder 1's compression; whether wheel and cams stand as the maker "
                 "meant. The file is as found, not as correct.");
}

Json edges_json(const std::vector<learn::FoundEdge>& edges) {
  Json list = Json::array();
  for (const learn::FoundEdge& edge : edges) {
    list.push_back({{"angle_deg", edge.angle_deg},
                    {"uncertainty_deg", edge.uncertain_deg},
                    {"scatter_deg", edge.scatter_deg},
                    {"edge", edge.edge == ActiveEdge::rising ? "rising" : "falling"}});
  }
  return list;
}

Json wheel_json(const learn::FoundWheel& wheel) {
  return {{"channel", wheel.channel},
          {"words", learn::wheel_words(wheel)},
          {"active_edge", wheel.edge == ActiveEdge::rising ? "rising" : "falling"},
          {"either_edge", wheel.edge_by_choice},
          {"shaft", wheel.shaft == WheelShaft::cam ? "cam" : "crank"},
          {"shaft_sure", wheel.shaft_sure},
          {"angles_deg", wheel.angles_deg},
          {"uncertainty_deg", wheel.uncertain_deg},
          {"margin", wheel.margin},
          {"rpm", wheel.rpm}};
}

void print_json(const Learned& learned, const std::string& toml, std::ostream& out) {
  Json all = {{"found", learned.problem.empty()}, {"cycle_sure", learned.cycle_sure}};
  all["problem"] = learned.problem;
  all["unused"] = learned.unused;
  all["remarks"] = learned.remarks;
  if (learned.wheel) {
    all["crank"] = wheel_json(*learned.wheel);
  }
  all["cams"] = Json::array();
  for (const FoundCam& cam : learned.cams) {
    all["cams"].push_back({{"channel", cam.channel},
                           {"index", cam.index},
                           {"either_edge", cam.edge_by_choice},
                           {"edges", edges_json(cam.edges)}});
  }
  if (learned.reference) {
    all["reference"] = {{"channel", learned.reference->channel},
                        {"period_deg", learned.reference->period_deg},
                        {"at", edges_json({learned.reference->at})}};
  }
  if (learned.problem.empty()) {
    all["trigger_offset_known"] = learned.offset_known;
    all["trigger_offset_deg"] = learned.trigger_offset_deg;
    all["engine_file"] = toml;
  }
  out << dump_json(all) << '\n';
}

ExitCode complain(ExitCode code, const std::string& line) {
  std::cerr << "crankwitness: " << line << '\n';
  return code;
}

// A new file, all or nothing.
bool write_new(const std::string& path, const std::string& text) {
  std::ofstream file(path, std::ios::binary);
  file << text;
  file.close();
  return static_cast<bool>(file);
}

ExitCode hand_out(const LearnOptions& options, const Learned& learned, const std::string& toml) {
  if (!options.out.empty() && !write_new(options.out, toml)) {
    return complain(ExitCode::cannot_write, options.out + ": cannot write the engine file");
  }
  if (options.json) {
    print_json(learned, toml, std::cout);
  } else if (options.out.empty()) {
    std::cout << toml;
  }
  std::cout.flush();
  return std::cout ? ExitCode::done : ExitCode::cannot_write;
}

std::string list_of(const std::vector<std::string>& paths) {
  std::string text;
  for (const std::string& path : paths) {
    text += (text.empty() ? "" : ", ") + std::filesystem::path(path).filename().string();
  }
  std::replace_if(
      text.begin(), text.end(), [](char c) { return static_cast<unsigned char>(c) < 0x20; }, '?');
  return text;
}

}  // namespace

ExitCode learn_command(const LearnOptions& options) {
  const auto wanted = known_of(options);
  if (const auto* error = std::get_if<std::string>(&wanted)) {
    return complain(ExitCode::usage, *error);
  }
  const auto& known = std::get<Known>(wanted);
  std::error_code ignored;
  if (!options.out.empty() && std::filesystem::exists(options.out, ignored)) {
    return complain(ExitCode::cannot_write, options.out + ": expected a new file, found one that exists");
  }
  const auto read = read_raw_edges(options.inputs);
  if (const auto* error = std::get_if<std::string>(&read)) {
    return complain(ExitCode::bad_input, *error);
  }
  const auto& edges = std::get<RawEdges>(read);
  if (!edges.trouble.empty()) {
    std::cerr << "crankwitness: " << edges.trouble << '\n';
  }
  if (const std::string problem = refuse_channels(edges, known); !problem.empty()) {
    return complain(ExitCode::usage, problem);
  }
  const Learned learned = learn::learn(edges.channels, known);
  say(learned, known, std::cerr);
  if (!learned.problem.empty()) {
    if (options.json) {
      print_json(learned, "", std::cout);
    }
    return complain(ExitCode::nothing, "nothing convincing was found: " + learned.problem);
  }
  const std::string toml = learn::engine_toml(learned, known, list_of(options.inputs));
  const auto checked = parse_engine(toml, "the proposed file");
  if (const auto* error = std::get_if<ConfigError>(&checked)) {
    return complain(ExitCode::nothing, "what was found makes no engine file: " + error->message);
  }
  const ExitCode code = hand_out(options, learned, toml);
  return code == ExitCode::done && !edges.trouble.empty() ? ExitCode::bad_input : code;
}

}  // namespace cw
