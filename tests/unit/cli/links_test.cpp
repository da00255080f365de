// Links that come and go, with the real program: over a real pseudo-terminal and over TCP.
#include <gtest/gtest.h>
#include <sys/stat.h>

#include <chrono>
#include <csignal>
#include <cstdlib>
#include <random>
#include <sstream>
#include <thread>

#include "tests/unit/cli/links.hpp"
#include "tests/unit/cli/program.hpp"
#include "tests/unit/cli/trial_edges.hpp"
#include "tests/unit/drivers/stream_device.hpp"
#include "tests/unit/text_lines.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

using std::chrono::milliseconds;
using test::Ended;
using test::Program;
using test::PseudoTerminal;
using test::run_program;
using test::ScratchFolder;
using test::Server;

const std::string header = "t_ns,channel,edge\n";

struct LinkTrial {
  LinkTrial() {
    std::signal(SIGPIPE, SIG_IGN);
    test::write_text(engine, test::trial_engine);
  }
  std::vector<std::string> run(const std::string& source) const {
    return {"run", engine, "--source", source, "--out", session};
  }
  // The events and the trend of the session come out of its replay again.
  void expect_same_bytes_from_replay() const {
    const std::string again = folder / "again";
    const Ended replay = run_program(folder, {"replay", session, "--out", again});
    ASSERT_TRUE(replay.code == 0 || replay.code == 4) << replay.err;
    EXPECT_EQ(test::file_text(again + "/events.jsonl"), test::file_text(session + "/events.jsonl"));
    EXPECT_EQ(test::file_text(again + "/trend.csv"), test::file_text(session + "/trend.csv"));
    EXPECT_GT(test::file_text(session + "/trend.csv").size(), 200U);
  }
  std::string events() const { return test::file_text(session + "/events.jsonl"); }

  const ScratchFolder folder;
  const std::string engine = folder / "engine.toml";
  const std::string port = folder / "port";
  const std::string session = folder / "live";
};

// Edges from `first` on, `count` of them, each when it is due.
void write_in_real_time(int descriptor, const std::vector<test::TrialEdge>& edges, std::size_t first,
                        std::size_t count) {
  const auto begin = std::chrono::steady_clock::now();
  for (std::size_t i = first; i < first + count; ++i) {
    std::this_thread::sleep_until(begin + std::chrono::nanoseconds(edges[i].t_ns - edges[first].t_ns));
    ASSERT_TRUE(test::write_all(descriptor, edges[i].line));
  }
}

using test::lines_of;

// The findings without what comes from the host's clock and from the numbering of items, ticks among them: when the
// deciding item arrived (session_ns, wall_time) and which it was (evidence).
std::vector<std::string> findings_on_source_time(const std::string& events) {
  std::vector<std::string> found;
  for (const std::string& line : lines_of(events)) {
    auto json = parse_ordered_json(line);
    for (const char* key : {"session_ns", "wall_time", "evidence"}) {
      json.erase(key);
    }
    found.push_back(dump_json(json));
  }
  return found;
}

void expect_begins_with(const std::vector<std::string>& all, const std::vector<std::string>& first) {
  ASSERT_GE(all.size(), first.size());
  for (std::size_t i = 0; i < first.size(); ++i) {
    EXPECT_EQ(all[i], first[i]);
  }
}

// What comes through the port is what comes from the file: cycles (TDC times, rpm, uncertainty, deviation, phases) as
// bytes, findings but for the host's clock. The file ends with its last edge, the port only falls silent: the last cycle
// and what is said of the silence are left out.
void expect_like_the_file(const LinkTrial& trial, const std::vector<test::TrialEdge>& edges) {
  std::string csv = header;
  for (const test::TrialEdge& edge : edges) {
    csv += edge.line;
  }
  const std::string file = trial.folder / "edges.csv";
  test::write_text(file, csv);
  ASSERT_EQ(run_program(trial.folder, {"replay", file, "--engine", trial.engine, "--out", trial.folder / "file",
                                       "--cycles", trial.folder / "file.csv"})
                .code,
            0);
  ASSERT_EQ(run_program(trial.folder, {"replay", trial.session, "--cycles", trial.folder / "live.csv"}).code, 0);
  std::vector<std::string> cycles = lines_of(test::file_text(trial.folder / "file.csv"));
  ASSERT_GT(cycles.size(), 25U);
  cycles.pop_back();
  expect_begins_with(lines_of(test::file_text(trial.folder / "live.csv")), cycles);
  const auto findings = findings_on_source_time(test::file_text(trial.folder / "file/events.jsonl"));
  EXPECT_GE(findings.size(), 2U);
  expect_begins_with(findings_on_source_time(trial.events()), findings);
}

