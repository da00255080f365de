#include "cli/recover.hpp"

#include <variant>

#include "cli/source_place.hpp"
#include "cli/terminal.hpp"
#include "cli/version.hpp"
#include "record/missing_words.hpp"
#include "record/session_reader.hpp"
#include "record/session_recovery.hpp"

namespace cw {

namespace {

std::string answer_in_words(const RecoveryReport& report) {
  switch (report.answer) {
    case RecoveryAnswer::whole:
      return report.capture_alone
                 ? "whole: nothing is missing up to its last item; whether more was recorded, a capture "
                   "alone does not say"
                 : "whole: nothing is missing";
    case RecoveryAnswer::lossy:
      return "lossy: what could be read is kept, a part is missing or may be";
    case RecoveryAnswer::nothing:
      break;
  }
  return "nothing: no part could be read, and nothing was written";
}

std::string counts_in_words(const LineCounts& lines, const std::string& aside) {
  std::string out = std::to_string(lines.kept) + " kept";
  if (lines.without_evidence > 0) {
    out += ", " + std::to_string(lines.without_evidence) + " whose evidence is missing (in " + aside + ")";
  }
  if (lines.unreadable > 0) {
    out += ", " + std::to_string(lines.unreadable) + " torn or unreadable left out";
  }
  return out;
}

std::string report_in_words(const RecoverOptions& options, const RecoveryReport& report) {
  const auto line = [](const std::string& name, const std::string& text) {
    constexpr std::size_t width = 12;
    return "  " + name + std::string(width - name.size(), ' ') + text + "\n";
  };
  std::string out = line("Answer", answer_in_words(report));
  out += line("Items", std::to_string(report.capture.items) + " read, " + std::to_string(report.capture.missing_items) +
                           " known to be missing");
  for (const std::string& hole : holes_in_words(report.capture, report.anchor)) {
    out += line("Missing", hole);
  }
  for (const std::string& damage : damage_in_words(report.capture)) {
    out += line("Unreadable", damage);
  }
  if (!report.capture_alone && !report.closed) {
    out += line("End", "not closed in good order: what came in its last second may be missing");
  }
  if (report.answer == RecoveryAnswer::nothing) {
    return out;
  }
  if (!report.capture_alone) {
    out += line("Findings", counts_in_words(report.events, "events-without-evidence.jsonl"));
    out += line("Trend rows", counts_in_words(report.trend, "trend-without-evidence.csv"));
  }
  if (!report.info_problem.empty()) {
    out += line("Settings", report.info_problem);
  }
  out += line("Written to", options.out);
  out += line("Replay it", "crankwitness replay " + options.out +
                               (report.engine_known ? "" : " --engine FILE (its engine file is not known)"));
  return out;
}

ExitCode exit_code(const RecoveryReport& report) {
  switch (report.answer) {
    case RecoveryAnswer::whole:
      return ExitCode::done;
    case RecoveryAnswer::lossy:
      return ExitCode::lossy;
    case RecoveryAnswer::nothing:
      break;
  }
  return ExitCode::nothing;
}

}  // namespace

ExitCode recover(const RecoverOptions& options) {
  Terminal terminal;
  const auto refuse = [&](ExitCode code, const std::string& why) {
    terminal.complain("crankwitness: " + why);
    return code;
  };
  if (would_write_into(options.out, options.input)) {
    return refuse(ExitCode::usage,
                  options.out + ": expected a place outside of what is recovered (" + options.input + ")");
  }
  if (!is_session(options.input)) {
    return refuse(ExitCode::bad_input,
                  options.input + ": expected a session folder, a capture folder or a segment (.cwr)");
  }
  const auto result = recover_session({options.input, options.out, program_version()});
  if (const auto* failure = std::get_if<RecoveryFailure>(&result)) {
    return refuse(failure->in_output ? ExitCode::cannot_write : ExitCode::bad_input, failure->why);
  }
  const auto& report = std::get<RecoveryReport>(result);
  terminal.print(program_version() + ", recovery of " + options.input + "\n" + report_in_words(options, report));
  return exit_code(report);
}

}  // namespace cw
