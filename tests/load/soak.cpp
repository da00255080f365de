#include "soak.hpp"

#include <fcntl.h>
#include <sys/stat.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <functional>
#include <map>
#include <optional>
#include <thread>

#include "check.hpp"
#include "cli/live_input.hpp"
#include "drivers/registry.hpp"
#include "edges.hpp"
#include "process_look.hpp"
#include "session_look.hpp"
#include "tests/unit/cli/links.hpp"
#include "tests/unit/cli/program.hpp"
#include "tests/unit/drivers/encoder_object.h"

namespace cw::load {

namespace {

namespace fs = std::filesystem;
using std::chrono::milliseconds;

const std::string engine_path = CRANKWITNESS_SOURCE_DIR "/config/engines/ridge-six.toml";
constexpr std::int64_t ns_per_s = 1'000'000'000;
constexpr std::int64_t stretch_s = 300;
constexpr std::int64_t stretches_per_hour = 3600 / stretch_s;

// The queues fill and empty, so memory swings; what leaks raises the least of it. In the last quarter that may be no more
// than this above the least of the first: so much the allocator may keep of a queue of 16 MiB that was full once (seen:
// 8 MiB, when a disk had stalled). What grows by 8 bytes with each engine cycle takes as much in 24 hours.
constexpr std::uint64_t growth_kib_max = 16 * 1024;
// Two queues of 16 MiB, batches of some MiB on their way between them, and what the allocator keeps of both.
constexpr std::uint64_t most_kib_max = 160 * 1024;

// Start, idle, sweep, steady running and run-down to the stop: `stretch_s` in all.
constexpr const char* sound_scenario = R"(tick_ns = 1000
[crank]
jitter_ns = 1000
pitch_error_sd_deg = 0.02
[[cam]]
name = "inlet"
jitter_deg = 0.1
[[phase]]
kind = "rest"
duration_s = 1
[[phase]]
kind = "crank"
duration_s = 1.5
[[phase]]
kind = "run"
rpm = 900
duration_s = 28
[[phase]]
kind = "sweep"
rpm = 1500
rpm_end = 6000
period_s = 20
duration_s = 160
[[phase]]
kind = "run"
rpm = 3000
duration_s = 100
[[phase]]
kind = "run-down"
duration_s = 6
[[phase]]
kind = "rest"
duration_s = 3.5
)";
constexpr const char* faults = R"(
[[fault]]
kind = "missed-edge"
at_s = 10
every_cycles = 200
[[fault]]
kind = "extra-edge"
at_s = 12
every_cycles = 310
[[fault]]
kind = "cam-edge-missing"
at_s = 13
every_cycles = 700
[[fault]]
kind = "noise-burst"
at_s = 40
every_cycles = 1500
count = 30
width_us = 5
span_deg = 300
[[fault]]
kind = "crank-signal-stopped"
at_s = 250
for_s = 0.4
)";

// The edges of edge CSV, channels numbered as the device names them.
std::vector<Edge> edges_of_csv(const std::string& path) {
  const auto driver = find_driver("csv")->make({path, false, {}});
  ItemBuffer items;
  driver->read(test::file_text(path), items);
  driver->finish(items);
  static constexpr std::array<std::string_view, 3> names = {"crank", "cam1", "ref"};
  std::map<std::uint8_t, std::uint8_t> number;
  for (Item& item : items.items) {
    if (item.kind == ItemKind::link_note && item.code == static_cast<std::uint8_t>(LinkNote::channel_named)) {
      const auto bytes = payload_of(item, items.payload);
      const std::string_view name(reinterpret_cast<const char*>(bytes.data()), bytes.size());
      number[item.channel] = static_cast<std::uint8_t>(std::find(names.begin(), names.end(), name) - names.begin());
    } else if (item.kind == ItemKind::edge) {
      item.channel = number[item.channel];
    }
  }
  return edges_of(items);
}