TEST(LiveSerial, a_port_without_interruption_says_the_same_as_the_file) {
  const LinkTrial trial;
  const PseudoTerminal device(trial.port);
  Program program(trial.folder, trial.run("serial-csv:" + trial.port));
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected"));
  const auto edges = test::trial_edges(1500, 2.6, 700);
  ASSERT_TRUE(test::write_all(device.descriptor(), header));
  write_in_real_time(device.descriptor(), edges, 0, edges.size());
  ASSERT_TRUE(test::wait_for_edges(trial.session, edges.size()));
  EXPECT_FALSE(test::has_received(device.descriptor())) << "nothing is ever sent";
  program.send(SIGTERM);
  ASSERT_EQ(program.wait(), 0) << program.err();
  EXPECT_EQ(test::edges_recorded(trial.session), edges.size());
  EXPECT_NE(trial.events().find("missed-edge"), std::string::npos);
  trial.expect_same_bytes_from_replay();
  expect_like_the_file(trial, edges);
}

// Pulled in the middle of a line, back under another number behind the same name, and joined in the middle of a line.
TEST(LiveSerial, closed_and_reopened_in_mid_stream_it_goes_on_and_replays_as_bytes) {
  const LinkTrial trial;
  const auto edges = test::trial_edges(1500, 5, 400);
  const std::size_t half = edges.size() / 2;
  auto first = std::make_unique<PseudoTerminal>(trial.port);
  Program program(trial.folder, trial.run("serial-csv:" + trial.port));
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected"));
  ASSERT_TRUE(test::write_all(first->descriptor(), header));
  write_in_real_time(first->descriptor(), edges, 0, half);
  ASSERT_TRUE(test::wait_for_edges(trial.session, half));
  ASSERT_TRUE(test::write_all(first->descriptor(), "123456"));

  const PseudoTerminal second(trial.port);
  EXPECT_NE(second.path(), first->path());
  first.reset();
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-lost"));
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected", 2));
  ASSERT_TRUE(test::write_all(second.descriptor(), "99,crank,f\n"));  // as the end of a line: no edge
  write_in_real_time(second.descriptor(), edges, half, edges.size() - half);
  ASSERT_TRUE(test::wait_for_edges(trial.session, edges.size()));
  EXPECT_FALSE(test::has_received(second.descriptor()));
  program.send(SIGTERM);
  ASSERT_EQ(program.wait(), 0) << program.err();

  EXPECT_EQ(test::edges_recorded(trial.session), edges.size());
  EXPECT_EQ(test::count_in(trial.events(), "\"kind\":\"link-lost\""), 1);
  EXPECT_EQ(trial.events().find("sync-lost"), std::string::npos) << "the link went, not the engine";
  const std::string trend = test::file_text(trial.session + "/trend.csv");
  EXPECT_NE(lines_of(trend)[2].find("cycle-locked"), std::string::npos) << trend;
  EXPECT_NE(trend.rfind("cycle-locked"), trend.find("cycle-locked"));
  EXPECT_EQ(test::count_in(program.err(), "the link went away"), 1);
  trial.expect_same_bytes_from_replay();
}

// What a device sends of `edges`, as the C encoder of the project writes it.
std::string stream_of(int form, std::span<const test::TrialEdge> edges) {
  test::Device device({form, 1'000'000, 32, 65536});
  std::string bytes;
  auto now = static_cast<std::uint64_t>(edges.front().t_ns) / 1000;
  for (const test::TrialEdge& edge : edges) {
    const auto ticks = static_cast<std::uint64_t>(edge.t_ns) / 1000;
    for (; now < ticks; now += 4000) {
      device.poll(now);
    }
    const int channel = edge.line.ends_with(",crank,f\n") ? 0 : edge.line.ends_with(",cam1,f\n") ? 1 : 2;
    EXPECT_TRUE(device.edge(channel, false, ticks));
    bytes += device.take();
  }
  device.flush();
  return bytes + device.take();
}

