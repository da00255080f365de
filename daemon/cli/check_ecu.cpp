#include "cli/check_ecu.hpp"

#include <algorithm>
#include <string>

#include "cli/check_page.hpp"

namespace cw {

namespace {

using enum SignalName;

std::string ms_words(double ms) {
  return plain_number(ms) + " ms";
}

// One comparison each, or why there is none.
std::vector<std::string> comparisons(const Engine& engine, const std::vector<BusMap>& maps) {
  const Limits& limits = engine.limits;
  std::vector<std::string> out;
  out.push_back(gives(maps, engine_speed)
                    ? "Engine speed: told when it is off by more than " + plain_number(limits.ecu_speed_pct) +
                          " % and " + plain_number(limits.ecu_speed_rpm) +
                          " rpm; a ratio that stays betrays a tooth count."
                    : "Engine speed: not compared (no engine_speed in a map).");
  const bool state = gives(maps, sync_state);
  const bool count = gives(maps, sync_loss_count);
  out.push_back(state || count
                    ? std::string("Sync: lost by ") + (state ? "its state" : "") + (state && count ? " or " : "") +
                          (count ? "its counter" : "") + ", held against the edges at that time."
                    : "Sync: whether the ECU loses it can't be known (neither sync_state nor sync_loss_count).");
  const bool marks_spark = engine.reference && engine.reference->marks == ReferenceMark::spark;
  out.push_back(!gives(maps, spark_advance) ? "Spark advance: not compared (no spark_advance)."
                : !marks_spark              ? "Spark advance: not compared (no reference that marks the spark)."
                : !engine.reference->advance_from.empty()
                    ? "Spark advance: the mark is expected where the ECU says (advance_from)."
                    : "Spark advance: told when the mark is off by more than " + plain_number(limits.ecu_advance_deg) +
                          " degrees.");
  out.push_back(gives(maps, cam_angle) ? "Cam angles: told when off by more than " + plain_number(limits.ecu_cam_deg) +
                                             " degrees" + (gives(maps, cam_target) ? ", from the target too." : ".")
                                       : "Cam angles: not compared (no cam_angle).");
  if (gives(maps, trigger_offset)) {
    out.emplace_back(
        "Trigger offset: told when it changes; not held against the file's, since ECUs count it in their own way.");
  }
  return out;
}

}  // namespace

void explain_ecu_side(const Engine& engine, const std::vector<BusMap>& maps, const CheckLook& look, std::ostream& out) {
  const Limits& limits = engine.limits;
  Page page(look, out);
  page.heading("What the ECU says, against the edges");
  for (const std::string& line : comparisons(engine, maps)) {
    page.item(line);
  }
  page.item("A disagreement is told after " + ms_words(limits.ecu_hold_ms) + "; the broadcast may be late by " +
            ms_words(limits.ecu_latency_ms) + ", and what is older than " + ms_words(limits.ecu_stale_ms) +
            " is not compared. Silence is told after " + ms_words(limits.ecu_silent_ms) +
            " or ten periods of a message.");
  if (!gives(maps, spark_cut) && !gives(maps, fuel_cut)) {
    page.item("Cuts are not known (neither spark_cut nor fuel_cut): in a cut the mark may be told as missing or off.");
  }
  page.item(
      "With CAN alone, without edges, only the broadcast itself is watched: that sync was lost is seen, whether the "
      "signal or the ECU failed is not.");
}

}  // namespace cw
