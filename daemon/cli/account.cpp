#include "cli/account.hpp"

#include <systemd/sd-daemon.h>

#include <algorithm>
#include <array>
#include <boost/algorithm/string/join.hpp>
#include <cmath>
#include <string_view>
#include <vector>

#include "cli/channel_names.hpp"
#include "cli/words.hpp"
#include "record/observation_text.hpp"
#include "report/finding_words.hpp"

namespace cw {

namespace {

std::string seconds(std::int64_t ns) {
  return fixed(static_cast<double>(ns) * 1e-9, 3);
}

std::string severity_word(Severity severity) {
  static constexpr std::array<const char*, 3> words = {"note", "WARNING", "FAULT"};
  return words.at(static_cast<std::size_t>(severity));
}

bool same_words(const Finding& finding, const Finding& other) {
  return finding.kind == other.kind && finding.reason == other.reason && finding.next_checks == other.next_checks &&
         finding.attribution == other.attribution && finding.code == other.code;
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

// Of what it says on CAN.
std::string ecu_in_words(const SessionTotals& totals) {
  const SessionTotals::EcuSeconds& ecu = totals.ecu_seconds();
  if (!totals.listens_to_ecu() || ecu.heard == 0) {
    return {};
  }
  return "heard for " + std::to_string(ecu.heard) + " s, compared for " + std::to_string(ecu.compared) + " s" +
         (ecu.compared == 0 ? "" : ", of which " + std::to_string(ecu.disagreed) + " s disagreed");
}

std::string verdict(const SessionTotals& totals, const Engine& engine) {
  const std::uint64_t faults = totals.findings(Severity::fault);
  const std::uint64_t warnings = totals.findings(Severity::warning);
  const bool ecu_alone = totals.edges() == 0 && totals.ecu_seconds().heard > 0;
  if (totals.edges() == 0 && !ecu_alone) {
    return "No edge seen: nothing can be said.";
  }
  if (const std::string why = crank_not_seen(totals, engine); !why.empty()) {
    return "Nothing can be said: " + why;
  }
  const bool never_known =
      totals.state_ns(LockState::cycle_locked) + totals.state_ns(LockState::revolution_locked) == 0;
  const std::string unknown = ecu_alone     ? "No edge seen: only what the ECU says of itself was watched."
                              : never_known ? "The crank position was never known: nothing can be said about timing."
                                            : "";
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
  const auto add = [&](const std::string& label, const std::string& text) { append_labelled(out, label, text); };
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
  const OffsetFit& fit = totals.offset_fit();
  if (fit.offset_deg && fit.delay_us && fit.verdict != OffsetVerdict::no_line) {
    add("Angle, delay", signed_fixed(fit.offset_deg->value, 2) + " deg +- " + fixed(fit.offset_deg->half_width, 2) +
                            ", " + signed_fixed(fit.delay_us->value, 1) + " us +- " +
                            fixed(fit.delay_us->half_width, 1) +
                            " from steady running; `crankwitness offset` says more");
  }
  for (std::size_t i = 0; i < engine.cams.size(); ++i) {
    if (totals.cam_phase_deg()[i].count() > 0) {
      add("Cam " + engine.cams[i].name, mean_in_words(totals.cam_phase_deg()[i]));
    }
  }
  add("ECU", ecu_in_words(totals));
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

std::string ecu_in_a_word(const Second& second) {
  if (!second.ecu_rpm && !second.ecu_state) {
    return {};
  }
  std::string words = ", ECU says";
  words += second.ecu_rpm ? " " + fixed(*second.ecu_rpm, 0) + " rpm" : "";
  words += second.ecu_state ? " " + std::string(to_string(*second.ecu_state)) : "";
  return words + (second.ecu_agrees == false ? " (disagrees)" : "");
}

void Account::on_second(const Second& second) {
  constexpr std::int64_t every_s = 2;
  constexpr std::int64_t second_ns = 1'000'000'000;
  if (!settings_.live_status || (second.session_ns / second_ns) % every_s != 0) {
    return;
  }
  std::string line = std::string(to_string(second.state));
  line += second.rpm ? ", " + fixed(*second.rpm, 0) + " rpm" : "";
  line += second.tdc_deviation_deg ? ", TDC " + signed_fixed(*second.tdc_deviation_deg, 2) + " deg" : "";
  line += ecu_in_a_word(second);
  line += ", " + std::to_string(second.crank_edges) + " crank edges/s, at " + seconds(second.session_ns) + " s";
  terminal_.status(line);
}

}  // namespace cw
