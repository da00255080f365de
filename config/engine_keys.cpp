#include "config/engine_keys.hpp"

#include <algorithm>
#include <array>
#include <cstddef>

#include "config/nearest_word.hpp"

namespace cw {

namespace {

constexpr std::array known_keys = {
    EngineKey{"engine", "name"},
    EngineKey{"engine", "cylinders"},
    EngineKey{"engine", "firing_order"},
    EngineKey{"engine", "firing_angles_deg"},
    EngineKey{"engine", "cycle_deg"},
    EngineKey{"engine", "baseline"},
    EngineKey{"crank", "channel"},
    EngineKey{"crank", "active_edge"},
    EngineKey{"crank", "shaft"},
    EngineKey{"crank", "teeth"},
    EngineKey{"crank", "missing"},
    EngineKey{"crank", "gaps"},
    EngineKey{"crank", "tooth_angles_deg"},
    EngineKey{"crank", "trigger_offset_deg"},
    EngineKey{"crank", "offset_basis"},
    EngineKey{"crank", "delay_us"},
    EngineKey{"cam", "name"},
    EngineKey{"cam", "channel"},
    EngineKey{"cam", "active_edge"},
    EngineKey{"cam", "edges_deg"},
    EngineKey{"cam", "rising_deg"},
    EngineKey{"cam", "falling_deg"},
    EngineKey{"cam", "period_deg"},
    EngineKey{"cam", "phaser_range_deg"},
    EngineKey{"cam", "tolerance_deg"},
    EngineKey{"cam", "gear_teeth"},
    EngineKey{"cam", "crank_gear_teeth"},
    EngineKey{"cam", "moves_with"},
    EngineKey{"cam", "delay_us"},
    EngineKey{"reference", "channel"},
    EngineKey{"reference", "active_edge"},
    EngineKey{"reference", "marks"},
    EngineKey{"reference", "period_deg"},
    EngineKey{"reference", "advance_deg"},
    EngineKey{"reference", "advance_from"},
    EngineKey{"reference", "delay_us"},
    EngineKey{"source", "driver"},
    EngineKey{"source", "address"},
    EngineKey{"source", "channels"},
    EngineKey{"source", "baud"},
    EngineKey{"source", "allow_remote"},
    EngineKey{"source", "least_delay_ms"},
    EngineKey{"source", "least_delay_uncertainty_ms"},
    EngineKey{"can", "map"},
    EngineKey{"can", "interface"},
    EngineKey{"limits", "tdc_warning_deg"},
    EngineKey{"limits", "tdc_fault_deg"},
    EngineKey{"limits", "hysteresis"},
    EngineKey{"limits", "hold_cycles"},
    EngineKey{"limits", "cam_warning_deg"},
    EngineKey{"limits", "margin_warning"},
    EngineKey{"limits", "running_rpm"},
    EngineKey{"limits", "ecu_speed_pct"},
    EngineKey{"limits", "ecu_speed_rpm"},
    EngineKey{"limits", "ecu_advance_deg"},
    EngineKey{"limits", "ecu_cam_deg"},
    EngineKey{"limits", "ecu_hold_ms"},
    EngineKey{"limits", "ecu_latency_ms"},
    EngineKey{"limits", "ecu_stale_ms"},
    EngineKey{"limits", "ecu_silent_ms"},
    EngineKey{"limits", "learn_s"},
    EngineKey{"limits", "tdc_change_deg"},
    EngineKey{"limits", "cam_change_deg"},
    EngineKey{"limits", "cam_warm_up_deg"},
    EngineKey{"limits", "warm_up_s"},
    EngineKey{"limits", "cam_pair_deg"},
    EngineKey{"limits", "cam_target_deg"},
    EngineKey{"limits", "run_out_deg"},
    EngineKey{"limits", "tooth_error_deg"},
    EngineKey{"record", "folder"},
    EngineKey{"record", "mode"},
    EngineKey{"record", "lead_in_s"},
    EngineKey{"record", "after_s"},
    EngineKey{"record", "keep_days"},
    EngineKey{"record", "keep_gib"},
    EngineKey{"record", "free_floor_mib"},
    EngineKey{"record", "report"},
    EngineKey{"serve", "address"},
    EngineKey{"serve", "allow_remote"},
    EngineKey{"serve", "hosts"},
};

struct Section {
  std::string_view name;
  bool repeated;  // [[name]]
};
constexpr std::array sections = {Section{"engine", false},    Section{"crank", false},  Section{"cam", true},
                                 Section{"reference", false}, Section{"source", true},  Section{"can", true},
                                 Section{"limits", false},    Section{"record", false}, Section{"serve", false}};

bool is_known(std::string_view section, std::string_view key) {
  return std::any_of(known_keys.begin(), known_keys.end(),
                     [&](const EngineKey& known) { return known.section == section && known.key == key; });
}

std::string_view nearest_section(std::string_view name) {
  std::array<std::string_view, sections.size()> names;
  std::ranges::transform(sections, names.begin(), &Section::name);
  return nearest_word(name, names);
}

// "[crank]" or "[[cam]]".
std::string heading(std::string_view name) {
  const bool repeated = std::any_of(sections.begin(), sections.end(),
                                    [&](const Section& section) { return section.name == name && section.repeated; });
  return repeated ? "[[" + std::string(name) + "]]" : "[" + std::string(name) + "]";
}

void check_section_keys(const toml::table& table, std::string_view section, const std::string& path,
                        Complaints& complaints) {
  for (const auto& [key, value] : table) {
    if (!is_known(section, key.str())) {
      const auto line = static_cast<int>(key.source().begin.line);
      complaints.add(std::max(line, 1), path + "." + printable(key.str()),
                     "a known key (nearest: " + nearest_engine_key(section, key.str()) + ")", "an unknown one");
    }
  }
}

void check_repeated_section(const toml::node& node, std::string_view name, Complaints& complaints) {
  const toml::array* entries = node.as_array();
  if (entries == nullptr) {
    complaints.add(line_of(node), name, "one or more sections [[" + std::string(name) + "]]", found_text(&node));
    return;
  }
  for (std::size_t i = 0; i < entries->size(); ++i) {
    const std::string path = std::string(name) + "[" + std::to_string(i + 1) + "]";
    const toml::table* table = entries->get_as<toml::table>(i);
    if (table == nullptr) {
      complaints.add(line_of(*entries->get(i)), path, "a section [[" + std::string(name) + "]]",
                     found_text(entries->get(i)));
      return;
    }
    check_section_keys(*table, name, path, complaints);
  }
}

}  // namespace

std::span<const EngineKey> engine_keys() {
  return known_keys;
}

std::string nearest_engine_key(std::string_view section, std::string_view key) {
  std::size_t best_distance = SIZE_MAX;
  const EngineKey* best = nullptr;
  for (const EngineKey& known : known_keys) {
    // Twice the distance, one more for another section: of two that are as near, the one of this section wins.
    const std::size_t distance = 2 * edit_distance(key, known.key) + (known.section == section ? 0 : 1);
    if (distance < best_distance) {
      best_distance = distance;
      best = &known;
    }
  }
  const std::string name(best->key);
  return best->section == section ? name : name + " in " + heading(best->section);
}

void check_engine_keys(const toml::table& root, Complaints& complaints) {
  for (const auto& [key, value] : root) {
    const std::string_view name = key.str();
    const auto* section =
        std::find_if(sections.begin(), sections.end(), [&](const Section& known) { return known.name == name; });
    if (section == sections.end()) {
      const auto line = static_cast<int>(key.source().begin.line);
      const bool is_section = value.is_table() || value.is_array_of_tables();
      const std::string nearest = is_section ? heading(nearest_section(name)) : nearest_engine_key("", name);
      complaints.add(std::max(line, 1), printable(name), "a known section or key (nearest: " + nearest + ")",
                     "an unknown one");
    } else if (section->repeated) {
      check_repeated_section(value, name, complaints);
    } else if (const toml::table* table = value.as_table(); table != nullptr) {
      check_section_keys(*table, name, std::string(name), complaints);
    } else {
      complaints.add(line_of(value), name, "one section [" + std::string(name) + "]", found_text(&value));
    }
  }
}

}  // namespace cw
