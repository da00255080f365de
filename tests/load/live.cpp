#include "live.hpp"

#include <fcntl.h>
#include <sys/ioctl.h>
#include <sys/stat.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <csignal>
#include <cstdio>
#include <filesystem>
#include <map>
#include <optional>
#include <thread>

#include "capture_device.hpp"
#include "check.hpp"
#include "cli/live_input.hpp"
#include "line_watch.hpp"
#include "process_look.hpp"
#include "session_look.hpp"
#include "streams.hpp"
#include "tests/unit/cli/links.hpp"
#include "tests/unit/cli/program.hpp"

namespace cw::load {

namespace {

using bench::Case;
using std::chrono::milliseconds;

constexpr double ns_per_s = 1e9;
constexpr double ms_per_ns = 1e-6;

// DESIGN 8, "live".
constexpr double cpu_share_max = 0.03;
constexpr double latency_p99_ms_max = 20;

// The line between device and program. The far end is held open too, to see how much waits in the kernel; the program
// asks for the port for itself alone only when it opens it.
class Line {
 public:
  Line(LineKind kind, const std::string& folder) : kind_(kind), path_(folder + "/line") {
    if (kind == LineKind::pty) {
      pty_.emplace(path_);
      near_ = pty_->descriptor();
      far_ = ::open(path_.c_str(), O_RDONLY | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
      ::fcntl(near_, F_SETFL, O_NONBLOCK);
    } else if (kind == LineKind::tcp) {
      server_.emplace();
      server_->listen();
    } else {
      ::mkfifo(path_.c_str(), 0600);
      far_ = ::open(path_.c_str(), O_RDONLY | O_NONBLOCK | O_CLOEXEC);
      near_ = ::open(path_.c_str(), O_WRONLY | O_NONBLOCK | O_CLOEXEC);
    }
  }
  Line(const Line&) = delete;
  Line& operator=(const Line&) = delete;
  ~Line() {
    ::close(far_);
    if (kind_ != LineKind::pty) {
      ::close(near_);
    }
  }

  std::string source() const {
    return kind_ == LineKind::pty   ? "serial:" + path_
           : kind_ == LineKind::tcp ? "tcp:" + server_->address()
                                    : "stream:" + path_;
  }
  void wait_for_program(const std::string& session) {
    if (kind_ == LineKind::tcp) {
      near_ = server_->accept();
      ::fcntl(near_, F_SETFL, O_NONBLOCK);
    }
    test::wait_until(
        [&] { return test::events_of_service(session, kind_ == LineKind::fifo ? "start" : "link-connected") > 0; });
  }
  int descriptor() const { return near_; }
  bool kernel_holds_something() const {
    int bytes = 0;
    const bool asked =
        kind_ == LineKind::tcp ? ::ioctl(near_, TIOCOUTQ, &bytes) == 0 : ::ioctl(far_, FIONREAD, &bytes) == 0;
    return asked && bytes > 0;
  }

 private:
  LineKind kind_;
  std::string path_;
  std::optional<test::PseudoTerminal> pty_;
  std::optional<test::Server> server_;
  int near_ = -1;
  int far_ = -1;
};

Case case_of(const LiveLoad& load) {
  Case what = *bench::find_case("clean_60_2_at_6000_rpm");
  what.name = "live";
  what.rpm = load.rpm;
  constexpr double teeth_per_turn = 58;
  const double teeth_per_s = teeth_per_turn * load.rpm / 60;
  // An odd number of teeth from fault to fault, so that it is another tooth each time.
  what.fault_every_teeth = load.faults_per_s > 0 ? static_cast<int>(teeth_per_s / load.faults_per_s) / 2 * 2 + 1 : 0;
  return what;
}

// The engine turns, and the device tells it. Real time, or `times` as fast.
class Bench {
 public:
  Bench(const LiveLoad& load, CaptureDevice& device, RepeatedEdges edges)
      : load_(load), device_(device), edges_(std::move(edges)) {}

  // Host time at which the device's clock stood at 0.
  std::int64_t begin_ns() const { return begin_ns_; }
  // How late this program was at worst: a real device would not have been.
  std::int64_t late_ns() const { return late_ns_; }

  // Until `seconds` of host time from the start have passed.
  void run_to(double seconds) {
    const auto end_ns = begin_ns_ + static_cast<std::int64_t>(seconds * ns_per_s);
    while (host_now_ns() < end_ns) {
      step(true);
    }
  }
  // No more edges; the device sends what it has, then heartbeats, until the program has taken everything.
  void run_out(const Line& line) {
    device_.flush();
    constexpr int calm_steps = 500;
    constexpr int steps_max = 60'000;
    int calm = 0;
    for (int i = 0; i < steps_max && calm < calm_steps; ++i) {
      step(false);
      calm = device_.idle() && !line.kernel_holds_something() ? calm + 1 : 0;
    }
  }

