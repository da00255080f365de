#include "report/finding_words.hpp"

#include <algorithm>
#include <array>
#include <boost/algorithm/string/join.hpp>
#include <cmath>
#include <string_view>
#include <utility>
#include <vector>

#include "record/observation_text.hpp"

namespace cw {

std::string fixed(double value, int decimals) {
  std::string out;
  return append_fixed(out, value, decimals) ? out : "?";
}

std::string signed_fixed(double value, int decimals) {
  const std::string number = fixed(value, decimals);
  return number.front() == '-' ? number : "+" + number;
}

std::string count_of(std::uint64_t count, const std::string& one, const std::string& many) {
  return std::to_string(count) + " " + (count == 1 ? one : many);
}

std::string attribution_words(Attribution attribution) {
  static constexpr std::array<const char*, 7> words = {"",    "sensor or wiring", "crank wheel", "cam drive",
                                                       "ECU", "capture link",     "undecided"};
  return words.at(static_cast<std::size_t>(attribution));
}

// "missed-edge" -> "Missed edge". The kinds are plain words already.
std::string kind_words(FindingKind kind) {
  std::string words(to_string(kind));
  std::replace(words.begin(), words.end(), '-', ' ');
  static constexpr std::array<std::pair<const char*, const char*>, 2> capitals = {std::pair{"tdc", "TDC"},
                                                                                  std::pair{"ecu", "ECU"}};
  for (const auto& [small, large] : capitals) {
    if (words.rfind(small, 0) == 0) {
      words.replace(0, 3, large);
      return words;
    }
  }
  words[0] = static_cast<char>(words[0] - 'a' + 'A');
  return words;
}

std::string place_in_words(const Finding& finding) {
  std::vector<std::string> parts;
  if (!finding.channel.empty()) {
    parts.push_back(finding.channel);
  }
  if (finding.tooth) {
    parts.push_back("tooth " + std::to_string(*finding.tooth));
  }
  if (finding.angle_deg) {
    parts.push_back(fixed(*finding.angle_deg, 1) + " deg after TDC1");
  }
  if (finding.rpm) {
    parts.push_back(fixed(*finding.rpm, 0) + " rpm");
  }
  if (finding.cycle) {
    parts.push_back("cycle " + std::to_string(*finding.cycle));
  }
  if (finding.count > 1) {
    parts.push_back(std::to_string(finding.count) + " alike");
  }
  return boost::algorithm::join(parts, ", ");
}

// "step_deg", 17.137 -> "step 17.14 deg"; whole numbers, as counts are, without decimals.
std::string value_in_words(const std::string& name, double value) {
  struct Unit {
    std::string_view in_name;
    std::string_view written;
  };
  static constexpr std::array<Unit, 10> units = {{{"deg", "deg"},
                                                  {"ms", "ms"},
                                                  {"us", "us"},
                                                  {"ns", "ns"},
                                                  {"s", "s"},
                                                  {"rpm", "rpm"},
                                                  {"pct", "%"},
                                                  {"v", "V"},
                                                  {"degc", "degC"},
                                                  {"kpa", "kPa"}}};
  const std::size_t cut = name.rfind('_');
  const std::string last = cut == std::string::npos ? "" : name.substr(cut + 1);
  const auto* const unit =
      std::find_if(units.begin(), units.end(), [&last](const Unit& known) { return known.in_name == last; });
  const bool has_unit = unit != units.end();
  std::string words = has_unit ? name.substr(0, cut) : name;
  std::replace(words.begin(), words.end(), '_', ' ');
  const bool whole = !has_unit && std::fabs(value - std::round(value)) < 0.0005;
  return words + " " + fixed(value, whole ? 0 : 2) + (has_unit ? " " + std::string(unit->written) : "");
}

std::string values_in_words(const Finding& finding) {
  std::vector<std::string> parts;
  for (const auto& [name, value] : finding.values) {
    if (name != "strict_counter_lost") {  // the reason says it in words
      parts.push_back(value_in_words(name, value));
    }
  }
  return boost::algorithm::join(parts, ", ");
}

std::string phase_in_words(const Finding& finding) {
  const bool says_it_itself = finding.kind == FindingKind::sync_lost || finding.kind == FindingKind::sync_regained;
  if (says_it_itself || finding.phase == FindingPhase::single) {
    return "";
  }
  return finding.phase == FindingPhase::open ? ", begins" : ", over";
}

std::string as_a_sentence(std::string text) {
  if (!text.empty() && text[0] >= 'a' && text[0] <= 'z') {
    text[0] = static_cast<char>(text[0] - 'a' + 'A');
  }
  return text.empty() || text.back() == '.' ? text : text + ".";
}

std::string mean_in_words(const RunningMean& mean) {
  return signed_fixed(mean.mean(), 2) + " deg, standard deviation " + fixed(mean.deviation(), 2) + ", from " +
         signed_fixed(mean.least(), 2) + " to " + signed_fixed(mean.greatest(), 2) + ", " +
         count_of(mean.count(), "reading", "readings") + "; + is late";
}

std::string caution(const SessionTotals& totals) {
  if (totals.kinds().contains(FindingKind::cam_step)) {
    return "Stop; don't restart or crank. Turn the engine by hand only: on an interference engine valves can meet "
           "pistons.";
  }
  if (totals.findings(Severity::fault) > 0) {
    return "This program observes, it protects nothing. Fuel off for cranking tests; a qualified person decides.";
  }
  return {};
}

}  // namespace cw
