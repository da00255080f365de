// The I/O side of `run`: reads the sources, stamps what arrives, ticks, and hands everything to the pipeline. One
// thread (Boost.Asio), and one for each link, which only opens it: that may take seconds, and the others are read on.
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
  const DriverEntry* entry = nullptr;  // where it is from; never nullptr
  SourceAddress where;
  int descriptor = -1;  // open, and owned by the input from then on; -1 if the entry reconnects: the input opens it
};

enum class News : std::uint8_t { good, trouble };
using TellNews = std::function<void(News, const std::string&)>;

struct LiveReport {
  std::string stopped_by;        // "signal", "end of input", or "input failed"
  std::uint64_t lost_items = 0;  // read, but no room for them: before sequencing
  std::uint64_t bad_inputs = 0;  // lines or frames that could not be read
  std::uint64_t lost_bytes = 0;  // that the kernel lost on serial ports
};

class LiveInput {
 public:
  // `pipeline` and `session` must outlive it. `tell` gets what happens to the sources as one line each.
  LiveInput(std::vector<LiveSource> sources, Pipeline& pipeline, SessionWriter& session, TellNews tell);
  LiveInput(const LiveInput&) = delete;
  LiveInput& operator=(const LiveInput&) = delete;
  ~LiveInput();

  // Returns when all sources have ended or SIGINT, SIGTERM or SIGHUP has come. Files, FIFOs and standard input end;
  // links (entries that reconnect) never do: with one among them only a signal ends the run.
  LiveReport run();

 private:
  class Loop;
  std::unique_ptr<Loop> loop_;
};

}  // namespace cw