 private:
  void step(bool turning) {
    constexpr std::int64_t step_ns = 1'000'000;
    std::this_thread::sleep_until(std::chrono::steady_clock::time_point(std::chrono::nanoseconds(next_ns_)));
    const std::int64_t now_ns = host_now_ns();
    late_ns_ = std::max(late_ns_, now_ns - next_ns_);
    next_ns_ += step_ns;
    // Faster than real time: as fast as this program can, at most `times`; its clock is the engine's then.
    device_ns_ = load_.times > 1 ? device_ns_ + static_cast<std::int64_t>(step_ns * load_.times) : now_ns - begin_ns_;
    constexpr int poll_every = 64;
    for (int i = 1; turning && edges_.peek().t_ns <= device_ns_; edges_.drop_front(), ++i) {
      device_.edge(edges_.peek());
      if (i % poll_every == 0) {
        device_.poll(edges_.peek().t_ns, host_now_ns());  // empties the ring in time when much comes at once
      }
    }
    device_.poll(device_ns_, now_ns);
  }

  const LiveLoad& load_;
  CaptureDevice& device_;
  RepeatedEdges edges_;
  std::int64_t begin_ns_ = host_now_ns();
  std::int64_t next_ns_ = begin_ns_;
  std::int64_t device_ns_ = 0;
  std::int64_t late_ns_ = 0;
};

struct Latencies {
  std::vector<double> ms;

