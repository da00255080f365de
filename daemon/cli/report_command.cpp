#include "cli/report_command.hpp"

#include <filesystem>
#include <variant>

#include "cli/engine_text.hpp"
#include "cli/source_place.hpp"
#include "cli/terminal.hpp"
#include "cli/version.hpp"
#include "record/disk_file.hpp"
#include "record/session_reader.hpp"
#include "report/session_report.hpp"

namespace cw {

namespace {

struct Refusal {
  ExitCode code = ExitCode::usage;
  std::string why;
};

std::variant<EngineText, Refusal> engine_of(const SessionReader& session, const std::string& path) {
  const std::string hint = " (replay it with --engine FILE --out FOLDER, and report that)";
  if (!session.info()) {
    return Refusal{ExitCode::usage, session.info_problem() + hint};
  }
  if (session.info()->engine_file_text.empty()) {
    return Refusal{ExitCode::usage, path + ": its engine file is not known" + hint};
  }
  auto engine = engine_text_of(*session.info(), path);
  if (auto* error = std::get_if<std::string>(&engine)) {
    return Refusal{ExitCode::usage, std::move(*error)};
  }
  return std::move(std::get<EngineText>(engine));
}

// Where the page goes; a refusal where that would be among what was recorded.
std::variant<std::string, Refusal> target_of(const ReportOptions& options) {
  const SessionPlaces places = session_places(options.session);
  const std::string target = options.out.empty() ? places.folder + "/report.html" : options.out;
  std::error_code error;
  const std::filesystem::path folder = std::filesystem::absolute(target, error).parent_path();
  const bool beside = !places.folder.empty() && std::filesystem::equivalent(folder, places.folder, error);
  const bool is_report = std::filesystem::path(target).filename() == "report.html";
  if (would_write_into(target, options.session) && !(beside && is_report)) {
    return Refusal{ExitCode::usage, target + ": expected a place outside of the session, or its report.html"};
  }
  return target;
}

}  // namespace

ExitCode report(const ReportOptions& options) {
  Terminal terminal;
  const auto refuse = [&](const Refusal& refusal) {
    terminal.complain("crankwitness: " + refusal.why);
    return refusal.code;
  };
  if (!is_session(options.session)) {
    return refuse({ExitCode::bad_input, options.session + ": expected a session folder"});
  }
  auto opened = SessionReader::open(options.session);
  if (auto* error = std::get_if<std::string>(&opened)) {
    return refuse({ExitCode::bad_input, std::move(*error)});
  }
  auto& session = std::get<SessionReader>(opened);
  auto engine = engine_of(session, options.session);
  if (const auto* refusal = std::get_if<Refusal>(&engine)) {
    return refuse(*refusal);
  }
  auto target = target_of(options);
  if (const auto* refusal = std::get_if<Refusal>(&target)) {
    return refuse(*refusal);
  }
  const auto& text = std::get<EngineText>(engine);
  auto made = make_session_report(options.session, std::move(session), text.engine, program_version(), text.maps);
  if (auto* error = std::get_if<std::string>(&made)) {
    return refuse({ExitCode::bad_input, std::move(*error)});
  }
  const auto& page = std::get<SessionReport>(made);
  const std::string& path = std::get<std::string>(target);
  if (const Problem problem = write_whole_file(FileLayer(), path, page.html)) {
    return refuse({ExitCode::cannot_write, *problem});
  }
  terminal.print("report written to " + path + "\n");
  if (!page.missing.empty()) {
    terminal.complain("crankwitness: " + options.session + ": " + page.missing);
  }
  return page.lossy ? ExitCode::lossy : ExitCode::done;
}

}  // namespace cw
