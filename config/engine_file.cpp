#include "config/engine_file.hpp"

#include <toml++/toml.h>
#include <algorithm>

#include <optional>
#include <utility>
#include <vector>

#include "config/engine_keys.hpp"
#include "config/file_shape.hpp"
#include "config/sections.hpp"
#include "config/table_reader.hpp"
#include "config/text_file.hpp"

namespace cw {

namespace {

// The section `name`; an empty one, complained of, when the file lacks it.
const toml::table& required_section(const toml::table& root, const char* name, Complaints& complaints) {
  static const toml::table none;
  const toml::table* found = root.get_as<toml::table>(name);
  if (found == nullptr) {
    complaints.add(1, name, "a section [" + std::string(name) + "]", "nothing");
    return none;
  }
  return *found;
}

// The tables of [[name]], at most `count_max`.
std::vector<TableReader> entries(const toml::table& root, const std::string& name, std::size_t count_max,
                                 Complaints& complaints) {
  std::vector<TableReader> readers;
  const toml::array* tables = root.get_as<toml::array>(name);
  for (std::size_t i = 0; tables != nullptr && i < tables->size(); ++i) {
    readers.emplace_back(*tables->get_as<toml::table>(i), name + "[" + std::to_string(i + 1) + "]", complaints);
  }
  if (readers.size() > count_max) {
    complaints.add(readers.at(count_max).line(), name,
                   "at most " + std::to_string(count_max) + " sections [[" + name + "]]",
                   std::to_string(readers.size()));
  }
  return readers;
}

void read_cams(const toml::table& root, Engine& engine, std::vector<ChannelUse>& uses, Complaints& complaints) {
  std::vector<int> name_lines;
  for (const TableReader& in : entries(root, "cam", cams_max, complaints)) {
    CamPattern cam = read_cam_section(in, engine.cycle_deg);
    if (!in.has("channel")) {
      in.complain("channel", "the channel of this cam's sensor");
    }
    cam.channel = read_channel(in, "", "cam " + printable(cam.name), uses);
    for (std::size_t i = 0; i < engine.cams.size(); ++i) {
      if (engine.cams[i].name == cam.name) {
        in.complain("name", "a name of its own for each cam",
                    '"' + printable(cam.name) + "\" a second time (line " + std::to_string(name_lines[i]) + ")");
      }
    }
    name_lines.push_back(in.line("name"));
    engine.cams.push_back(std::move(cam));
  }
}

void check_pairs(const toml::table& root, const Engine& engine, Complaints& complaints) {
  const std::vector<TableReader> readers = entries(root, "cam", cams_max, complaints);
  for (std::size_t i = 0; i < engine.cams.size(); ++i) {
    const std::string& other = engine.cams[i].moves_with;
    const bool known =
        std::any_of(engine.cams.begin(), engine.cams.end(), [&](const CamPattern& cam) { return cam.name == other; });
    if (!other.empty() && (!known || other == engine.cams[i].name)) {
      readers[i].complain("moves_with", "the name of another [[cam]]", '"' + printable(other) + '"');
    }
  }
}

// Crank, cams and reference are compared by one clock, so they must come from one device.
void check_one_device(const std::vector<TableReader>& readers, const std::vector<SourceSpec>& sources) {
  int first = -1;
  for (std::size_t i = 0; i < sources.size(); ++i) {
    if (sources[i].channels.empty()) {
      continue;
    }
    if (first >= 0) {
      readers[i].complain("channels", "crank, cams and reference from one device, as they share its clock",
                          "channels from a second one (the first: line " +
                              std::to_string(readers[static_cast<std::size_t>(first)].line("channels")) + ")");
      return;
    }
    first = static_cast<int>(i);
  }
}

Engine read_engine(const toml::table& root, Complaints& complaints) {
  Engine engine;
  std::vector<ChannelUse> uses;
  read_engine_section(TableReader(required_section(root, "engine", complaints), "engine", complaints), engine);
  const TableReader crank(required_section(root, "crank", complaints), "crank", complaints);
  engine.crank = read_crank_section(crank, engine.cycle_deg);
  engine.crank.channel = read_channel(crank, "crank", "the crank wheel", uses);
  read_cams(root, engine, uses, complaints);
  check_pairs(root, engine, complaints);
  if (const toml::table* table = root.get_as<toml::table>("reference"); table != nullptr) {
    const TableReader reference(*table, "reference", complaints);
    engine.reference = read_reference_section(reference, engine.cycle_deg);
    engine.reference->channel = read_channel(reference, "ref", "the reference", uses);
  }
  const std::vector<TableReader> sources = entries(root, "source", sources_max, complaints);
  for (const TableReader& in : sources) {
    engine.sources.push_back(read_source_section(in, uses));
  }
  check_one_device(sources, engine.sources);
  for (const TableReader& in : entries(root, "can", can_maps_max, complaints)) {
    engine.can.push_back(read_can_section(in));
  }
  if (const toml::table* table = root.get_as<toml::table>("limits"); table != nullptr) {
    engine.limits = read_limits_section(TableReader(*table, "limits", complaints));
  }
  if (const toml::table* table = root.get_as<toml::table>("record"); table != nullptr) {
    engine.record = read_record_section(TableReader(*table, "record", complaints));
  }
  if (const toml::table* table = root.get_as<toml::table>("serve"); table != nullptr) {
    engine.serve = read_serve_section(TableReader(*table, "serve", complaints));
  }
  return engine;
}

}  // namespace

std::variant<Engine, ConfigError> parse_engine(std::string_view text, std::string_view file_name) {
  Complaints complaints(file_name);
  const std::optional<toml::table> root = parse_toml(text, complaints);
  if (root) {
    check_engine_keys(*root, complaints);
  }
  if (!complaints.empty()) {
    return ConfigError{complaints.first()};
  }
  Engine engine = read_engine(*root, complaints);
  if (!complaints.empty()) {
    return ConfigError{complaints.first()};
  }
  return engine;
}

std::variant<Engine, ConfigError> load_engine(const std::string& path) {
  auto text = read_text_file(path, "engine file", engine_file_bytes_max);
  if (auto* error = std::get_if<ConfigError>(&text)) {
    return std::move(*error);
  }
  return parse_engine(std::get<std::string>(text), path);
}

}  // namespace cw