  void add(std::int64_t from_ns, std::int64_t to_ns) { ms.push_back(static_cast<double>(to_ns - from_ns) * ms_per_ns); }
  // Of so many per cent of them none is greater.
  double quantile(double share) {
    if (ms.empty()) {
      return 0;
    }
    std::sort(ms.begin(), ms.end());
    const auto rank = static_cast<std::size_t>(std::ceil(share * static_cast<double>(ms.size())));
    return ms[std::min(ms.size(), std::max<std::size_t>(rank, 1)) - 1];
  }
  void print(const char* what) {
    std::printf("  %-58s p50 %7.2f  p99 %7.2f  max %7.2f ms  (%zu)\n", what, quantile(0.5), quantile(0.99), quantile(1),
                ms.size());
  }
};

struct Seen {
  std::vector<std::int64_t> events;   // lines of events.jsonl
  std::vector<std::int64_t> printed;  // findings on standard output
};

// Each finding's lines against the edge that decided it. Returns the p99 that DESIGN 8 limits.
double print_latencies(const SessionLook& look, const std::vector<SentEdge>& sent, const Seen& seen,
                       std::int64_t begin_ns) {
  Latencies from_wire;
  Latencies from_edge;
  Latencies from_arrival;
  Latencies printed;
  Latencies by_tick;
  std::map<std::string_view, int> kinds_by_tick;
  for (std::size_t i = 0; i < look.deciding.size() && i < seen.events.size(); ++i) {
    const DecidingItem& item = look.deciding[i];
    if (item.kind != ItemKind::edge || item.edge_number >= sent.size()) {
      by_tick.add(item.host_ns, seen.events[i]);
      ++kinds_by_tick[to_string(item.finding)];
      continue;
    }
    const SentEdge& edge = sent[item.edge_number];
    from_wire.add(edge.wire_ns, seen.events[i]);
    from_edge.add(begin_ns + edge.edge.t_ns, seen.events[i]);
    from_arrival.add(item.host_ns, seen.events[i]);
    if (i < seen.printed.size()) {
      printed.add(edge.wire_ns, seen.printed[i]);
    }
  }
  std::printf("Latency of %zu findings, from the edge that decided each\n", look.deciding.size());
  from_wire.print("its frame's last byte on the line -> line in events.jsonl");
  from_edge.print("it happened (waits for its frame) -> line in events.jsonl");
  from_arrival.print("stamped by the program            -> line in events.jsonl");
  printed.print("its frame's last byte on the line -> on standard output");
  if (!by_tick.ms.empty()) {
    by_tick.print("decided by a tick or note, from its stamp");
    for (const auto& [kind, count] : kinds_by_tick) {
      std::printf("    of these %s: %d\n", std::string(kind).c_str(), count);
    }
  }
  return from_wire.quantile(0.99);
}

// Percent of a core between two looks.
double print_processor(const ProcessLook& from, const ProcessLook& to, double seconds) {
  const double user = to.user_s - from.user_s;
  const double system = to.system_s - from.system_s;
  double all = 0;
  std::string threads;
  for (const auto& [name, s] : to.thread_s) {
    const auto before = from.thread_s.find(name);
    const double used = s - (before == from.thread_s.end() ? 0 : before->second);
    all += used;
    char text[64];
    std::snprintf(text, sizeof text, "%s%s %.2f %%", threads.empty() ? "" : ", ", name.c_str(), 100 * used / seconds);
    threads += text;
  }
  std::printf("Processor   %.2f %% of a core over %.1f s: user %.2f s, system %.2f s; by thread: %s\n",
              100 * all / seconds, seconds, user, system, threads.c_str());
  std::printf("Memory      resident %.1f MiB at the start, %.1f at the end, %.1f at most; %llu descriptors open\n",
              static_cast<double>(from.resident_kib) / 1024, static_cast<double>(to.resident_kib) / 1024,
              static_cast<double>(to.resident_most_kib) / 1024, static_cast<unsigned long long>(to.descriptors));
  return all / seconds;
}

unsigned long long number(std::uint64_t value) {
  return value;
}

enum class Losses : std::uint8_t { none, some, whatever };

bool print_counts(const CaptureDevice& device, const SessionLook& look, Losses expected) {
  std::printf("Edges       %llu made, %llu dropped by the device, %llu sent; %llu analysed, %llu recorded\n",
              number(device.made()), number(device.dropped()), number(device.sent()), number(look.analysed_edges),
              number(look.edges));
  std::printf(
      "Told lost   %llu by trend.csv, %llu by events.jsonl; in the capture: device %llu, line %llu, queue %llu; "
      "items not recorded: %llu\n",
      number(look.told_lost), number(look.findings_lost), number(look.dropped_by_device), number(look.lost_on_line),
      number(look.dropped_by_queue), number(look.lost_items));
  bool good = check(device.made() == look.analysed_edges + look.told_lost, "made = analysed + told lost (trend.csv)");
  good &= check(look.told_lost == look.findings_lost, "told lost in trend.csv = in the findings");
  good &= check(look.missing_items == look.lost_items, "items missing from the capture = told in summary.json");
  good &= check(look.gaps_of_unknown_count == 0, "no loss of unknown count");
  if (look.lost_items == 0) {
    good &= check(look.edges == look.analysed_edges, "analysed = recorded");
    good &= check(device.dropped() == look.dropped_by_device, "dropped by the device = its gaps in the capture");
  }
  const std::uint64_t lost = device.dropped() + look.told_lost + look.lost_items;
  if (expected == Losses::none) {
    good &= check(lost == 0, "nothing lost, anywhere");
  } else if (expected == Losses::some) {
    good &= check(lost > 0, "something was lost: it was too much");
  }
  return good;
}

bool same_edges(const std::vector<SentEdge>& sent, const std::vector<Edge>& recorded) {
  return std::equal(sent.begin(), sent.end(), recorded.begin(), recorded.end(),
                    [](const SentEdge& a, const Edge& b) { return a.edge == b; });
}

// Replays the session and compares.
bool check_replay(const test::ScratchFolder& folder, const std::string& session) {
  const std::string again = folder / "again";
  const test::Ended replay = test::run_program(folder, {"replay", session, "--out", again});
  bool good = check(replay.code == 0 || replay.code == 4, "the session replays");
  for (const char* file : {"/events.jsonl", "/trend.csv"}) {
    const std::string live = test::file_text(session + file);
    good &= check(!live.empty() && live == test::file_text(again + file),
                  std::string(file + 1) + " of live = of replay, as bytes");
  }
  return good;
}

// One run, from the program's start to what it left behind.
class LiveRun {
 public:
  explicit LiveRun(const LiveLoad& load)
      : load_(load),
        folder_(load.folder.empty() ? std::filesystem::temp_directory_path() : std::filesystem::path(load.folder)) {}
  bool go();

 private:
  void feed(const test::Program& program, CaptureDevice& device, Line& line);
  bool judge(const CaptureDevice& device, int code);