class LiveSerialStream : public testing::TestWithParam<int> {};

// The second connection is joined within a frame or line; a new header names the channels again.
TEST_P(LiveSerialStream, pulled_within_a_frame_and_reopened_it_goes_on_and_replays_as_bytes) {
  const LinkTrial trial;
  const auto edges = test::trial_edges(1500, 5, 0);
  const std::span<const test::TrialEdge> all(edges);
  const std::size_t half = edges.size() / 2;
  const std::string before = stream_of(GetParam(), all.first(half));
  const std::string after = stream_of(GetParam(), all.subspan(half));
  auto first = std::make_unique<PseudoTerminal>(trial.port);
  Program program(trial.folder, trial.run("serial:" + trial.port));
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected"));
  ASSERT_TRUE(test::write_all(first->descriptor(), before));
  ASSERT_TRUE(test::wait_for_edges(trial.session, half));
  ASSERT_TRUE(test::write_all(first->descriptor(), std::string_view(after).substr(0, 9)));
  const PseudoTerminal second(trial.port);
  first.reset();
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected", 2));
  ASSERT_TRUE(test::write_all(second.descriptor(), before.substr(before.size() - 5)));
  ASSERT_TRUE(test::write_all(second.descriptor(), after));
  ASSERT_TRUE(test::wait_for_edges(trial.session, edges.size()));
  EXPECT_FALSE(test::has_received(second.descriptor()));
  program.send(SIGTERM);
  const int code = program.wait();
  EXPECT_TRUE(code == 0 || code == 4) << program.err();
  EXPECT_EQ(test::edges_recorded(trial.session), edges.size());
  EXPECT_EQ(test::count_in(trial.events(), "\"kind\":\"link-lost\""), 1);
  EXPECT_EQ(trial.events().find("sync-lost"), std::string::npos);
  EXPECT_EQ(trial.events().find("clock-trouble"), std::string::npos);
  trial.expect_same_bytes_from_replay();
}

INSTANTIATE_TEST_SUITE_P(Forms, LiveSerialStream, testing::Values(CWES_TEXT, CWES_BINARY));

// User and system time of a process so far; proc(5), fields 14 and 15.
double cpu_seconds(int pid) {
  std::istringstream in(test::file_text("/proc/" + std::to_string(pid) + "/stat"));
  std::string skipped;
  for (int i = 1; i < 14; ++i) {
    in >> skipped;
  }
  double user = 0;
  double system = 0;
  in >> user >> system;
  return (user + system) / static_cast<double>(::sysconf(_SC_CLK_TCK));
}

TEST(LiveSerial, an_unplugged_port_costs_next_to_nothing_and_is_told_once) {
  const LinkTrial trial;
  auto device = std::make_unique<PseudoTerminal>(trial.port);
  Program program(trial.folder, trial.run("serial-csv:" + trial.port));
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected"));
  device.reset();
  std::filesystem::remove(trial.port);
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-away"));
  const double before = cpu_seconds(program.pid());
  std::this_thread::sleep_for(std::chrono::seconds(5));
  const double used = cpu_seconds(program.pid()) - before;
  RecordProperty("cpu_ms_in_5_s", static_cast<int>(used * 1000));
  EXPECT_LT(used, 0.25) << "5 % of a core, sanitizers included";
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), 0) << program.err();
  EXPECT_EQ(test::events_of_service(trial.session, "link-away"), 1);
  EXPECT_EQ(test::events_of_service(trial.session, "link-lost"), 1);
  EXPECT_EQ(test::count_in(trial.events(), "\"kind\":\"link-lost\""), 1);
  trial.expect_same_bytes_from_replay();
}

TEST(LiveSerial, a_port_that_comes_and_goes_at_once_is_not_hurried_after) {
  const LinkTrial trial;
  Program program(trial.folder, trial.run("serial-csv:" + trial.port));
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-away"));
  const auto begin = std::chrono::steady_clock::now();
  for (int i = 1; i <= 4; ++i) {
    const PseudoTerminal device(trial.port);
    ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected", i));
  }
  // 0.1 s after the first refusal, then 0.2, 0.4 and 0.8 s.
  EXPECT_GT(std::chrono::steady_clock::now() - begin, milliseconds(1300));
  program.send(SIGINT);
  EXPECT_EQ(program.wait(), 0) << program.err();
  trial.expect_same_bytes_from_replay();
}

