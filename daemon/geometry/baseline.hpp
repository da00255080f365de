// What an installation was like when it was found good: kept in a file, and later sessions are held against it.
// Plain data; compare/ makes and judges it, config/ reads and writes the file.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace cw {

struct BaselineNumber {
  double value = 0;
  double uncertainty = 0;  // 95 % half width

  friend bool operator==(const BaselineNumber&, const BaselineNumber&) = default;
};

// Steady running at speeds [from_rpm, to_rpm).
struct BaselineBand {
  double from_rpm = 0;
  double to_rpm = 0;
  std::uint32_t cycles = 0;
  std::optional<BaselineNumber> tdc_deviation_deg;  // + = the ECU's mark is late
  double spread_deg = 0;                            // of the deviation of one cycle, standard deviation
  std::optional<BaselineNumber> sync_margin;

  friend bool operator==(const BaselineBand&, const BaselineBand&) = default;
};

struct BaselineCam {
  std::string name;
  BaselineNumber phase_deg;  // parked, + = late

  friend bool operator==(const BaselineCam&, const BaselineCam&) = default;
};

struct BaselineTooth {
  int number = 0;
  BaselineNumber error_deg;  // + = late

  friend bool operator==(const BaselineTooth&, const BaselineTooth&) = default;
};

struct Baseline {
  std::string program;              // that made it
  std::string engine_name;          // of the engine file
  std::string wall_time;            // when the session began, RFC 3339; empty = not known
  double trigger_offset_deg = 0;    // of the engine file: a later file with another one is another question
  std::vector<BaselineBand> bands;  // ascending, those with enough running
  std::optional<BaselineNumber> offset_deg;
  std::optional<BaselineNumber> delay_us;
  std::vector<BaselineCam> cams;
  std::vector<BaselineTooth> teeth;

  friend bool operator==(const Baseline&, const Baseline&) = default;
};

}  // namespace cw