std::vector<Edge> simulated(const test::ScratchFolder& folder, const std::string& name, const std::string& scenario) {
  const std::string path = folder / (name + ".toml");
  test::write_text(path, "engine = \"" + engine_path + "\"\n" + scenario);
  const test::Ended ended = test::run_program(folder, {"simulate", path, "--out", folder / name});
  if (ended.code != 0) {
    std::printf("simulate: %s\n", ended.err.c_str());
  }
  std::vector<Edge> edges = edges_of_csv(folder / name + "/edges.csv");
  fs::remove_all(folder / name);
  return edges;
}

// The device: the C encoder; what it writes goes to `put`.
class StreamWriter {
 public:
  explicit StreamWriter(std::function<void(const char*, std::size_t)> put) : put_(std::move(put)), ring_(ring_bytes) {
    static const char* const names[] = {"crank", "cam1", "ref"};
    encoder_init(&encoder_, CWES_BINARY, ticks_per_s, 32, names, 3, ring_.data(), ring_.size());
  }

  void edge(const Edge& edge) {
    keep_polling(edge.t_ns);
    encoder_edge(&encoder_, edge.channel, edge.rising ? 1 : 0, static_cast<std::uint64_t>(edge.t_ns) / ns_per_tick);
    ++edges_;
    if (cwes_waiting(&encoder_) > ring_bytes / 2) {
      take();
    }
  }
  void end() {
    encoder_flush(&encoder_);
    take();
  }
  std::uint64_t edges() const { return edges_; }
  std::uint64_t dropped() const { return encoder_.dropped; }
  std::uint64_t bytes() const { return bytes_; }

 private:
  static constexpr std::size_t ring_bytes = 65536;
  static constexpr std::uint32_t ticks_per_s = 1'000'000;
  static constexpr std::uint64_t ns_per_tick = 1000;

  void keep_polling(std::int64_t to_ns) {
    constexpr std::int64_t poll_ns = 4'000'000;
    for (; polled_ns_ < to_ns; polled_ns_ += poll_ns) {
      encoder_poll(&encoder_, static_cast<std::uint64_t>(polled_ns_) / ns_per_tick);
    }
  }
  void take() {
    taken_.resize(cwes_waiting(&encoder_));
    encoder_take(&encoder_, taken_.data(), taken_.size());
    bytes_ += taken_.size();
    put_(reinterpret_cast<const char*>(taken_.data()), taken_.size());
  }

  std::function<void(const char*, std::size_t)> put_;
  std::vector<std::uint8_t> ring_;
  std::vector<std::uint8_t> taken_;
  cwes_encoder encoder_{};
  std::int64_t polled_ns_ = 0;
  std::uint64_t edges_ = 0;
  std::uint64_t bytes_ = 0;
};

struct MemorySample {
  double hours = 0;  // of engine time
  std::uint64_t kib = 0;
};

// Looks at the memory of a process until it ends.
class MemoryWatch {
 public:
  MemoryWatch(pid_t process, std::function<double()> hours) : process_(process), hours_(std::move(hours)) {
    thread_ = std::thread([this] { watch(); });
  }
  MemoryWatch(const MemoryWatch&) = delete;
  MemoryWatch& operator=(const MemoryWatch&) = delete;
  ~MemoryWatch() { stop(); }

  const std::vector<MemorySample>& stop() {
    stopping_ = true;
    if (thread_.joinable()) {
      thread_.join();
    }
    return samples_;
  }
  ProcessLook last_look() const { return look_; }

 private:
  void watch() {
    constexpr milliseconds every{20};
    constexpr int look_every = 25;
    for (int i = 0; !stopping_; ++i) {
      const double hours = hours_();
      const std::uint64_t kib = resident_kib(process_);
      if (kib > 0) {
        samples_.push_back({hours, kib});
      }
      if (i % look_every == 0) {
        const ProcessLook look = look_at(process_);
        look_ = look.resident_kib > 0 ? look : look_;
      }
      std::this_thread::sleep_for(every);
    }
  }

