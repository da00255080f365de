#include "cli/status.hpp"

#include <boost/algorithm/string/join.hpp>
#include <chrono>
#include <ostream>
#include <vector>

#include "record/observation_text.hpp"
#include "serve/serve_address.hpp"
#include "serve/status_client.hpp"
#include "text/json.hpp"
#include "text/one_line.hpp"

namespace cw {

namespace {

constexpr const char* usual_address = "127.0.0.1:7200";
constexpr std::chrono::seconds answer_within{5};

std::string fixed(const Json& value, int decimals, bool with_sign = false) {
  std::string out;
  if (!value.is_number() || !append_fixed(out, value.get<double>(), decimals)) {
    return "?";
  }
  return with_sign && out.front() != '-' ? "+" + out : out;
}

std::string word(const Json& value) {
  return one_line(value.get<std::string>());
}

std::string line(const std::string& label, const std::string& text) {
  constexpr std::size_t label_width = 13;
  std::string out = label;
  out.resize(label_width, ' ');
  return text.empty() ? "" : out + text + "\n";
}

std::string position(const Json& status) {
  const Json& crank = status.at("crank");
  std::vector<std::string> parts = {word(status.at("state"))};
  if (crank.at("rpm").is_number()) {
    parts.push_back(fixed(crank.at("rpm"), 0) + " rpm");
  }
  if (crank.at("tdc_deviation_deg").is_number()) {
    parts.push_back("TDC " + fixed(crank.at("tdc_deviation_deg"), 2, true) + " deg (+ is late), +/- " +
                    fixed(crank.at("tdc_uncertainty_deg"), 2));
  }
  if (crank.at("sync_margin").is_number()) {
    parts.push_back("margin " + fixed(crank.at("sync_margin"), 2));
  }
  for (const Json& cam : status.at("cams")) {
    if (cam.at("phase_deg").is_number()) {
      parts.push_back("cam " + word(cam.at("name")) + " " + fixed(cam.at("phase_deg"), 2, true) + " deg");
    }
  }
  return boost::algorithm::join(parts, ", ");
}

std::string ecu(const Json& status) {
  const Json& said = status.at("ecu");
  std::vector<std::string> parts;
  if (said.at("agrees").is_boolean()) {
    parts.emplace_back(said.at("agrees").get<bool>() ? "agrees" : "DISAGREES");
  }
  if (said.at("rpm").is_number()) {
    parts.push_back("says " + fixed(said.at("rpm"), 0) + " rpm");
  }
  return boost::algorithm::join(parts, ", ");
}

std::string findings(const Json& status) {
  const Json& counts = status.at("counts").at("findings");
  const auto count = [&](const char* severity) { return std::to_string(counts.at(severity).get<std::uint64_t>()); };
  std::string text = counts.at("fault") == 0 && counts.at("warning") == 0
                         ? "no fault seen"
                         : count("fault") + " faults, " + count("warning") + " warnings since the start";
  for (const Json& told : status.at("findings")) {
    const Json& finding = told.at("finding");
    if (finding.at("severity") != "info") {
      text += "; last: " + word(finding.at("kind")) + (told.at("open").get<bool>() ? ", which lasts" : "") + " (" +
              word(told.at("told")) + ")";
      break;
    }
  }
  return text;
}

std::string recording(const Json& status) {
  const Json& recording = status.at("recording");
  std::string text = recording.at("recording").get<bool>() ? "yes, to " : "NOT RECORDING to ";
  text += word(recording.at("folder"));
  if (const std::string trouble = word(recording.at("trouble")); !trouble.empty()) {
    text += " (" + trouble + ")";
  }
  if (recording.at("lost_items").get<std::uint64_t>() > 0) {
    text += ", " + std::to_string(recording.at("lost_items").get<std::uint64_t>()) + " items lost in this session";
  }
  constexpr double gib = 1024.0 * 1024.0 * 1024.0;
  const Json& free = recording.at("free_bytes");
  return free.is_number() ? text + ", " + fixed(free.get<double>() / gib, 1) + " GiB free" : text;
}

std::string sources(const Json& status) {
  std::vector<std::string> parts;
  for (const Json& source : status.at("sources")) {
    const Json& heard = source.at("heard_age_s");
    parts.push_back(word(source.at("driver")) + ":" + word(source.at("address")) +
                    (source.at("open").get<bool>() ? ", open, " : ", GONE, ") +
                    (heard.is_number() ? "last data " + fixed(heard, 1) + " s ago" : "nothing has come yet"));
  }
  return boost::algorithm::join(parts, "; ");
}

std::string not_watched(const Json& status) {
  std::vector<std::string> parts;
  for (const Json& part : status.at("not_watched")) {
    parts.push_back(word(part));
  }
  return boost::algorithm::join(parts, "; ");
}

ExitCode code_of(const Json& status) {
  if (status.at("stale").get<bool>() || !status.at("recording").at("recording").get<bool>()) {
    return ExitCode::lossy;
  }
  return status.at("state") == "lost" || status.at("gravest") != "info" ? ExitCode::findings : ExitCode::done;
}

}  // namespace

StatusWords status_in_words(const std::string& json) {
  const Json status = parse_json(json);
  try {
    const std::string stale = status.at("stale").get<bool>() ? "STALE: the analysis says nothing; last it was " : "";
    return {line("Engine", word(status.at("engine").at("name"))) + line("State", stale + position(status)) +
                line("ECU on CAN", ecu(status)) + line("Findings", findings(status)) +
                line("Recording", recording(status)) + line("Sources", sources(status)) +
                line("Not watched", not_watched(status)),
            code_of(status)};
  } catch (const Json::exception&) {
    return {"expected the status of a crankwitness, found something else", ExitCode::bad_input};
  }
}

ExitCode status_command(const StatusOptions& options, std::ostream& out, std::ostream& err) {
  const auto address = parse_serve_address(options.address.empty() ? usual_address : options.address, true);
  if (const auto* problem = std::get_if<std::string>(&address)) {
    err << "crankwitness: " << *problem << '\n';
    return ExitCode::usage;
  }
  const auto fetched = fetch_status(std::get<ServeAddress>(address), answer_within);
  if (const auto* problem = std::get_if<std::string>(&fetched)) {
    err << "crankwitness: " << *problem << '\n';
    return ExitCode::bad_input;
  }
  const std::string& json = std::get<StatusText>(fetched).json;
  const StatusWords words = status_in_words(json);
  if (words.code == ExitCode::bad_input) {
    err << "crankwitness: " << words.text << '\n';
  } else {
    out << (options.json ? json : words.text);
  }
  return words.code;
}

}  // namespace cw
