// The findings of a session, however many, in bounded room: those that the report lists, the kinds of trouble with what
// to check, and which of them are drawn.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "items/observation.hpp"

namespace cw {

// A finding and when it began on the session's clock (ns from the first item): `Finding::session_ns` is when it was
// decided.
struct ListedFinding {
  Finding finding;
  std::int64_t begin_ns = 0;
};

// Findings that say the same: of one kind, on one channel, for one reason.
struct Trouble {
  ListedFinding first;  // in time
  Severity worst = Severity::info;
  std::uint64_t count = 0;  // all of them, `close` not counted
  std::int64_t last_begin_ns = 0;
  std::optional<std::uint64_t> open_id;  // of the last of them, as long as it has not ended
};

class FindingList {
 public:
  static constexpr std::size_t listed_max = 250;
  static constexpr std::size_t troubles_max = 200;

  void add(const Finding& finding, std::int64_t begin_ns);

  // The gravest, of these the earliest: at most listed_max, gravest first, then by time. `close` is not among them.
  const std::vector<ListedFinding>& listed() const { return listed_; }
  std::uint64_t lines() const { return lines_; }  // all that could have been listed
  // What was seen: cams that jumped, then gravest first, then by time. At most troubles_max (there are fewer kinds and reasons than that, but
  // for channels).
  std::vector<Trouble> troubles() const;

  // What is drawn: gravest first, each trouble once before one is drawn twice, at most `most` in all. In time order
  // within the same rank. Indices into listed().
  std::vector<std::size_t> to_draw(std::size_t most) const;

 private:
  bool is_drawn_with_another(std::size_t index) const;

  std::vector<ListedFinding> listed_;
  std::vector<Trouble> troubles_;
  std::uint64_t lines_ = 0;
};

// "Missed edge (crank)".
std::string trouble_name(const Trouble& trouble);
// "at FIRST", "3 times from FIRST to LAST".
std::string trouble_times(const Trouble& trouble, const std::string& first, const std::string& last);

// Whether raw edges on a crank-angle axis say something about findings of this kind.
bool is_seen_in_edges(FindingKind kind);

// The checks of all troubles, each once, in their order, and who asks for them. So what bears on a cam that jumped comes
// first of all: it begins with a caution.
struct NextCheck {
  std::string text;
  Severity severity = Severity::info;
  std::vector<std::string> asked_by;  // kinds in words, each once
};
std::vector<NextCheck> next_checks(const std::vector<Trouble>& troubles);

}  // namespace cw
