#include <array>

#include "config/sections.hpp"

namespace cw {

namespace {

constexpr std::array mode_words = {Word<RecordMode>{"everything", RecordMode::everything},
                                   Word<RecordMode>{"black-box", RecordMode::black_box}};

}  // namespace

RecordSpec read_record_section(const TableReader& in) {
  RecordSpec record;
  const Range kept_for = {0, 36'500, true, false};
  const Range kept_size = {0, 50'000, true, false};
  record.folder = in.text("folder", path_bytes_max).value_or(record.folder);
  record.mode = in.word<RecordMode>("mode", mode_words).value_or(record.mode);
  record.lead_in_s = in.number("lead_in_s", {5, 600}).value_or(record.lead_in_s);
  record.after_s = in.number("after_s", {0, 600}).value_or(record.after_s);
  record.keep_days = in.number("keep_days", kept_for);
  record.keep_gib = in.number("keep_gib", kept_size);
  record.free_floor_mib = in.number("free_floor_mib", {0, 50'000}).value_or(record.free_floor_mib);
  record.report = in.flag("report").value_or(record.report);
  return record;
}

}  // namespace cw
