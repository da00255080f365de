#include "monitor/finding_gate.hpp"

#include <algorithm>
#include <utility>

namespace cw {

namespace {

// What was lost adds up: "lost_items", "lost_bytes". Other values stay those of the first.
void add_losses(const Finding& from, Finding& to) {
  for (const auto& [name, value] : from.values) {
    if (!name.starts_with("lost_")) {
      continue;
    }
    const auto same = std::find_if(to.values.begin(), to.values.end(),
                                   [&, &name = name](const auto& other) { return other.first == name; });
    if (same != to.values.end()) {
      same->second += value;
    } else {
      to.values.emplace_back(name, value);
    }
  }
}

}  // namespace

std::optional<Finding> FindingGate::pass(Finding finding) {
  if (finding.phase != FindingPhase::single) {
    return finding;
  }
  Kind& kind = kinds_.at(static_cast<std::size_t>(finding.kind));
  if (kind.passed < single_per_second_max) {
    ++kind.passed;
    return finding;
  }
  if (!kind.waiting) {
    kind.waiting = std::move(finding);
    return std::nullopt;
  }
  Finding& waiting = *kind.waiting;
  waiting.count += finding.count;
  add_losses(finding, waiting);
  waiting.end_ns = std::max(waiting.end_ns, finding.end_ns);
  waiting.session_ns = finding.session_ns;
  waiting.evidence_last = finding.evidence_last;
  return std::nullopt;
}

std::vector<Finding> FindingGate::end_second() {
  std::vector<Finding> ready;
  for (Kind& kind : kinds_) {
    if (kind.waiting) {
      ready.push_back(std::move(*kind.waiting));
    }
    kind = Kind{};
  }
  return ready;
}

}  // namespace cw