  pid_t process_;
  std::function<double()> hours_;
  std::vector<MemorySample> samples_;
  ProcessLook look_;
  std::atomic<bool> stopping_{false};
  std::thread thread_;
};

// KiB an hour, by least squares.
double slope_of(const std::vector<MemorySample>& samples) {
  double n = 0;
  double x = 0;
  double y = 0;
  double xx = 0;
  double xy = 0;
  for (const MemorySample& sample : samples) {
    const auto kib = static_cast<double>(sample.kib);
    n += 1;
    x += sample.hours;
    y += kib;
    xx += sample.hours * sample.hours;
    xy += sample.hours * kib;
  }
  const double spread = n * xx - x * x;
  return spread > 0 ? (n * xy - x * y) / spread : 0;
}

// The least and the most of the samples between two times.
std::pair<std::uint64_t, std::uint64_t> span_of(const std::vector<MemorySample>& samples, double from, double to) {
  std::pair<std::uint64_t, std::uint64_t> span = {UINT64_MAX, 0};
  for (const MemorySample& sample : samples) {
    if (sample.hours >= from && sample.hours <= to) {
      span = {std::min(span.first, sample.kib), std::max(span.second, sample.kib)};
    }
  }
  return span;
}

bool judge_memory(const std::vector<MemorySample>& all, double hours) {
  const double settled_h = std::min(1.0, hours / 8);
  std::vector<MemorySample> samples;
  std::copy_if(all.begin(), all.end(), std::back_inserter(samples),
               [&](const MemorySample& sample) { return sample.hours >= settled_h; });
  const auto first = span_of(samples, settled_h, hours / 4);
  const auto last = span_of(samples, hours * 3 / 4, hours);
  if (!check(first.second > 0 && last.second > 0, "memory was looked at while it worked")) {
    return false;
  }
  std::printf("Memory      resident");
  for (const double at : {settled_h, hours / 4, hours / 2, hours}) {
    const auto found = std::find_if(samples.begin(), samples.end(),
                                    [&](const MemorySample& sample) { return sample.hours >= at - 1e-9; });
    const MemorySample& sample = found == samples.end() ? samples.back() : *found;
    std::printf(" %.1f MiB at %.1f h,", static_cast<double>(sample.kib) / 1024, sample.hours);
  }
  std::printf(" %+.1f KiB an hour (%zu looks)\n", slope_of(samples), samples.size());
  std::printf("            %.1f to %.1f MiB in the first quarter after %.1f h, %.1f to %.1f MiB in the last\n",
              static_cast<double>(first.first) / 1024, static_cast<double>(first.second) / 1024, settled_h,
              static_cast<double>(last.first) / 1024, static_cast<double>(last.second) / 1024);
  bool good = check(last.first <= first.first + growth_kib_max, "the least of the last quarter no more than " +
                                                                    std::to_string(growth_kib_max / 1024) +
                                                                    " MiB above that of the first");
  good &= check(span_of(all, 0, hours).second <= most_kib_max,
                "never more than " + std::to_string(most_kib_max / 1024) + " MiB");
  return good;
}

std::uint64_t bytes_below(const std::string& folder) {
  std::uint64_t bytes = 0;
  std::error_code error;
  for (const auto& entry : fs::recursive_directory_iterator(folder, error)) {
    bytes += entry.is_regular_file(error) ? entry.file_size(error) : 0;
  }
  return bytes;
}

double mib(std::uint64_t bytes) {
  return static_cast<double>(bytes) / (1024 * 1024);
}

// Live and faster than real time, a disk that stalls for a moment fills the queues; that is for other tests.
fs::path place_of(const Soak& soak) {
  if (!soak.folder.empty()) {
    return soak.folder;
  }
  return soak.by == SoakBy::run ? test::memory_place() : fs::temp_directory_path();
}

