// The I/O side of `run`: reads the sources, stamps what arrives, ticks, and hands everything to the pipeline. One
// thread (Boost.Asio), and one for each link, which only opens it: that may take seconds, and the others are read on.
#pragma once

#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <string>
#include <vector>

#include "cli/pipeline.hpp"
#include "cli/signals.hpp"
#include "drivers/driver.hpp"
#include "record/session_info.hpp"
#include "record/session_writer.hpp"
#include "serve/live_state.hpp"

namespace cw {

// Nanoseconds of the host's monotonic clock.
std::int64_t host_now_ns();

struct LiveSource {
  SourceInfo info;
  std::unique_ptr<Driver> driver;
  const DriverEntry* entry = nullptr;  // where it is from; never nullptr
  SourceAddress where;
  int descriptor = -1;  // open, and owned by the input from then on; -1 if the entry reconnects: the input opens it

  // Of one that goes on from the session before: its driver and descriptor are in use, no byte of it is lost.
  bool goes_on = false;
  std::map<std::uint8_t, std::string> channel_names;  // told so far, by number
  std::uint64_t port_counter = 0;                     // bytes that the kernel said were lost, so far
};

enum class News : std::uint8_t { good, trouble };

// What the input calls, all on its own thread. Each may be empty.
struct LiveHooks {
  std::function<void(News, const std::string&)> tell;     // what happens to the sources, one line each
  std::function<void()> started;                          // the sources are set up; links may not be there yet
  std::function<void()> tick;                             // ten times a second
  std::function<void(std::vector<SourceHealth>)> health;  // likewise, how the sources are
  std::function<bool()> reload;  // SIGHUP: whether to end here so that a new session can begin; empty: no
};

struct LiveReport {
  std::string stopped_by;        // "signal", "reload", "end of input", or "input failed"
  std::uint64_t lost_items = 0;  // read, but no room for them: before sequencing
  std::uint64_t bad_inputs = 0;  // lines or frames that could not be read
  std::uint64_t lost_bytes = 0;  // that the kernel lost on serial ports
};

class LiveInput {
 public:
  // `pipeline`, `session` and `signals` must outlive it.
  LiveInput(std::vector<LiveSource> sources, Pipeline& pipeline, SessionWriter& session, const Signals& signals,
            LiveHooks hooks);
  LiveInput(const LiveInput&) = delete;
  LiveInput& operator=(const LiveInput&) = delete;
  ~LiveInput();

  // Returns when all sources have ended, SIGINT or SIGTERM has come, or SIGHUP and a new session can begin. Files, FIFOs
  // and standard input end; links (entries that reconnect) never do: with one among them only a signal ends the run.
  // What was read has been handed on then, or counted as lost.
  LiveReport run();

  // After run(): the sources that are still open, for another input to go on with.
  std::vector<LiveSource> take_open_sources();

 private:
  class Loop;
  std::unique_ptr<Loop> loop_;
};

}  // namespace cw
