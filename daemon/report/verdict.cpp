#include "report/verdict.hpp"

#include <algorithm>

#include "report/finding_words.hpp"
#include "report/time_line.hpp"

namespace cw {

namespace {

constexpr std::size_t sentences_max = 6;

std::int64_t locked_ns(const SessionTotals& totals) {
  return totals.state_ns(LockState::cycle_locked) + totals.state_ns(LockState::revolution_locked);
}

VerdictLevel level_of(const SessionTotals& totals) {
  if (totals.kinds().contains(FindingKind::cam_step)) {
    return VerdictLevel::stop;
  }
  if (totals.findings(Severity::fault) > 0) {
    return VerdictLevel::faults;
  }
  if (totals.findings(Severity::warning) > 0) {
    return VerdictLevel::warnings;
  }
  return locked_ns(totals) == 0 ? VerdictLevel::nothing_said : VerdictLevel::no_fault;
}

std::string grave_count(const SessionTotals& totals) {
  const std::uint64_t faults = totals.findings(Severity::fault);
  const std::uint64_t warnings = totals.findings(Severity::warning);
  return (faults > 0 ? count_of(faults, "fault", "faults") : "") + (faults > 0 && warnings > 0 ? " and " : "") +
         (warnings > 0 ? count_of(warnings, "warning", "warnings") : "");
}

std::string headline_of(VerdictLevel level, const SessionTotals& totals) {
  switch (level) {
    case VerdictLevel::stop:
      return "Stop: a cam moved against the crank. Do not restart or crank the engine.";
    case VerdictLevel::faults:
    case VerdictLevel::warnings:
      return grave_count(totals) + " seen";
    case VerdictLevel::no_fault:
      return "No fault seen";
    case VerdictLevel::nothing_said:
      break;
  }
  return "Nothing can be said about timing";
}

// One line: what, where, when, who is behind it. Why stands with the findings.
std::string sentence_of(const Trouble& trouble) {
  const std::string suspect = attribution_words(trouble.first.finding.attribution);
  return trouble_name(trouble) + " " +
         trouble_times(trouble, moment_words(trouble.first.begin_ns), moment_words(trouble.last_begin_ns)) +
         (suspect.empty()                                               ? "."
          : trouble.first.finding.attribution == Attribution::undecided ? "; what is behind it is undecided."
                                                                        : "; suspect: " + suspect + ".");
}

// How long, in which state.
std::string watched_sentence(const SessionTotals& totals) {
  const std::int64_t full = totals.state_ns(LockState::cycle_locked);
  const std::int64_t half = totals.state_ns(LockState::revolution_locked);
  if (full + half == 0) {
    return totals.edges() == 0
               ? "No edge was seen in " + moment_words(totals.span_ns()) + "."
               : "Edges came for " + moment_words(totals.span_ns()) + ", but the crank position was never known.";
  }
  std::string out = "Watched " + moment_words(totals.span_ns()) +
                    ", of which the crank position was known within the cycle for " + moment_words(full);
  constexpr std::int64_t worth_telling = 100;
  out += half > full / worth_telling ? ", within a turn only for " + moment_words(half) : "";
  return out + "; " + count_of(totals.cycles(), "cycle", "cycles") + ".";
}

}  // namespace

Verdict verdict_of(const Engine& engine, const SessionTotals& totals, const SessionPicture& picture) {
  Verdict verdict;
  verdict.level = level_of(totals);
  verdict.headline = headline_of(verdict.level, totals);
  const std::vector<Trouble> troubles = picture.findings().troubles();
  std::size_t more = 0;
  for (const Trouble& trouble : troubles) {
    if (trouble.worst < Severity::warning) {
      continue;
    }
    if (verdict.sentences.size() < sentences_max) {
      verdict.sentences.push_back(sentence_of(trouble));
    } else {
      ++more;
    }
    if (trouble.first.finding.attribution == Attribution::undecided) {
      verdict.undecided.push_back(trouble_name(trouble) + ": " + as_a_sentence(trouble.first.finding.reason));
    }
  }
  if (more > 0) {
    verdict.sentences.push_back(count_of(more, "kind of trouble", "kinds of trouble") +
                                " more stand in the table of findings.");
  }
  const bool crank_named =
      std::find(totals.channels().begin(), totals.channels().end(), engine.crank.channel) != totals.channels().end();
  if (!crank_named && totals.edges() > 0) {
    verdict.sentences.push_back("No channel was called \"" + engine.crank.channel +
                                "\": the crank was not watched at all.");
  }
  if (locked_ns(totals) == 0 && verdict.level != VerdictLevel::nothing_said) {
    verdict.sentences.emplace_back("The crank position was never known, so nothing can be said about timing.");
  }
  verdict.watched.push_back(watched_sentence(totals));
  if (totals.tdc_deviation_deg().count() > 0) {
    verdict.watched.push_back("The ECU's mark against the engine file: " + mean_in_words(totals.tdc_deviation_deg()) +
                              ".");
  }
  verdict.not_watched = totals.not_watched();
  return verdict;
}

}  // namespace cw
