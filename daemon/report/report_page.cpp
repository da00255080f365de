#include "report/report_page.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "record/missing_words.hpp"
#include "record/wall_time.hpp"
#include "report/evidence_drawing.hpp"
#include "report/finding_words.hpp"
#include "report/html.hpp"
#include "report/page_parts.hpp"
#include "report/plots.hpp"
#include "report/time_line.hpp"
#include "report/verdict.hpp"

namespace cw {

namespace {

std::string severity_words(Severity severity) {
  static constexpr std::array<const char*, 3> words = {"note", "warning", "fault"};
  return words.at(static_cast<std::size_t>(severity));
}

std::string element(const std::string& name, const std::string& text) {
  return "<" + name + ">" + escaped(text) + "</" + name + ">\n";
}

std::string paragraph(const std::string& text) {
  return element("p", text);
}

std::string bullets(const std::vector<std::string>& lines) {
  std::string out = "<ul>\n";
  for (const std::string& line : lines) {
    out += element("li", line);
  }
  return out + "</ul>\n";
}

std::string section(const std::string& id, const std::string& title, const std::string& inside) {
  return "<section aria-labelledby=\"" + id + "\">\n<h2 id=\"" + id + "\">" + escaped(title) + "</h2>\n" + inside +
         "</section>\n";
}

class Page {
 public:
  explicit Page(const ReportContent& content)
      : content_(content),
        engine_(content.engine),
        picture_(content.picture),
        verdict_(verdict_of(content.engine, content.totals, content.picture)),
        troubles_(content.picture.findings().troubles()) {}

  std::string write() const;

 private:
  std::string header() const;
  std::string verdict_box() const;
  std::string checks() const;
  std::string time_line() const;
  std::string findings() const;
  std::string trouble_card(const Trouble& trouble) const;
  std::string finding_table() const;
  std::string evidence() const;
  std::string one_evidence(std::size_t index) const;
  std::string offset() const;
  std::string wheel() const;
  std::string ecu() const;
  std::string links() const;
  std::string loss_table() const;
  std::string settings() const;
  std::string when(std::int64_t session_ns) const;
  std::optional<std::string> wall_at(std::int64_t session_ns, int decimals) const;