  const LiveLoad& load_;
  const Case case_ = case_of(load_);
  const Engine engine_ = bench::engine_of(case_);
  const test::ScratchFolder folder_;
  const std::string session_ = folder_ / "session";
  ProcessLook from_;
  ProcessLook to_;
  double looked_s_ = 0;
  Seen seen_;
  std::int64_t begin_ns_ = 0;
  std::int64_t late_ns_ = 0;
};

void LiveRun::feed(const test::Program& program, CaptureDevice& device, Line& line) {
  constexpr double lead_in_s = 2;  // to the lock, and until start-up is over
  constexpr double stretch_s = 20;
  const double all_s = lead_in_s + load_.seconds + load_.stopped_s;
  // Without end only where repeating may cost a fault at the seam.
  const double made_s = load_.times > 1 ? stretch_s : all_s + 1;
  const bench::Stream stream = bench::stream_of(case_, engine_, made_s);
  const auto length_ns = static_cast<std::int64_t>(made_s * ns_per_s) + 1'000'000;
  RepeatedEdges edges(edges_of(stream.items), length_ns);
  LineWatch watch({session_ + "/events.jsonl", folder_ / "program.out"});
  const bool first = load_.times <= 1 && go_first();
  Bench bench(load_, device, std::move(edges));
  bench.run_to(lead_in_s);
  from_ = look_at(program.pid());
  const std::int64_t from_ns = host_now_ns();
  bench.run_to(lead_in_s + load_.seconds / 2);
  if (load_.stopped_s > 0) {
    program.send(SIGSTOP);
    bench.run_to(lead_in_s + load_.seconds / 2 + load_.stopped_s);
    program.send(SIGCONT);
  }
  bench.run_to(all_s);
  to_ = look_at(program.pid());
  looked_s_ = static_cast<double>(host_now_ns() - from_ns) / ns_per_s;
  bench.run_out(line);
  const auto seen = watch.stop();
  seen_ = {seen[0], seen[1]};
  begin_ns_ = bench.begin_ns();
  late_ns_ = bench.late_ns();
  std::printf("Device      %s this machine's other work, at worst %.1f ms late\n",
              first ? "ran before" : "shared the processor with", static_cast<double>(late_ns_) * ms_per_ns);
}

bool LiveRun::judge(const CaptureDevice& device, int code) {
  const bool overload = load_.times > 1 || load_.stopped_s > 0;
  const bool every_edge = load_.times <= 1;
  const double share = print_processor(from_, to_, looked_s_);
  auto looked = look_at_session(session_, engine_, every_edge);
  if (const auto* error = std::get_if<std::string>(&looked)) {
    std::printf("%s\n", error->c_str());
    return false;
  }
  const auto& look = std::get<SessionLook>(looked);
  double p99_ms = 0;
  if (every_edge) {
    p99_ms = print_latencies(look, device.sent_edges(), seen_, begin_ns_);
  }
  bool good = print_counts(device, look,
                           load_.stopped_s > 0 ? Losses::some
                           : load_.times > 1   ? Losses::whatever
                                               : Losses::none);
  if (every_edge && look.lost_items == 0) {
    good &= check(same_edges(device.sent_edges(), look.edge_list), "each edge sent = the edge recorded");
  }
  if (look.lost_items == 0) {
    good &= check_replay(folder_, session_);
  }
  const bool all_there = device.dropped() + look.told_lost + look.lost_items == 0;
  good &= check(code == (all_there ? 0 : 4), "the program's exit code says whether all is there");
  if (!load_.counts_only && !overload) {
    good &= check(share < cpu_share_max, "target: less than 3 % of a core");
    good &= check(p99_ms < latency_p99_ms_max, "target: p99 below 20 ms");
  }
  return good;
}

bool LiveRun::go() {
  test::write_text(folder_ / "engine.toml", bench::engine_text_of(case_));
  Line line(load_.line, folder_.path());
  test::Program program(folder_, {"run", folder_ / "engine.toml", "--source", line.source(), "--baud",
                                  std::to_string(std::max(load_.baud, 115'200U)), "--json", "--out", session_});
  line.wait_for_program(session_);
  DeviceSettings settings;
  settings.baud = load_.baud;
  settings.ring_bytes = load_.ring_bytes;
  settings.keep_sent = load_.times <= 1;
  CaptureDevice device(line.descriptor(), settings);
  if (load_.program_first) {
    check(let_go_next(program.pid()), "the program runs before this computer's other work");
  }
  feed(program, device, line);
  constexpr milliseconds last_block{700};  // one is closed within 500 ms
  std::this_thread::sleep_for(last_block);
  program.send(SIGTERM);
  const int code = program.wait();
  return judge(device, code);
}

}  // namespace

bool run_live_load(const LiveLoad& load) {
  static constexpr const char* lines[] = {"pseudo-terminal", "TCP", "FIFO"};
  std::printf("%s, 60-2 at %.0f rpm, four cam edges and a reference pulse a cycle, %.0f faults/s, %.0f s",
              lines[static_cast<std::size_t>(load.line)], load.rpm, load.faults_per_s, load.seconds);
  if (load.times > 1) {
    std::printf(", %.0f times as fast", load.times);
  }
  if (load.stopped_s > 0) {
    std::printf(", the program stopped for %.1f s", load.stopped_s);
  }
  std::printf("\n");
  const bool good = LiveRun(load).go();
  std::printf("%s\n\n", good ? "good" : "NOT GOOD");
  return good;
}

}  // namespace cw::load
