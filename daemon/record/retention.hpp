// Old sessions: what of them is idle running and may go, so that a disk does not fill. What bears on a warning or a fault
// stays. Planning changes nothing; each step is carried out by itself.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "record/capture_index.hpp"
#include "record/file_layer.hpp"

namespace cw {

struct RetentionRules {
  std::optional<std::int64_t> keep_ns;       // sessions that ended longer ago lose their idle running
  std::optional<std::uint64_t> keep_bytes;   // while all together take more, the oldest do
  std::int64_t lead_in_ns = 30'000'000'000;  // of a window that stays
  std::int64_t after_ns = 10'000'000'000;
  std::int64_t now_wall_ns = 0;  // since 1970
};

// What is done to one session.
struct RetentionStep {
  std::string folder;
  bool whole = false;  // no warning or fault was found in it: all of it goes. Else only idle segments do.
  std::vector<IndexedSegment> segments;  // that go
  std::uint64_t bytes = 0;               // that this makes free
  std::int64_t ended_wall_ns = 0;
};

struct RetentionPlan {
  std::vector<RetentionStep> steps;     // oldest session first
  std::vector<std::string> left_alone;  // one line each: what in the folder is not touched, and why
  std::uint64_t sessions = 0;
  std::uint64_t bytes_before = 0;  // of all sessions
  std::uint64_t bytes_after = 0;
};

// Looks at what lies directly in `folder`. Sessions are folders (no links) whose session.toml says that `run` made them;
// one that is being written, and one whose events.jsonl can't be read, are left alone. A session ended when its newest
// file was last written. An error line when `folder` can't be read.
std::variant<RetentionPlan, std::string> plan_retention(const FileLayer& layer, const std::string& folder,
                                                        const RetentionRules& rules);

// Removes what the step says, if no one writes to the session. In a session that goes as a whole, files that are not ours
// stay, and so does its folder then. What goes from a session that stays is listed first (removed.csv), and told in its
// service.jsonl. A power cut at any time leaves a session that can be read, or a step that can be done again.
Problem carry_out(const FileLayer& layer, const RetentionStep& step, std::int64_t now_wall_ns);

// "sessions/x: all of it, 12.0 MiB, ended 2026-01-02T03:04:05Z"
std::string step_in_words(const RetentionStep& step);

}  // namespace cw