  const ReportContent& content_;
  const Engine& engine_;
  const SessionPicture& picture_;
  Verdict verdict_;
  std::vector<Trouble> troubles_;
};

std::optional<std::string> Page::wall_at(std::int64_t session_ns, int decimals) const {
  if (!content_.info.anchor || !picture_.first_host_ns()) {
    return std::nullopt;
  }
  const auto wall_ns = wall_ns_at(*content_.info.anchor, *picture_.first_host_ns() + session_ns);
  return wall_ns ? std::optional(rfc3339(*wall_ns, decimals)) : std::nullopt;
}

std::string Page::when(std::int64_t session_ns) const {
  const auto wall = wall_at(session_ns, 1);
  return moment_words(session_ns) + (wall ? " (" + *wall + ")" : "");
}

std::string Page::header() const {
  const auto begin = wall_at(0, 0);
  std::string about = engine_.name + "; session " + content_.name;
  about += begin ? ", begun " + *begin : ", at no known time of day";
  about += ", " + moment_words(picture_.length_ns()) + " long";
  std::string out = "<header>\n" + element("h1", "crankwitness report: " + engine_.name);
  out += "<p class=\"about\">" + escaped(about) + ".</p>\n";
  if (!content_.closed) {
    out +=
        "<p class=\"about\"><strong>This session was still being written, or was not ended in good order: the report "
        "goes as far as its recording did.</strong></p>\n";
  }
  return out + "</header>\n";
}

std::string Page::verdict_box() const {
  static constexpr std::array<std::array<const char*, 2>, 5> looks = {{{"v-nothing", "? Not known"},
                                                                       {"v-none", "\u25cb Nothing seen"},
                                                                       {"v-warnings", "\u25b2 Warnings"},
                                                                       {"v-faults", "\u25c6 Faults"},
                                                                       {"v-stop", "\u25c6 Stop"}}};
  const auto& look = looks.at(static_cast<std::size_t>(verdict_.level));
  std::string out = "<section class=\"verdict " + std::string(look[0]) +
                    "\" aria-labelledby=\"verdict\">\n<p class=\"word\">" + look[1] + "</p>\n<h2 id=\"verdict\">" +
                    escaped(verdict_.headline) + "</h2>\n<div>\n";
  if (verdict_.level == VerdictLevel::stop) {
    out += "<p><strong>Turn the engine by hand only: on an interference engine valves can meet pistons.</strong></p>\n";
  }
  out += verdict_.sentences.empty() ? "" : bullets(verdict_.sentences);
  if (!verdict_.undecided.empty()) {
    out += element("h3", "What the evidence does not decide") + bullets(verdict_.undecided);
  }
  out += "</div>\n<div>\n" + element("h3", "Watched") + bullets(verdict_.watched) +
         element("h3", "Not watched, so nothing is said about it");
  out += verdict_.not_watched.empty() ? paragraph("Nothing that this program can watch was left out.")
                                      : bullets(verdict_.not_watched);
  if (!content_.capture.whole()) {
    out += paragraph("The recording is not whole: see links and clock.");
  }
  return out + "</div>\n</section>\n";
}

std::string Page::checks() const {
  const std::vector<NextCheck> checks = next_checks(troubles_);
  if (checks.empty()) {
    return section("checks", "What to check next", paragraph("Nothing was found that asks for a check."));
  }
  std::string out = "<ol class=\"checks\">\n";
  for (const NextCheck& check : checks) {
    std::string by;
    for (const std::string& who : check.asked_by) {
      by += (by.empty() ? "" : ", ") + who;
    }
    out += "<li>" + escaped(as_a_sentence(check.text)) + " <span class=\"by\">(" + escaped(by) + ")</span></li>\n";
  }
  return section("checks", "What to check next", out + "</ol>\n");
}

std::string Page::time_line() const {
  return section("timeline", "Time line",
                 "<figure>" + time_line_svg(engine_, picture_, content_.capture) +
                     "<figcaption>Findings: \u25c6 fault, \u25b2 warning, \u25cf note. Bands span the least and the "
                     "greatest value of each stretch of time, lines are means, dotted lines the limits of the engine "
                     "file; nothing is drawn where nothing was known.</figcaption></figure>\n");
}

std::string Page::trouble_card(const Trouble& trouble) const {
  const Finding& finding = trouble.first.finding;
  std::string out = "<article class=\"trouble t-" + std::string(to_string(trouble.worst)) +
                    "\">\n<h3><span class=\"tag\">" + severity_words(trouble.worst) + "</span>" +
                    escaped(trouble_name(trouble)) + "</h3>\n";
  std::string times = as_a_sentence(trouble_times(trouble, when(trouble.first.begin_ns), when(trouble.last_begin_ns)));
  times.pop_back();
  out += paragraph(times + (trouble.open_id ? ", and it lasted until the end." : "."));
  out += paragraph(as_a_sentence(finding.reason));
  const std::string place = place_in_words(finding);
  const std::string values = values_in_words(finding);
  if (!place.empty() || !values.empty()) {
    out += paragraph((trouble.count > 1 ? "The first: " : "") + place + (place.empty() || values.empty() ? "" : "; ") +
                     values + ".");
  }
  const std::string suspect = attribution_words(finding.attribution);
  out += suspect.empty() ? "" : paragraph("Suspect: " + suspect + ".");
  out +=
      finding.code.empty() ? "" : paragraph("SAE J2012 code that fits: " + finding.code + ", " + finding.title + ".");
  return out + "</article>\n";
}

std::string Page::finding_table() const {
  const FindingList& list = picture_.findings();
  std::vector<ListedFinding> rows = list.listed();
  std::stable_sort(rows.begin(), rows.end(),
                   [](const ListedFinding& a, const ListedFinding& b) { return a.begin_ns < b.begin_ns; });
  std::string out = "<details" + std::string(rows.size() <= 12 ? " open" : "") +
                    "><summary>All findings in order of time, " + std::to_string(list.lines()) + "</summary>\n";
  if (list.lines() > rows.size()) {
    out += paragraph("Too many for this page: the gravest " + std::to_string(rows.size()) +
                     " of them follow, all stand in events.jsonl.");
  }
  out += "<div class=\"wide\" tabindex=\"0\" role=\"group\" aria-label=\"All findings\"><table>\n<thead>" +
         table_row({"Began", "Severity", "Finding", "Where", "Values"}, true) + "</thead><tbody>\n";
  for (const ListedFinding& row : rows) {
    const Finding& finding = row.finding;
    out += "<tr><td class=\"nw\">" + escaped(when(row.begin_ns)) + "</td><td>" + severity_words(finding.severity) +
           "</td><td class=\"nw\">" + escaped(kind_words(finding.kind) + phase_in_words(finding)) + "</td><td>" +
           escaped(place_in_words(finding)) + "</td><td>" + escaped(values_in_words(finding)) + "</td></tr>\n";
  }
  return out + "</tbody></table></div></details>\n";
}

std::string Page::findings() const {
  if (troubles_.empty()) {
    return section("findings", "Findings", paragraph("None."));
  }
  std::string out;
  for (const Trouble& trouble : troubles_) {
    out += trouble_card(trouble);
  }
  return section("findings", "Findings", out + finding_table());
}

std::string Page::one_evidence(std::size_t index) const {
  const DrawnFinding& drawn = content_.drawn[index];
  const Finding& finding = drawn.listed.finding;
  const std::string place = place_in_words(finding);
  const std::string label = kind_words(finding.kind) + (place.empty() ? "" : ": " + place);
  std::string out = "<figure>\n<h3><span class=\"tag\">" + severity_words(finding.severity) + "</span>" +
                    escaped(label) + "</h3>\n<p class=\"about\">" + escaped(when(drawn.listed.begin_ns)) + "</p>\n";
  if (!drawn.has_edges) {
    return out + paragraph("The recording does not hold its edges any more.") + "</figure>\n";
  }
  out += evidence_svg("edges" + std::to_string(index + 1), label, drawn.picture, engine_.cycle_deg);
  out += "<figcaption>";
  for (const std::string& sentence : evidence_in_words(drawn.picture, engine_.cycle_deg)) {
    out += escaped(sentence) + " ";
  }
  return out + "</figcaption></figure>\n";
}

std::string Page::evidence() const {
  if (content_.drawn.empty()) {
    return section("evidence", "The raw edges", paragraph("There is no finding whose edges could be drawn."));
  }
  std::string out =
      paragraph(
          "Each drawing shows the edges as they were recorded, known delays subtracted, on the crank angle. The row of "
          "expected teeth is the engine file's wheel laid on them by this program's own sync.") +
      evidence_key();
  for (std::size_t i = 0; i < content_.drawn.size(); ++i) {
    out += one_evidence(i);
  }
  return section("evidence", "The raw edges around findings", out);
}

std::string Page::offset() const {
  std::string out = paragraph(offset_basis_words(engine_));
  const std::vector<Hold>& holds = picture_.steady().holds();
  const OffsetFit fit = fit_offset(holds);
  const std::string svg = deviation_svg(engine_, picture_.deviation_by_speed(), holds, fit);
  if (svg.empty()) {
    out += paragraph(engine_.reference ? "No mark of the ECU could be compared."
                                       : "The engine file names no mark of the ECU, so nothing could be compared.");
    return section("offset", "Offset and delay", out);
  }
  for (const std::string& sentence : offset_fit_words(fit)) {
    out += paragraph(sentence);
  }
  out += "<figure>" + svg +
         "<figcaption>How far the ECU's mark came from the angle expected by the engine file: dots are means of the "
         "cycles of like speed, whiskers their least and greatest";
  out += holds.empty() ? "." : ", diamonds steady running, a line with its band (95 %) what fits them.";
  out += " A level line is a wrong angle, a line that leans a delay.</figcaption></figure>\n";
  out += holds.empty() ? "" : "<p><code>crankwitness offset</code> on this session says what to do about it.</p>\n";
  return section("offset", "Offset and delay", out);
}

std::string Page::wheel() const {
  if (!picture_.wheel()) {
    return {};
  }
  const WheelShape& shape = *picture_.wheel();
  std::string out = "<figure>" + wheel_svg(shape) + "<figcaption>";
  out += escaped("Averaged over " + std::to_string(shape.turns) + " turns at " + fixed(shape.rpm_least, 0) + " to " +
                 fixed(shape.rpm_greatest, 0) + " rpm. Run-out: " + fixed(shape.run_out_deg, 3) +
                 " degrees once a turn, greatest " + fixed(shape.run_out_phase_deg, 0) +
                 " degrees after the reference tooth.");
  if (!shape.masked_orders.empty()) {
    std::string orders;
    for (const int order : shape.masked_orders) {
      orders += (orders.empty() ? "" : ", ") + std::to_string(order);
    }
    out += escaped(" Waves of " + orders + " a turn can't be told from the engine's firing and are left out.");
  }
  return section("wheel", "Pitch error of the wheel", out + "</figcaption></figure>\n");
}

std::string Page::ecu() const {
  if (picture_.seconds_ecu_heard() == 0) {
    return section("ecu", "What the ECU says on CAN",
                   paragraph(content_.totals.can_frames() > 0
                                 ? "CAN frames were recorded, but none told a value that could be compared."
                                 : "Nothing was heard."));
  }
  std::string rows = value_row("Heard", std::to_string(picture_.seconds_ecu_heard()) + " of " +
                                            std::to_string(picture_.seconds()) + " s") +
                     value_row("Agreed with this witness", std::to_string(picture_.seconds_agreed()) + " s") +
                     value_row("Disagreed", std::to_string(picture_.seconds_disagreed()) + " s");
  std::string out = "<table>" + rows + "</table>\n";
  out += paragraph("Its speed is the dashed line beside ours in the time line.");
  out += series_svg("advance", "Spark advance", "deg before TDC", picture_.ecu_advance_deg(), picture_.length_ns());
  return section("ecu", "What the ECU says on CAN", out);
}

std::string Page::loss_table() const {
  if (picture_.losses().empty()) {
    return {};
  }
  std::string out =
      "<div class=\"wide\" tabindex=\"0\" role=\"group\" aria-label=\"Losses\"><table><caption>What was lost on the "
      "way in</caption><thead>" +
      table_row({"Source", "Why", "Times", "Items or bytes", "First", "Last"}, true) + "</thead><tbody>\n";
  for (const auto& [key, loss] : picture_.losses()) {
    out +=
        table_row({std::to_string(key.first), escaped(gap_reason_words(key.second)), std::to_string(loss.times),
                   loss.unknown > 0 ? std::to_string(loss.lost) + " and an unknown number" : std::to_string(loss.lost),
                   escaped(when(loss.first_ns)), escaped(when(loss.last_ns))});
  }
  return out + "</tbody></table></div>\n";
}

std::string Page::links() const {
  std::string out;
  if (content_.capture.whole() && picture_.losses().empty() && picture_.disconnections() == 0) {
    out +=
        paragraph("Nothing was lost: every item that was recorded is in the recording, and no source told of a loss.");
  }
  if (picture_.disconnections() > 0) {
    out += paragraph("A link was lost " + count_of(picture_.disconnections(), "time", "times") + ".");
  }
  out += loss_table();
  if (!content_.capture.whole()) {
    out += paragraph("The recording is not whole: " + count_of(content_.capture.missing_items, "item is", "items are") +
                     " missing. What follows was not analysed; sync began afresh behind each.");
    out += bullets(holes_in_words(content_.capture, content_.info.anchor));
    const std::vector<std::string> damage = damage_in_words(content_.capture);
    out += damage.empty() ? "" : paragraph("Could not be read:") + bullets(damage);
  }
  if (picture_.clock_offset_ms().all().count > 0) {
    const ValueBin& skew = picture_.clock_skew_ppm();
    const ValueBin& unsure = picture_.clock_uncertainty_ms();
    out += series_svg("clock", "Clock offset", "ms, host - source", picture_.clock_offset_ms(), picture_.length_ns());
    out += paragraph(
        "The source's clock against the host's: skew " +
        (skew.count > 0
             ? fixed(skew.mean(), 2) + " ppm (from " + fixed(skew.least, 2) + " to " + fixed(skew.greatest, 2) + ")"
             : "not known") +
        ", offset known to " + (unsure.count > 0 ? fixed(unsure.greatest, 3) + " ms" : "an unknown extent") + ".");
  } else {
    out += paragraph(
        "The source's clock was not compared with the host's; crank, cams and mark share one clock, so no angle rests "
        "on it.");
  }
  return section("links", "Links and clock", out);
}

std::string Page::settings() const {
  const SessionInfo& info = content_.info;
  std::string rows = value_row("Session", content_.name + ", id " + session_id_words(info.id)) +
                     value_row("Recorded by", info.program + " (" + info.made_by + ")") +
                     value_row("Analysed by", content_.made_with) +
                     value_row("Engine file", info.engine_file_name.empty() ? "not known" : info.engine_file_name) +
                     value_row("Trigger offset", fixed(engine_.crank.trigger_offset_deg, 2) +
                                                     " deg, basis: " + std::string(basis_word(engine_)));
  for (const SourceInfo& source : info.sources) {
    rows += value_row("Source " + std::to_string(source.number), source_words(source));
  }
  const ValueBin& running = picture_.uncertainty_running_deg();
  const ValueBin& slow = picture_.uncertainty_slow_deg();
  if (running.count + slow.count > 0) {
    rows += value_row(
        "TDC known to (95 %, relative to the wheel)",
        (running.count > 0
             ? "running " + fixed(running.mean(), 3) + " deg in the mean, " + fixed(running.greatest, 3) + " at most"
             : std::string("running: not known")) +
            (slow.count > 0 ? "; slower " + fixed(slow.mean(), 2) + ", " + fixed(slow.greatest, 2) + " at most" : ""));
  }
  for (const MadeFrom& from : info.made_from) {
    rows += value_row("Made from", from.path + ", " + std::to_string(from.bytes) + " bytes, SHA-256 " + from.sha256);
  }
  std::string out =
      "<div class=\"wide\" tabindex=\"0\" role=\"group\" aria-label=\"Settings\"><table>" + rows + "</table></div>\n";
  if (info.engine_replaced) {
    out += paragraph(
        "What if: this is a replay with another engine file than the one that the session was recorded with. "
        "What stands here would have been seen with the file below.");
  }
  out += content_.other_events ? paragraph(*content_.other_events) : "";
  out += "<details><summary>The engine file</summary>\n<pre tabindex=\"0\">" + escaped(info.engine_file_text) +
         "</pre></details>\n";
  for (const MapText& map : info.signal_maps) {
    out += "<details><summary>The signal map " + escaped(map.name) + "</summary>\n<pre tabindex=\"0\">" +
           escaped(map.text) + "</pre></details>\n";
  }
  return section("settings", "Settings", out);
}

std::string Page::write() const {
  std::string out = page_head("crankwitness report: " + engine_.name) + header() + "<main>\n" + verdict_box() +
                    contents(picture_.wheel().has_value());
  out += checks();
  out += time_line();
  out += findings();
  out += evidence();
  out += offset();
  out += wheel();
  out += ecu();
  out += links();
  out += settings();
  out += section("cautions", "Cautions", caution_html());
  out += section("limits", "What this witness can't know", bullets(limits_of_knowledge(engine_)));
  return out + "</main>\n<footer>" + escaped(content_.made_with) +
         ". It observes and protects nothing; a qualified person decides.</footer>\n</body>\n</html>\n";
}

}  // namespace

std::string report_page(const ReportContent& content) {
  return Page(content).write();
}

}  // namespace cw