TEST(LiveSerial, what_is_no_port_or_no_rate_is_refused_before_anything_is_written) {
  const LinkTrial trial;
  const Ended file = run_program(trial.folder, trial.run("serial-csv:" + trial.engine));
  EXPECT_EQ(file.code, 2);
  EXPECT_EQ(file.err, "crankwitness: " + trial.engine + ": expected a serial port, found something else\n");
  auto words = trial.run("serial-csv:/dev/ttyX");
  words.insert(words.end(), {"--baud", "7"});
  EXPECT_EQ(run_program(trial.folder, words).code, 2);
  EXPECT_FALSE(std::filesystem::exists(trial.session));
}

TEST(LiveTcp, refused_at_first_then_cut_then_back_it_goes_on_and_replays_as_bytes) {
  const LinkTrial trial;
  const Server server;
  const auto edges = test::trial_edges(1500, 5, 400);
  const std::size_t half = edges.size() / 2;
  Program program(trial.folder, trial.run("tcp-csv:" + server.address()));
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-away"));
  EXPECT_NE(test::file_text(trial.session + "/service.jsonl").find("Connection refused"), std::string::npos);
  server.listen();
  for (const bool again : {false, true}) {
    const int peer = server.accept();
    ASSERT_GE(peer, 0);
    ASSERT_TRUE(test::write_all(peer, header));
    write_in_real_time(peer, edges, again ? half : 0, again ? edges.size() - half : half);
    ASSERT_TRUE(test::wait_for_edges(trial.session, again ? edges.size() : half));
    EXPECT_FALSE(test::has_received(peer)) << "nothing is ever sent";
    ::close(peer);
  }
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-lost", 2));
  program.send(SIGTERM);
  ASSERT_EQ(program.wait(), 0) << program.err();
  EXPECT_EQ(test::edges_recorded(trial.session), edges.size());
  EXPECT_EQ(test::count_in(trial.events(), "\"kind\":\"link-lost\""), 3) << "not there, cut, cut";
  trial.expect_same_bytes_from_replay();
}

TEST(LiveTcp, a_stream_without_interruption_says_the_same_as_the_file) {
  const LinkTrial trial;
  const Server server;
  server.listen();
  Program program(trial.folder, trial.run("tcp-csv:" + server.address()));
  const int peer = server.accept();
  const auto edges = test::trial_edges(1500, 2.6, 700);
  ASSERT_TRUE(test::write_all(peer, header));
  write_in_real_time(peer, edges, 0, edges.size());
  ASSERT_TRUE(test::wait_for_edges(trial.session, edges.size()));
  program.send(SIGTERM);
  ASSERT_EQ(program.wait(), 0) << program.err();
  ::close(peer);
  trial.expect_same_bytes_from_replay();
  expect_like_the_file(trial, edges);
}

// Resident memory in KiB; proc(5), VmRSS.
long resident_kib(int pid) {
  const std::string status = test::file_text("/proc/" + std::to_string(pid) + "/status");
  const std::size_t at = status.find("VmRSS:");
  return at == std::string::npos ? 0 : std::atol(status.c_str() + at + 6);
}

TEST(LiveTcp, endless_garbage_takes_no_memory_and_is_told) {
  const LinkTrial trial;
  const Server server;
  server.listen();
  Program program(trial.folder, trial.run("tcp-csv:" + server.address()));
  const int peer = server.accept();
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected"));
  ASSERT_TRUE(test::write_all(peer, header + "1000,crank,f\n"));
  const long before = resident_kib(program.pid());
  const std::string garbage(1024 * 1024, 'x');
  for (int i = 0; i < 64; ++i) {
    ASSERT_TRUE(test::write_all(peer, garbage));
  }
  EXPECT_LT(resident_kib(program.pid()) - before, 24 * 1024) << "64 MiB were sent";
  ASSERT_TRUE(test::write_all(peer, "\n2000,crank,f\n"));
  ASSERT_TRUE(test::wait_for_edges(trial.session, 2));
  ::close(peer);
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), 4) << program.err();
  EXPECT_NE(program.err().find("expected a line of at most 256 bytes"), std::string::npos);
  EXPECT_EQ(test::count_in(trial.events(), "edges-dropped"), 1);
  trial.expect_same_bytes_from_replay();
}

