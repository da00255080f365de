// The I/O side of `run`: reads the sources, stamps what arrives, ticks, and hands everything to the pipeline. One
// thread (Boost.Asio).
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "cli/pipeline.hpp"
#include "drivers/driver.hpp"
#include "record/session_info.hpp"
#include "record/session_writer.hpp"

namespace cw {

// Nanoseconds of the host's monotonic clock.
std::int64_t host_now_ns();

struct LiveSource {
  SourceInfo info;
  std::unique_ptr<Driver> driver;
  int descriptor = -1;  // owned by the input from then on
};

struct LiveReport {
  std::string stopped_by;        // "signal", "end of input", or "input failed"
  std::uint64_t lost_items = 0;  // read, but no room for them: before sequencing
  std::uint64_t bad_inputs = 0;  // lines or frames that could not be read
};

class LiveInput {
 public:
  // `pipeline` and `session` must outlive it. `tell` gets trouble as one line each.
  LiveInput(std::vector<LiveSource> sources, Pipeline& pipeline, SessionWriter& session,
            std::function<void(const std::string&)> tell);
  LiveInput(const LiveInput&) = delete;
  LiveInput& operator=(const LiveInput&) = delete;
  ~LiveInput();

  // Returns when all sources have ended or SIGINT, SIGTERM or SIGHUP has come.
  LiveReport run();

 private:
  class Loop;
  std::unique_ptr<Loop> loop_;
};

}  // namespace cw
