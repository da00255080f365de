// From a time on the source's clock to a sequence number, for saying where the raw edges of a finding are.
#pragma once

#include <cstddef>
#include <cstdint>
#include <deque>

namespace cw {

class EvidenceIndex {
 public:
  void note(std::int64_t source_ns, std::uint64_t sequence) {
    if (marks_.size() >= marks_max) {
      marks_.pop_front();
    }
    marks_.push_back({source_ns, sequence});
  }

  // The last noted sequence number at or before `source_ns`, else the oldest one known, else 0.
  std::uint64_t at_or_before(std::int64_t source_ns) const {
    std::uint64_t found = marks_.empty() ? 0 : marks_.front().sequence;
    for (auto mark = marks_.rbegin(); mark != marks_.rend(); ++mark) {
      if (mark->source_ns <= source_ns) {
        return mark->sequence;
      }
    }
    return found;
  }

 private:
  static constexpr std::size_t marks_max = 8192;
  struct Mark {
    std::int64_t source_ns = 0;
    std::uint64_t sequence = 0;
  };
  std::deque<Mark> marks_;
};

}  // namespace cw
