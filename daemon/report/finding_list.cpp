#include "report/finding_list.hpp"

#include <algorithm>
#include <array>
#include <map>
#include <tuple>

#include "report/finding_words.hpp"

namespace cw {

namespace {

bool is_same_trouble(const Finding& a, const Finding& b) {
  return a.kind == b.kind && a.channel == b.channel && a.attribution == b.attribution && a.reason == b.reason;
}

bool comes_first(const ListedFinding& a, const ListedFinding& b) {
  return std::tuple(-static_cast<int>(a.finding.severity), a.begin_ns, a.finding.id) <
         std::tuple(-static_cast<int>(b.finding.severity), b.begin_ns, b.finding.id);
}

}  // namespace

void FindingList::add(const Finding& finding, std::int64_t begin_ns) {
  if (finding.phase == FindingPhase::close) {
    for (Trouble& trouble : troubles_) {
      if (trouble.open_id == finding.id) {
        trouble.open_id.reset();
      }
    }
    return;
  }
  ++lines_;
  const ListedFinding entry{finding, begin_ns};
  listed_.insert(std::upper_bound(listed_.begin(), listed_.end(), entry, comes_first), entry);
  if (listed_.size() > listed_max) {
    listed_.pop_back();
  }
  auto known = std::find_if(troubles_.begin(), troubles_.end(),
                            [&](const Trouble& trouble) { return is_same_trouble(trouble.first.finding, finding); });
  if (known == troubles_.end()) {
    if (troubles_.size() >= troubles_max) {
      return;
    }
    known = troubles_.insert(troubles_.end(), Trouble{entry, finding.severity, 0, begin_ns, std::nullopt});
  }
  known->worst = std::max(known->worst, finding.severity);
  known->count += finding.count;
  known->last_begin_ns = std::max(known->last_begin_ns, begin_ns);
  if (finding.phase == FindingPhase::open) {
    known->open_id = finding.id;
  }
}

std::vector<Trouble> FindingList::troubles() const {
  std::vector<Trouble> sorted = troubles_;
  // A cam that jumped is what may cost an engine: nothing comes before it.
  const auto rank = [](const Trouble& trouble) {
    return std::pair(trouble.first.finding.kind != FindingKind::cam_step, -static_cast<int>(trouble.worst));
  };
  std::stable_sort(sorted.begin(), sorted.end(), [&](const Trouble& a, const Trouble& b) { return rank(a) < rank(b); });
  return sorted;
}

// Whether a finding of the same kind, channel and cycle comes before it: one drawing shows both.
bool FindingList::is_drawn_with_another(std::size_t index) const {
  const Finding& finding = listed_[index].finding;
  return finding.cycle && std::any_of(listed_.begin(), listed_.begin() + static_cast<std::ptrdiff_t>(index),
                                      [&](const ListedFinding& other) {
                                        return other.finding.kind == finding.kind &&
                                               other.finding.channel == finding.channel &&
                                               other.finding.cycle == finding.cycle;
                                      });
}

std::vector<std::size_t> FindingList::to_draw(std::size_t most) const {
  struct Place {
    int severity = 0;
    std::size_t repeat = 0;
    std::size_t index = 0;
  };
  std::vector<Place> places;
  std::map<std::tuple<FindingKind, std::string, std::string>, std::size_t> repeats;
  for (std::size_t i = 0; i < listed_.size(); ++i) {
    const Finding& finding = listed_[i].finding;
    if (is_seen_in_edges(finding.kind) && !is_drawn_with_another(i)) {
      const std::size_t repeat = repeats[{finding.kind, finding.channel, finding.reason}]++;
      places.push_back({static_cast<int>(finding.severity), repeat, i});
    }
  }
  std::stable_sort(places.begin(), places.end(), [](const Place& a, const Place& b) {
    return std::tuple(a.repeat, -a.severity, a.index) < std::tuple(b.repeat, -b.severity, b.index);
  });
  places.resize(std::min(places.size(), most));
  std::stable_sort(places.begin(), places.end(), [](const Place& a, const Place& b) { return a.index < b.index; });
  std::vector<std::size_t> chosen;
  chosen.reserve(places.size());
  for (const Place& place : places) {
    chosen.push_back(place.index);
  }
  return chosen;
}

std::string trouble_name(const Trouble& trouble) {
  const Finding& finding = trouble.first.finding;
  return kind_words(finding.kind) + (finding.channel.empty() ? "" : " (" + finding.channel + ")");
}

std::string trouble_times(const Trouble& trouble, const std::string& first, const std::string& last) {
  if (trouble.count == 1) {
    return "at " + first;
  }
  const std::string times = std::to_string(trouble.count) + " times";
  return first == last ? times + " at " + first : times + " from " + first + " to " + last;
}

bool is_seen_in_edges(FindingKind kind) {
  static constexpr std::array kinds = {
      FindingKind::sync_lost,
      FindingKind::extra_edge,
      FindingKind::missed_edge,
      FindingKind::noise_burst,
      FindingKind::cam_edge_missing,
      FindingKind::crank_signal_stopped,
      FindingKind::cam_extra_edge,
      FindingKind::cam_signal_dead,
      FindingKind::cam_deviation,
      FindingKind::cam_step,
      FindingKind::crank_wheel_step,
      FindingKind::tdc_deviation,
      FindingKind::tdc_step,
      FindingKind::margin_low,
      FindingKind::damaged_tooth,
      FindingKind::wrong_edge_or_polarity,
      FindingKind::wrong_engine_file,
      FindingKind::reference_missing,
      FindingKind::ecu_lost_sync_on_clean_signal,
      FindingKind::ecu_missed_fault,
  };
  return std::find(kinds.begin(), kinds.end(), kind) != kinds.end();
}

std::vector<NextCheck> next_checks(const std::vector<Trouble>& troubles) {
  std::vector<NextCheck> checks;
  for (const Trouble& trouble : troubles) {
    const std::string who = kind_words(trouble.first.finding.kind);
    for (const std::string& text : trouble.first.finding.next_checks) {
      auto known =
          std::find_if(checks.begin(), checks.end(), [&](const NextCheck& check) { return check.text == text; });
      if (known == checks.end()) {
        known = checks.insert(checks.end(), NextCheck{text, trouble.worst, {}});
      }
      if (std::find(known->asked_by.begin(), known->asked_by.end(), who) == known->asked_by.end()) {
        known->asked_by.push_back(who);
      }
    }
  }
  return checks;
}

}  // namespace cw