// One soak, from the simulated stretches to the verdict.
class SoakRun {
 public:
  explicit SoakRun(const Soak& soak) : soak_(soak), folder_(place_of(soak)) {}
  bool go();

 private:
  void feed(StreamWriter& writer, int faulty_every, const std::function<void(double hours)>& each_stretch);
  int replay(StreamWriter& writer);
  int run(StreamWriter& writer, int fifo);
  bool judge(const StreamWriter& writer, int code);

  const Soak& soak_;
  const test::ScratchFolder folder_;
  const std::string session_ = folder_ / "session";
  std::vector<Edge> sound_;
  std::vector<Edge> faulty_;
  std::vector<MemorySample> memory_;
  ProcessLook last_;
  std::int64_t begin_ns_ = 0;
};

// Stretch after stretch, each later by its length; every `faulty_every`-th has faults.
void SoakRun::feed(StreamWriter& writer, int faulty_every, const std::function<void(double hours)>& each_stretch) {
  const auto stretches = static_cast<int>(std::lround(soak_.hours * stretches_per_hour));
  for (int i = 0; i < stretches; ++i) {
    for (Edge edge : i % faulty_every == 0 ? faulty_ : sound_) {
      edge.t_ns += i * stretch_s * ns_per_s;
      writer.edge(edge);
    }
    each_stretch(static_cast<double>(i + 1) / stretches_per_hour);
  }
  writer.end();
}

int SoakRun::replay(StreamWriter& writer) {
  std::vector<MemorySample> marks = {{0, 0}};  // bytes by the hour, here
  feed(writer, 2, [&](double hours) { marks.push_back({hours, writer.bytes()}); });
  begin_ns_ = host_now_ns();
  const std::string stream = folder_ / "edges.stream";
  test::Program program(folder_, {"replay", stream, "--engine", engine_path, "--out", session_});
  const auto hours = [&, pid = program.pid()] {
    const std::uint64_t at = read_position(pid, stream);
    const auto next = std::find_if(marks.begin(), marks.end(), [&](const MemorySample& mark) { return mark.kib > at; });
    return next == marks.end() ? marks.back().hours : next->hours - 1.0 / stretches_per_hour;
  };
  MemoryWatch watch(program.pid(), hours);
  const int code = program.wait();
  memory_ = watch.stop();
  last_ = watch.last_look();
  // Once it has read everything the file is closed: its place is not known any more.
  for (bool began = false; MemorySample & sample : memory_) {
    began = began || sample.hours > 0;
    sample.hours = began && sample.hours == 0 ? soak_.hours : sample.hours;
  }
  return code;
}

int SoakRun::run(StreamWriter& writer, int fifo) {
  test::write_text(folder_ / "engine.toml",
                   test::file_text(engine_path) + "\n[record]\nmode = \"black-box\"\nlead_in_s = 5\nafter_s = 1\n");
  begin_ns_ = host_now_ns();
  test::Program program(
      folder_, {"run", folder_ / "engine.toml", "--source", "stream:" + (folder_ / "line"), "--out", session_});
  if (!test::wait_until([&] { return test::events_of_service(session_, "start") > 0; }, std::chrono::seconds(20))) {
    std::printf("%s\n", program.err().c_str());
    return -1;
  }
  std::atomic<double> fed_hours{0};
  MemoryWatch watch(program.pid(), [&] { return fed_hours.load(); });
  feed(writer, 3 * stretches_per_hour, [&](double hours) { fed_hours = hours; });
  ::close(fifo);
  const int code = program.wait();
  memory_ = watch.stop();
  last_ = watch.last_look();
  return code;
}