// The connection stands, the peer's computer answers, only the device says nothing any more.
TEST(LiveTcp, a_device_that_hangs_on_an_open_connection_is_told_and_its_return_and_replays_as_bytes) {
  const LinkTrial trial;
  const Server server;
  server.listen();
  const auto edges = test::trial_edges(1500, 4, 0);
  const std::size_t half = edges.size() / 2;
  Program program(trial.folder, trial.run("tcp:" + server.address()));
  const int peer = server.accept();
  test::Device device({CWES_BINARY, 1'000'000, 32, 65536});
  const auto begin = std::chrono::steady_clock::now();
  for (std::size_t i = 0; i < edges.size(); ++i) {
    if (i == half) {
      ASSERT_TRUE(test::wait_until([&] { return test::count_in(trial.events(), "\"phase\":\"open\"") == 1; }));
      EXPECT_GT(std::chrono::steady_clock::now() - begin, milliseconds(2400));
    }
    const auto ticks = static_cast<std::uint64_t>(edges[i].t_ns) / 1000;
    const int channel = edges[i].line.ends_with(",crank,f\n") ? 0 : edges[i].line.ends_with(",cam1,f\n") ? 1 : 2;
    device.poll(ticks);
    EXPECT_TRUE(device.edge(channel, false, ticks));
    ASSERT_TRUE(test::write_all(peer, device.take()));
  }
  device.flush();
  ASSERT_TRUE(test::write_all(peer, device.take()));
  ASSERT_TRUE(test::wait_until([&] { return test::count_in(trial.events(), "\"phase\":\"close\"") >= 1; }));
  program.send(SIGTERM);
  ASSERT_EQ(program.wait(), 0) << program.err();
  ::close(peer);
  EXPECT_EQ(test::count_in(trial.events(), "\"kind\":\"link-lost\""), 2) << trial.events();
  EXPECT_NE(trial.events().find("the link is open but nothing that can be read comes"), std::string::npos);
  EXPECT_EQ(trial.events().find("crank-signal-stopped"), std::string::npos) << "the device, not the sensor";
  trial.expect_same_bytes_from_replay();
}

// 192.0.2.0/24 and 2001:db8::/32 are for documentation (RFC 5737, RFC 3849): no one is there.
TEST(LiveTcp, other_computers_and_bad_addresses_are_refused_unless_allowed) {
  const LinkTrial trial;
  for (const char* address :
       {"192.0.2.1:7000", "[2001:db8::1]:7000", "dyno-cell:7000", "[::ffff:192.0.2.1]:7000", "0.0.0.0:7000"}) {
    const Ended ended = run_program(trial.folder, trial.run(std::string("tcp-csv:") + address));
    EXPECT_EQ(ended.code, 2) << address;
    EXPECT_EQ(ended.err, "crankwitness: " + std::string(address) +
                             ": expected a loopback address (127.0.0.1, [::1], localhost), or allow_remote = true in "
                             "its [[source]], or --allow-remote\n");
  }
  for (const char* address :
       {"localhost", "localhost:", "localhost:0", "localhost:65536", "::1:7000", "localhost:70x"}) {
    const Ended ended = run_program(trial.folder, trial.run(std::string("tcp-csv:") + address));
    EXPECT_EQ(ended.code, 2) << address;
    EXPECT_NE(ended.err.find("expected HOST:PORT"), std::string::npos) << ended.err;
  }
  EXPECT_FALSE(std::filesystem::exists(trial.session));
  auto words = trial.run("tcp-csv:192.0.2.1:7000");
  words.emplace_back("--allow-remote");
  Program program(trial.folder, words);
  ASSERT_TRUE(test::wait_until([&] { return std::filesystem::exists(trial.session + "/service.jsonl"); }));
  std::this_thread::sleep_for(milliseconds(300));
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), 0) << program.err();
}

