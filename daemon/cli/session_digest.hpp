// A session in a few numbers, from its text files alone: summary.json, or trend.csv and events.jsonl of one that was not
// closed in good order. The capture is not needed.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <variant>

#include "compare/baseline_compare.hpp"

namespace cw {

struct SessionDigest {
  std::string folder;
  std::string engine;
  std::string engine_text;
  std::string wall_time;  // when it began, RFC 3339; empty = not known
  bool closed = false;    // summary.json is there
  double span_s = 0;
  double locked_share = 0;  // of the time, in cycle-lock
  std::map<std::string, double> state_s;
  std::uint64_t faults = 0;
  std::uint64_t warnings = 0;
  std::uint64_t notes = 0;
  std::map<std::string, std::uint64_t> kinds;  // of warnings and faults, where events.jsonl or the summary tell them
  // Of these three the uncertainty is the standard deviation over the session: it has every speed in it.
  std::optional<BaselineNumber> tdc_deviation_deg;
  std::optional<BaselineNumber> sync_margin;
  std::map<std::string, BaselineNumber> cam_phase_deg;
  std::optional<BaselineNumber> offset_deg;  // 95 %
  std::optional<BaselineNumber> delay_us;
};

// An error line when the folder is no session, or its files can't be read.
std::variant<SessionDigest, std::string> read_digest(const std::string& folder);

}  // namespace cw