bool SoakRun::judge(const StreamWriter& writer, int code) {
  const double seconds = static_cast<double>(host_now_ns() - begin_ns_) * 1e-9;
  if (!check(fs::exists(session_ + "/summary.json"), "summary.json is there")) {
    return false;
  }
  const SessionLook look = look_at_text_files(session_);
  const std::string events = test::file_text(session_ + "/events.jsonl");
  const std::string trend = test::file_text(session_ + "/trend.csv");
  const auto rows = std::count(trend.begin(), trend.end(), '\n') - 1;
  std::printf("Edges       %llu sent as %.0f MiB, %llu analysed in %.0f s, %llu told lost; processor %.0f s\n",
              static_cast<unsigned long long>(writer.edges()), mib(writer.bytes()),
              static_cast<unsigned long long>(look.analysed_edges), seconds,
              static_cast<unsigned long long>(look.told_lost), last_.user_s + last_.system_s);
  std::printf(
      "Files       %.1f MiB in all, events.jsonl %.1f MiB in %ld lines, trend.csv %ld rows; items not recorded %llu; "
      "%llu descriptors open\n",
      mib(bytes_below(session_)), mib(events.size()), static_cast<long>(std::count(events.begin(), events.end(), '\n')),
      static_cast<long>(rows), static_cast<unsigned long long>(look.lost_items),
      static_cast<unsigned long long>(last_.descriptors));
  bool good = judge_memory(memory_, soak_.hours);
  good &= check(look.analysed_edges + look.told_lost == writer.edges() && writer.dropped() == 0,
                "each edge was analysed or told lost");
  good &= check(code == (look.lost_items + look.told_lost > 0 ? 4 : 0), "exit code " + std::to_string(code));
  constexpr std::uint64_t descriptors_max = 32;
  good &= check(last_.descriptors <= descriptors_max, "no more than 32 descriptors open");
  if (soak_.by == SoakBy::replay) {
    const auto seconds_of_engine = static_cast<long>(soak_.hours * 3600);
    good &= check(look.told_lost + look.lost_items == 0, "nothing was lost: a replay waits");
    good &= check(rows <= seconds_of_engine && rows > seconds_of_engine - stretch_s, "a row of trend.csv a second");
  }
  return good;
}

bool SoakRun::go() {
  sound_ = simulated(folder_, "sound", sound_scenario);
  faulty_ = simulated(folder_, "faulty", std::string("seed = 2\n") + sound_scenario + faults);
  if (sound_.empty() || faulty_.empty()) {
    return false;
  }
  const bool by_replay = soak_.by == SoakBy::replay;
  const std::string path = folder_ / (by_replay ? "edges.stream" : "line");
  int descriptor = -1;
  if (by_replay) {
    descriptor = ::open(path.c_str(), O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
  } else {
    ::mkfifo(path.c_str(), 0600);
    descriptor = ::open(path.c_str(), O_RDWR | O_CLOEXEC);  // does not wait for the program
  }
  const std::int64_t begin_ns = host_now_ns();
  const double bytes_per_s = by_replay ? 0 : 2.2 * soak_.edges_per_s;
  std::uint64_t bytes = 0;
  StreamWriter writer([&](const char* data, std::size_t size) {
    if (bytes_per_s > 0) {
      const std::chrono::nanoseconds due(begin_ns +
                                         static_cast<std::int64_t>(static_cast<double>(bytes) / bytes_per_s * 1e9));
      std::this_thread::sleep_until(std::chrono::steady_clock::time_point(due));
    }
    bytes += size;
    test::write_all(descriptor, {data, size});
  });
  int code = 0;
  if (by_replay) {
    code = replay(writer);
    ::close(descriptor);
  } else {
    code = run(writer, descriptor);
  }
  return judge(writer, code);
}

}  // namespace

bool run_soak(const Soak& soak) {
  std::printf("%.1f hours of ridge-six.toml (36-2), simulated stretches of %d s one after another, %s\n", soak.hours,
              static_cast<int>(stretch_s),
              soak.by == SoakBy::replay ? "every second one with faults, replayed to a session"
                                        : "one in three hours with faults, through a FIFO to `run` with the black box");
  const bool good = SoakRun(soak).go();
  std::printf("%s\n\n", good ? "good" : "NOT GOOD");
  return good;
}

}  // namespace cw::load