// ---- several sources

// Writes `text` in pieces of random size with random pauses, some 0.3 s in all.
void write_at_random(int descriptor, const std::string& text, std::mt19937& random) {
  const std::size_t piece_max = text.size() / 12;
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t size = std::min<std::size_t>(1 + random() % piece_max, text.size() - at);
    ASSERT_TRUE(test::write_all(descriptor, std::string_view(text).substr(at, size)));
    at += size;
    std::this_thread::sleep_for(std::chrono::microseconds(random() % 30'000));
  }
}

// A stream of `name` edges, every 0.1 ms.
std::string other_channel(const std::string& name) {
  std::string text = header;
  for (int i = 0; i < 4000; ++i) {
    text += std::to_string(5'000'000'000 + 100'000LL * i) + "," + name + (i % 2 == 0 ? ",f\n" : ",r\n");
  }
  return text;
}

void three_sources_against_their_replay(unsigned seed) {
  SCOPED_TRACE("seed " + std::to_string(seed));
  std::mt19937 random(seed);
  const LinkTrial trial;
  const Server server;
  server.listen();
  const PseudoTerminal device(trial.port);
  const std::string fifo = trial.folder / "fifo";
  ::mkfifo(fifo.c_str(), 0644);
  auto words = trial.run("serial-csv:" + trial.port);
  words.insert(words.end(), {"--source", "tcp-csv:" + server.address(), "--source", "csv:" + fifo});
  Program program(trial.folder, words);
  const int peer = server.accept();
  const int pipe = ::open(fifo.c_str(), O_WRONLY | O_CLOEXEC);
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected", 2));

  const std::string crank = test::trial_csv(1500, 3, 300);
  // One run in two a second device claims the crank or the cam.
  const std::string claimed = random() % 2 == 0 ? "oil" : random() % 2 == 0 ? "crank" : "cam1";
  std::vector<std::thread> writers;
  for (const auto& [to, text] : {std::pair{device.descriptor(), crank}, std::pair{peer, other_channel("fan")},
                                 std::pair{pipe, other_channel(claimed)}}) {
    writers.emplace_back([to = to, text = text, seed_of_one = random()] {
      std::mt19937 own(static_cast<unsigned>(seed_of_one));
      write_at_random(to, text, own);
    });
  }
  for (std::thread& writer : writers) {
    writer.join();
  }
  ::close(pipe);
  if (random() % 2 == 0) {
    ::close(peer);
  }
  std::this_thread::sleep_for(milliseconds(random() % 200));
  program.send(SIGTERM);
  ASSERT_EQ(program.wait(), 0) << program.err();
  EXPECT_GT(test::edges_recorded(trial.session), 4000U);
  trial.expect_same_bytes_from_replay();
}

// CW_SCHEDULES=N runs N of them; with another CW_SCHEDULE_SEED, others.
TEST(LiveSources, three_with_random_delays_replay_as_bytes) {
  const char* count = std::getenv("CW_SCHEDULES");
  const char* first = std::getenv("CW_SCHEDULE_SEED");
  const unsigned schedules = count != nullptr ? static_cast<unsigned>(std::atoi(count)) : 6;
  const unsigned seed = first != nullptr ? static_cast<unsigned>(std::atoi(first)) : 1;
  for (unsigned i = 0; i < schedules && !::testing::Test::HasFailure(); ++i) {
    three_sources_against_their_replay(seed + i);
  }
}

TEST(LiveSources, the_run_goes_on_while_a_link_may_come_back) {
  const LinkTrial trial;
  test::write_text(trial.folder / "edges.csv", test::trial_csv(3000, 2, 0));
  auto words = trial.run("csv:" + (trial.folder / "edges.csv"));
  words.insert(words.end(), {"--source", "serial-csv:" + trial.port});
  Program program(trial.folder, words);
  ASSERT_TRUE(test::wait_for_edges(trial.session, test::trial_edges(3000, 2, 0).size()));
  const PseudoTerminal device(trial.port);
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected")) << "still there after the file has ended";
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), 0);
  EXPECT_NE(test::file_text(trial.session + "/summary.json").find("\"stopped_by\": \"signal\""), std::string::npos);
}

}  // namespace
}  // namespace cw
