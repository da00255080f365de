#include <algorithm>
#include <cmath>

#include "cli/offset.hpp"
#include "cli/version.hpp"
#include "cli/words.hpp"
#include "geometry/angle.hpp"
#include "report/finding_words.hpp"

namespace cw {

namespace {

std::string with_interval(const Estimate& estimate, int decimals, const std::string& unit) {
  return signed_fixed(estimate.value, decimals) + " " + unit + " +- " + fixed(estimate.half_width, decimals);
}

std::string columns(const std::string& text, std::size_t width) {
  return text.size() < width ? std::string(width - text.size(), ' ') + text : text;
}

std::string readings_in_words(const OffsetResult& result) {
  std::string out;
  const OffsetFit& fit = result.fit;
  for (std::size_t i = 0; i < result.holds.size(); ++i) {
    const Hold& hold = result.holds[i];
    out += "  " + columns(fixed(hold.rpm, 0), 6) + " rpm" +
           columns(fixed(static_cast<double>(hold.end_ns - hold.start_ns) * 1e-9, 1), 8) + " s" +
           columns(std::to_string(hold.readings), 7) + " cycles" + columns(signed_fixed(hold.deviation_deg, 2), 9) +
           " deg";
    out += i < fit.residuals_deg.size() ? columns(signed_fixed(fit.residuals_deg[i], 3), 9) + " off the line" : "";
    out += i < fit.left_out.size() && fit.left_out[i] ? ", left out\n" : "\n";
  }
  for (const LightReading& reading : result.readings) {
    out += "  " + (reading.rpm ? columns(fixed(*reading.rpm, 0), 6) + " rpm" : std::string("speed not told")) + ": " +
           fixed(reading.seen_deg, 1) + " deg before TDC seen, " + fixed(reading.commanded_deg, 1) +
           " commanded: " + signed_fixed(lateness_deg(reading), 1) + " deg\n";
  }
  return out;
}

std::string span_in_words(const OffsetFit& fit) {
  return fixed(fit.least_rpm, 0) + " to " + fixed(fit.greatest_rpm, 0) + " rpm";
}

std::string verdict_in_words(const OffsetResult& result) {
  const OffsetFit& fit = result.fit;
  switch (fit.verdict) {
    case OffsetVerdict::nothing_usable:
      return result.cycles == 0
                 ? "No mark was seen in lock: nothing can be said."
                 : "No steady running of 2 s and 12 cycles with the mark at locked advance: nothing can be "
                   "said. Hold the engine at steady speeds.";
    case OffsetVerdict::cannot_tell_yet:
      return result.from_light
                 ? std::string(
                       "An angle alone or a delay alone would explain these readings: cannot tell apart yet. Read "
                       "again "
                       "at speeds farther apart, and say each with --rpm.")
                 : "Cannot tell apart yet: an angle or a delay would explain it. Hold at least four steady speeds, a "
                   "few "
                   "seconds each, the fastest at least half again as fast as the slowest; farther apart is better.";
    case OffsetVerdict::no_line:
      return result.from_light
                 ? std::string(
                       "No angle and delay agree with all readings: one of them is wrong, or advance was not locked.")
                 : "No angle and delay explain all speeds together (what is left: " + fixed(fit.residual_deg, 2) +
                       " deg; runs test p = " + fixed(fit.runs_p, 3) +
                       "): was advance locked at all of them, and was nothing changed meanwhile?";
    case OffsetVerdict::no_error:
      return "No error beyond what these readings are unsure of.";
    case OffsetVerdict::angle:
      return "A wrong angle; no delay that these readings could tell.";
    case OffsetVerdict::delay:
      return "A delay; no wrong angle that these readings could tell.";
    case OffsetVerdict::angle_and_delay:
      return "A wrong angle and a delay.";
    case OffsetVerdict::dwell_edge:
      return "A delay beyond 500 us is no delay: probably this is the edge at which the coil is switched on, not the "
             "spark "
             "(active_edge of [reference]), or the coil's charging time. Nothing is corrected.";
  }
  return {};
}

std::string basis_in_words(const OffsetResult& result) {
  const std::string what = result.from_light ? "the mark that the light showed" : "the offset in the engine file";
  switch (result.basis) {
    case OffsetBasis::piston_stop:
      return "piston stop: " + what + " was found with one";
    case OffsetBasis::verified_mark:
      return "verified mark: " + what + " rests on one";
    case OffsetBasis::unverified:
      return result.from_light ? "unverified. No number to enter without a physical basis: check the mark with a "
                                 "piston stop, by hand, "
                                 "battery disconnected; then say --basis verified-mark or --basis piston-stop"
                               : "unverified: this says how far ECU and engine file disagree, not which of them is "
                                 "right. No number to "
                                 "enter without a physical basis: find TDC with a piston stop, by hand, battery "
                                 "disconnected, or with a "
                                 "light on a verified mark, and say so in the engine file (offset_basis)";
  }
  return {};
}

std::string counting_in_words(const OffsetResult& result) {
  if (!result.counting) {
    return {};
  }
  const CountingError& error = *result.counting;
  std::string out;
  if (error.turns != 0) {
    out = "a whole turn: the ECU's mark is on the other turn of the cycle";
  }
  if (error.teeth != 0) {
    const int teeth = std::abs(error.teeth);
    out += out.empty() ? "" : ", and ";
    out += std::to_string(teeth) + (teeth == 1 ? " whole tooth " : " whole teeth ") +
           (error.teeth > 0 ? "late" : "early") + ": the ECU may count from another tooth than the engine file";
  }
  return out + " (" + signed_fixed(error.left_deg, 2) + " deg is left)";
}

std::string entry_in_words(const OffsetOptions& options, const OffsetResult& result) {
  const auto entry = entry_of(options, result);
  if (!entry) {
    return {};
  }
  const std::string way = entry->raising == Raising::retards ? "raising retards" : "raising advances";
  std::string out = "offset " + fixed(entry->new_deg.value, 2) + " deg +- " + fixed(entry->new_deg.half_width, 2) +
                    " (now " + fixed(entry->now_deg, 2) + "; " + way + ")";
  if (entry->only_at_rpm) {
    out += *entry->only_at_rpm > 0 ? ", right at " + fixed(*entry->only_at_rpm, 0) + " rpm only"
                                   : ", right at that speed only";
    out += ": what a delay does to it is not known";
  }
  return out;
}

std::string delay_entry_in_words(const OffsetOptions& options, const OffsetResult& result) {
  const OffsetFit& fit = result.fit;
  if (const auto delay = delay_entry_of(options, result)) {
    return "delay compensation " + fixed(delay->value, 1) + " us +- " + fixed(delay->half_width, 1) + " (now " +
           fixed(*options.delay_entry_us, 1) + "), where more of it brings the spark earlier";
  }
  if (fit.verdict != OffsetVerdict::delay && fit.verdict != OffsetVerdict::angle_and_delay) {
    return {};
  }
  const double per_rpm = deg_per_s_per_rpm * fit.delay_us->value * 1e-6;
  return "the delay itself: unless the ECU takes it out, " + signed_fixed(per_rpm * fit.least_rpm, 2) +
         " deg stay at " + fixed(fit.least_rpm, 0) + " rpm and " + signed_fixed(per_rpm * fit.greatest_rpm, 2) +
         " at " + fixed(fit.greatest_rpm, 0);
}

std::string stroke_in_words(const OffsetResult& result) {
  if (result.cycle_known) {
    return {};
  }
  return result.from_light
             ? "judged modulo 360 deg: a light can't see an error of a whole turn; compression stroke not verified"
             : "judged modulo 360 deg; compression stroke not verified";
}

void append_estimates(std::string& out, const OffsetResult& result) {
  const OffsetFit& fit = result.fit;
  const std::string sure = result.from_light ? " (bounds)" : " (95 %)";
  if (fit.deviation_deg && (!fit.offset_deg || fit.verdict == OffsetVerdict::cannot_tell_yet)) {
    append_labelled(
        out, "Deviation",
        with_interval(*fit.deviation_deg, 2, "deg") + sure +
            (fit.greatest_rpm > 0 ? " at " + (fit.greatest_rpm > fit.least_rpm + 1 ? span_in_words(fit)
                                                                                   : fixed(fit.mean_rpm, 0) + " rpm")
                                  : "") +
            "; + is late");
  }
  if (fit.offset_deg && fit.verdict != OffsetVerdict::dwell_edge) {
    append_labelled(out, "Angle", with_interval(*fit.offset_deg, 2, "deg") + sure + "; + is late");
  }
  if (fit.delay_us) {
    append_labelled(out, "Delay",
                    with_interval(*fit.delay_us, 1, "us") + sure +
                        ": what is left of the ECU's path less its own compensation, plus isolator and "
                        "conditioner at the mark, less the same at our crank channel");
  }
  if (fit.offset_deg && !result.from_light) {
    append_labelled(out, "Line",
                    span_in_words(fit) + ", " + std::to_string(result.holds.size()) + " holds; it leaves " +
                        fixed(fit.residual_deg, 3) + " deg, runs test p = " + fixed(fit.runs_p, 2));
  }
}

}  // namespace

const std::vector<std::string>& checks_after_entry() {
  static const std::vector<std::string> lines = {
      "cranking with fuel off, then idle, then two speeds unloaded, before any load, each with a light on a verified "
      "mark",
      "the same command again on a new recording: angle and delay must be gone",
      "unlock the advance again when all is done"};
  return lines;
}

const std::vector<std::string>& offset_cautions() {
  static const std::vector<std::string> lines = {
      "A wrong sign or turn can break starters, backfire or melt pistons.",
      "Fuel off for cranking tests, always. Neutral, wheels chocked, a second person, a kill switch that does not "
      "depend on "
      "this computer. A strobe makes moving parts look still: stay out of the plane of fan, damper and wheel.",
      "The engine maker's data and local codes come first; a qualified person decides. This program observes, it "
      "protects "
      "nothing."};
  return lines;
}

std::string offset_in_words(const OffsetOptions& options, const OffsetResult& result) {
  std::string out = program_version() + (result.from_light ? ", offset from readings of a timing light" : ", offset");
  out += result.engine_name.empty() ? "\n\n" : "\nEngine: " + result.engine_name + "\n\n";
  out += result.from_light ? "Readings, each within " + fixed(result.light_within_deg, 1) + " deg (+ is late)\n"
                           : "Steady running (deviation of the mark, + is late)\n";
  const std::string readings = readings_in_words(result);
  out += readings.empty() ? "  none\n\n" : readings + "\n";
  out += "Result\n";
  append_labelled(out, "Verdict", verdict_in_words(result));
  append_estimates(out, result);
  append_labelled(out, "Counting", counting_in_words(result));
  append_labelled(out, "Turn", stroke_in_words(result));
  append_labelled(out, "Basis", basis_in_words(result));
  const std::string entry = entry_in_words(options, result);
  const std::string delay = delay_entry_in_words(options, result);
  const bool numbers = !entry.empty() || delay_entry_of(options, result).has_value();
  append_labelled(out, "To enter", entry);
  append_labelled(out, numbers && delay_entry_of(options, result) ? "" : "Not taken out", delay);
  if (entry.empty() && result.basis != OffsetBasis::unverified && !options.entry_deg) {
    append_labelled(out, "To enter",
                    "say what stands in the ECU and which way it counts: --entry DEG --raising retards|advances");
  }
  if (numbers) {
    out += "\nCheck after entering it\n";
    for (const std::string& line : checks_after_entry()) {
      append_wrapped(out, "  - ", "    ", line);
    }
  }
  out += "\nCaution\n";
  for (const std::string& line : offset_cautions()) {
    append_wrapped(out, "  - ", "    ", line);
  }
  return out;
}

}  // namespace cw
