#include "cli/account.hpp"

#include <systemd/sd-daemon.h>

#include <algorithm>
#include <array>
#include <boost/algorithm/string/join.hpp>
#include <cmath>
#include <string_view>
#include <vector>

#include "cli/channel_names.hpp"
#include "record/observation_text.hpp"

namespace cw {

namespace {

constexpr std::size_t text_width = 100;

std::string fixed(double value, int decimals) {
  std::string out;
  return append_fixed(out, value, decimals) ? out : "?";
}

std::string signed_fixed(double value, int decimals) {
  const std::string number = fixed(value, decimals);
  return number.front() == '-' ? number : "+" + number;
}

std::string seconds(std::int64_t ns) {
  return fixed(static_cast<double>(ns) * 1e-9, 3);
}

std::string count_of(std::uint64_t count, const std::string& one, const std::string& many) {
  return std::to_string(count) + " " + (count == 1 ? one : many);
}

std::string severity_word(Severity severity) {
  static constexpr std::array<const char*, 3> words = {"note", "WARNING", "FAULT"};
  return words.at(static_cast<std::size_t>(severity));
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

// `text` broken into lines that fit, each after the first indented.
void append_wrapped(std::string& out, const std::string& first, const std::string& indent, const std::string& text) {
  std::string line = first;
  std::size_t at = 0;
  bool any = false;
  while (at < text.size()) {
    const std::size_t end = std::min(text.find(' ', at), text.size());
    const std::string word = text.substr(at, end - at);
    if (any && line.size() + 1 + word.size() > text_width) {
      out += line + "\n";
      line = indent;
      any = false;
    }
    line += (any ? " " : "") + word;
    any = true;
    at = end + 1;
  }
  out += line + "\n";
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
  static constexpr std::array<std::string_view, 8> units = {"deg", "ms", "us", "ns", "s", "rpm", "pct", "v"};
  const std::size_t cut = name.rfind('_');
  const std::string last = cut == std::string::npos ? "" : name.substr(cut + 1);
  const bool has_unit = std::find(units.begin(), units.end(), last) != units.end();
  std::string words = has_unit ? name.substr(0, cut) : name;
  std::replace(words.begin(), words.end(), '_', ' ');
  const bool whole = !has_unit && std::fabs(value - std::round(value)) < 0.0005;
  return words + " " + fixed(value, whole ? 0 : 2) + (has_unit ? " " + last : "");
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

bool same_words(const Finding& finding, const Finding& other) {
  return finding.kind == other.kind && finding.reason == other.reason && finding.next_checks == other.next_checks &&
         finding.attribution == other.attribution && finding.code == other.code;
}

std::string as_a_sentence(std::string text) {
  if (!text.empty() && text[0] >= 'a' && text[0] <= 'z') {
    text[0] = static_cast<char>(text[0] - 'a' + 'A');
  }
  return text.empty() || text.back() == '.' ? text : text + ".";
}

}  // namespace

std::string finding_in_words(const Finding& finding, const std::string& wall_time, const Finding* before) {
  std::string out = "[" + seconds(finding.session_ns) + " s] " + severity_word(finding.severity) + ": " +
                    kind_words(finding.kind) + phase_in_words(finding);
  out += wall_time.empty() ? "\n" : "  (" + wall_time + ")\n";
  const std::string indent = "    ";
  const auto add = [&](const std::string& label, const std::string& text) {
    if (!text.empty()) {
      append_wrapped(out, indent + label, indent + std::string(label.size(), ' '), text);
    }
  };
  add("Where:   ", place_in_words(finding));
  add("Values:  ", values_in_words(finding));
  if (before != nullptr && same_words(finding, *before)) {
    add("", "Suspect, reason and checks as above.");
    return out;
  }
  const std::string suspect = attribution_words(finding.attribution);
  add("Suspect: ", suspect.empty() ? "" : suspect + ".");
  add("Why:     ", as_a_sentence(finding.reason));
  for (std::size_t i = 0; i < finding.next_checks.size(); ++i) {
    add(i == 0 ? "Check:   " : "         ", "- " + finding.next_checks[i]);
  }
  if (!finding.code.empty()) {
    add("Code:    ", finding.code + " " + finding.title);
  }
  return out;
}

std::string finding_in_a_line(const Finding& finding) {
  const std::string place = place_in_words(finding);
  return kind_words(finding.kind) + phase_in_words(finding) + (place.empty() ? "" : ": " + place);
}

std::string finding_for_journal(const Finding& finding) {
  static constexpr std::array<const char*, 3> priorities = {SD_INFO, SD_WARNING, SD_ERR};  // by severity
  std::string out = priorities.at(static_cast<std::size_t>(finding.severity)) + severity_word(finding.severity) + ": " +
                    finding_in_a_line(finding);
  const auto add = [&](const std::string& label, const std::string& text) {
    out += text.empty() ? "" : "; " + label + text;
  };
  add("", values_in_words(finding));
  add("suspect: ", attribution_words(finding.attribution));
  add("why: ", finding.reason);
  add("check: ", boost::algorithm::join(finding.next_checks, "; "));
  add("", finding.code.empty() ? "" : finding.code + " " + finding.title);
  return out + "\n";
}

namespace {

std::string states_in_words(const SessionTotals& totals) {
  std::vector<std::string> parts;
  for (std::size_t i = SessionTotals::lock_states; i > 0; --i) {
    const auto state = static_cast<LockState>(i - 1);
    if (totals.state_ns(state) > 0) {
      parts.push_back(std::string(to_string(state)) + " " + seconds(totals.state_ns(state)) + " s");
    }
  }
  return parts.empty() ? "none" : boost::algorithm::join(parts, ", ");
}

std::string mean_in_words(const RunningMean& mean) {
  return signed_fixed(mean.mean(), 2) + " deg, standard deviation " + fixed(mean.deviation(), 2) + ", from " +
         signed_fixed(mean.least(), 2) + " to " + signed_fixed(mean.greatest(), 2) + ", " +
         count_of(mean.count(), "reading", "readings") + "; + is late";
}

std::string verdict(const SessionTotals& totals, const Engine& engine) {
  const std::uint64_t faults = totals.findings(Severity::fault);
  const std::uint64_t warnings = totals.findings(Severity::warning);
  if (totals.edges() == 0) {
    return "No edge seen: nothing can be said.";
  }
  if (const std::string why = crank_not_seen(totals, engine); !why.empty()) {
    return "Nothing can be said: " + why;
  }
  const bool never_known =
      totals.state_ns(LockState::cycle_locked) + totals.state_ns(LockState::revolution_locked) == 0;
  const std::string unknown =
      never_known ? "The crank position was never known: nothing can be said about timing." : "";
  if (faults + warnings == 0) {
    return never_known ? unknown : "No fault seen.";
  }
  std::vector<std::string> parts;
  if (faults > 0) {
    parts.push_back(count_of(faults, "fault", "faults"));
  }
  if (warnings > 0) {
    parts.push_back(count_of(warnings, "warning", "warnings"));
  }
  std::vector<std::string> kinds;
  for (const auto& [kind, count] : totals.kinds()) {
    if (count.worst >= Severity::warning) {
      kinds.push_back(std::string(to_string(kind)) + (count.findings > 1 ? " x" + std::to_string(count.findings) : ""));
    }
  }
  return unknown + (never_known ? " " : "") + boost::algorithm::join(parts, " and ") + ": " +
         boost::algorithm::join(kinds, ", ") + ".";
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

// Only where there are several: with one source all times are on its clock and nothing rests on the host's.
std::string clocks_in_words(const SessionTotals& totals) {
  std::vector<std::string> parts;
  for (const ClockFit& fit : totals.clocks()) {
    parts.push_back("source " + std::to_string(fit.source) + " runs " + fixed(std::fabs(fit.skew_ppm), 1) + " ppm " +
                    (fit.skew_ppm > 0 ? "slow" : "fast") + " against this computer, known within " +
                    fixed(fit.uncertainty_ms, 2) + " ms" +
                    (fit.steps > 0 ? ", " + count_of(fit.steps, "step", "steps") : ""));
  }
  return parts.size() < 2 ? "" : boost::algorithm::join(parts, "; ");
}

}  // namespace

std::string totals_in_words(const SessionTotals& totals, const Engine& engine, const std::string& recording) {
  std::string out = "\nSummary\n";
  const auto add = [&](std::string label, const std::string& text) {
    constexpr std::size_t label_width = 16;
    label = "  " + label;
    label.resize(std::max(label_width, label.size() + 1), ' ');
    if (!text.empty()) {
      append_wrapped(out, label, std::string(label.size(), ' '), text);
    }
  };
  const std::string frames =
      totals.can_frames() > 0 ? " and " + count_of(totals.can_frames(), "CAN frame", "CAN frames") : "";
  add("Input",
      count_of(totals.edges(), "edge", "edges") + frames + " in " + seconds(totals.span_ns()) +
          " s; channels: " + (totals.channels().empty() ? "none" : boost::algorithm::join(totals.channels(), ", ")) +
          (totals.gaps() > 0 ? "; " + count_of(totals.gaps(), "gap", "gaps") + " in the input" : ""));
  add("State", states_in_words(totals));
  add("Cycles", std::to_string(totals.cycles()));
  if (totals.tdc_deviation_deg().count() > 0) {
    add("TDC deviation", mean_in_words(totals.tdc_deviation_deg()));
  }
  for (std::size_t i = 0; i < engine.cams.size(); ++i) {
    if (totals.cam_phase_deg()[i].count() > 0) {
      add("Cam " + engine.cams[i].name, mean_in_words(totals.cam_phase_deg()[i]));
    }
  }
  add("Clocks", clocks_in_words(totals));
  add("Recording", recording);
  add("Seen", verdict(totals, engine));
  add("Not watched", boost::algorithm::join(totals.not_watched(), "; "));
  add("Caution", caution(totals));
  return out;
}

Account::Account(Terminal& terminal, const SessionTotals& totals, const AccountSettings& settings)
    : terminal_(terminal), totals_(totals), settings_(settings) {}

void Account::on_finding(const Finding& finding) {
  std::optional<std::int64_t> wall_ns;
  if (settings_.anchor && totals_.first_host_ns()) {
    wall_ns = wall_ns_at(*settings_.anchor, *totals_.first_host_ns() + finding.session_ns);
  }
  if (settings_.json) {
    terminal_.print(finding_json(finding, wall_ns) + "\n");
  } else if (settings_.journal) {
    terminal_.print(finding_for_journal(finding));
  } else {
    terminal_.print(finding_in_words(finding, wall_ns ? rfc3339(*wall_ns, 3) : "", last_ ? &*last_ : nullptr));
    last_ = finding;
  }
}

void Account::on_cycle(const Cycle& /*cycle*/) {}
void Account::on_state(const StateChange& /*change*/) {}

void Account::on_second(const Second& second) {
  constexpr std::int64_t every_s = 2;
  constexpr std::int64_t second_ns = 1'000'000'000;
  if (!settings_.live_status || (second.session_ns / second_ns) % every_s != 0) {
    return;
  }
  std::string line = std::string(to_string(second.state));
  line += second.rpm ? ", " + fixed(*second.rpm, 0) + " rpm" : "";
  line += second.tdc_deviation_deg ? ", TDC " + signed_fixed(*second.tdc_deviation_deg, 2) + " deg" : "";
  line += ", " + std::to_string(second.crank_edges) + " crank edges/s, at " + seconds(second.session_ns) + " s";
  terminal_.status(line);
}

}  // namespace cw
