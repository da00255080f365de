// The real program as a service: what it tells the service manager over a real datagram socket, what it does on
// signals, and what it writes for the journal.
#include <gtest/gtest.h>
#include <sys/ptrace.h>
#include <sys/stat.h>
#include <sys/un.h>

#include <chrono>
#include <csignal>
#include <cstdlib>
#include <cstring>
#include <fstream>
#include <map>
#include <thread>

#include "tests/unit/cli/links.hpp"
#include "tests/unit/cli/program.hpp"
#include "tests/unit/cli/trial_edges.hpp"
#include "tests/unit/text_lines.hpp"

namespace cw {
namespace {

using std::chrono::milliseconds;
using test::Program;
using test::PseudoTerminal;
using test::ScratchFolder;

const std::string header = "t_ns,channel,edge\n";

// Set while it lives, for the programs started meanwhile.
class Environment {
 public:
  Environment(std::string name, const std::string& value) : name_(std::move(name)) {
    ::setenv(name_.c_str(), value.c_str(), 1);
  }
  Environment(const Environment&) = delete;
  Environment& operator=(const Environment&) = delete;
  ~Environment() { ::unsetenv(name_.c_str()); }

 private:
  std::string name_;
};

// What stands at the other end of NOTIFY_SOCKET.
class Manager {
 public:
  explicit Manager(const std::string& path)
      : socket_(::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0)), environment_("NOTIFY_SOCKET", path) {
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    path.copy(address.sun_path, sizeof address.sun_path - 1);
    EXPECT_EQ(::bind(socket_, reinterpret_cast<sockaddr*>(&address), sizeof address), 0);
  }
  Manager(const Manager&) = delete;
  Manager& operator=(const Manager&) = delete;
  ~Manager() { ::close(socket_); }

  // The messages that come within `time`, each with an LF after it.
  std::string listen(milliseconds time) {
    const auto until = std::chrono::steady_clock::now() + time;
    std::string heard;
    for (;;) {
      const auto left = std::chrono::duration_cast<milliseconds>(until - std::chrono::steady_clock::now()).count();
      pollfd wanted = {socket_, POLLIN, 0};
      if (left <= 0 || ::poll(&wanted, 1, static_cast<int>(left)) <= 0) {
        return heard;
      }
      heard += receive();
    }
  }
  // Whether `message` comes within a minute; what came up to it is forgotten.
  bool hears(const std::string& message) {
    return test::wait_until([&] {
      heard_ += listen(milliseconds(50));
      const std::size_t at = heard_.find(message);
      heard_.erase(0, at == std::string::npos ? 0 : at + message.size());
      return at != std::string::npos;
    });
  }

 private:
  std::string receive() const {
    char bytes[4096];
    const ssize_t got = ::recv(socket_, bytes, sizeof bytes, 0);
    return got > 0 ? std::string(bytes, static_cast<std::size_t>(got)) + "\n" : "";
  }

  int socket_;
  Environment environment_;
  std::string heard_;
};

struct ServiceTrial {
  ServiceTrial() {
    std::signal(SIGPIPE, SIG_IGN);
    test::write_text(engine, test::trial_engine);
  }
  std::vector<std::string> run(const std::string& source) const {
    return {"run", engine, "--source", source, "--out", session};
  }
  std::string service_lines() const { return test::file_text(session + "/service.jsonl"); }

  const ScratchFolder folder;
  const std::string engine = folder / "engine.toml";
  const std::string port = folder / "port";
  const std::string session = folder / "live";
  const std::string second = folder / "live-2";
};

void write_in_real_time(int descriptor, const std::vector<test::TrialEdge>& edges) {
  const auto begin = std::chrono::steady_clock::now();
  for (const test::TrialEdge& edge : edges) {
    std::this_thread::sleep_until(begin + std::chrono::nanoseconds(edge.t_ns));
    ASSERT_TRUE(test::write_all(descriptor, edge.line));
  }
}

// ---- the service manager

TEST(ServiceManager, is_told_when_it_is_ready_what_it_sees_and_when_it_stops) {
  const ServiceTrial trial;
  Manager manager(trial.folder / "notify");
  const PseudoTerminal device(trial.port);
  Program program(trial.folder, trial.run("serial-csv:" + trial.port));
  ASSERT_TRUE(manager.hears("READY=1"));
  EXPECT_TRUE(std::filesystem::exists(trial.session + "/session.toml")) << "the session is open by then";
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected"));
  ASSERT_TRUE(test::write_all(device.descriptor(), header));
  std::thread writer([&] { write_in_real_time(device.descriptor(), test::trial_edges(1500, 4, 700)); });
  EXPECT_TRUE(manager.hears("STATUS=cycle-locked, 1500 rpm; last finding: Missed edge: crank, tooth "));
  writer.join();
  program.send(SIGTERM);
  EXPECT_TRUE(manager.hears("STOPPING=1"));
  EXPECT_EQ(program.wait(), 0) << program.err();
}

TEST(ServiceManager, is_not_needed) {
  const ServiceTrial trial;
  const Environment nowhere("NOTIFY_SOCKET", trial.folder / "no-one-listens");
  Program program(trial.folder, trial.run("serial-csv:" + trial.port));
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-away"));
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), 0) << program.err();
}

// Thread ids by name; proc(5). The first thread does the input.
std::map<std::string, int> threads_of(int pid) {
  std::map<std::string, int> found;
  for (const auto& entry : std::filesystem::directory_iterator("/proc/" + std::to_string(pid) + "/task")) {
    std::string name = test::file_text(entry.path() / "comm");
    name.erase(name.find_last_not_of('\n') + 1);
    const int id = std::atoi(entry.path().filename().c_str());
    found[id == pid ? "input" : name] = id;
  }
  return found;
}

// The hang is planted from outside: one thread alone is stopped as a debugger stops it.
TEST(ServiceManager, hears_the_watchdog_only_while_each_thread_makes_progress) {
  const ServiceTrial trial;
  Manager manager(trial.folder / "notify");
  const Environment period("WATCHDOG_USEC", "2000000");
  Program program(trial.folder, trial.run("serial-csv:" + trial.port));
  ASSERT_TRUE(manager.hears("READY=1"));
  ASSERT_TRUE(manager.hears("WATCHDOG=1")) << "though no edge comes";
  const auto threads = threads_of(program.pid());
  for (const char* name : {"input", "monitor", "writer"}) {
    ASSERT_TRUE(threads.contains(name)) << name;
    const int thread = threads.at(name);
    ASSERT_EQ(::ptrace(PTRACE_SEIZE, thread, nullptr, nullptr), 0) << name << ": " << std::strerror(errno);
    ASSERT_EQ(::ptrace(PTRACE_INTERRUPT, thread, nullptr, nullptr), 0) << name;
    int status = 0;
    ASSERT_EQ(::waitpid(thread, &status, __WALL), thread) << name;
    manager.listen(milliseconds(1100));  // half of the period may pass before it is found out
    EXPECT_EQ(manager.listen(milliseconds(3000)).find("WATCHDOG=1"), std::string::npos)
        << name << " hangs: the watchdog must bite";
    ASSERT_EQ(::ptrace(PTRACE_DETACH, thread, nullptr, nullptr), 0) << name;
    EXPECT_TRUE(manager.hears("WATCHDOG=1")) << name << " goes on";
  }
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), 0) << program.err();
}

TEST(ServiceManager, gets_no_watchdog_where_it_asked_for_none) {
  const ServiceTrial trial;
  Manager manager(trial.folder / "notify");
  Program program(trial.folder, trial.run("serial-csv:" + trial.port));
  ASSERT_TRUE(manager.hears("READY=1"));
  EXPECT_EQ(manager.listen(milliseconds(1500)).find("WATCHDOG"), std::string::npos);
}

// ---- SIGHUP

// Edges go on while the signal comes: each is in one of the two sessions.
TEST(Reload, begins_a_new_session_and_an_unchanged_source_loses_no_edge) {
  for (const bool pipe : {false, true}) {
    const ServiceTrial trial;
    Manager manager(trial.folder / "notify");
    const PseudoTerminal device(trial.port);
    const std::string fifo = trial.folder / "fifo";
    ::mkfifo(fifo.c_str(), 0644);
    Program program(trial.folder, trial.run(pipe ? "csv:" + fifo : "serial-csv:" + trial.port));
    const int to = pipe ? ::open(fifo.c_str(), O_WRONLY | O_CLOEXEC) : device.descriptor();
    ASSERT_TRUE(manager.hears("READY=1"));
    ASSERT_TRUE(pipe || test::wait_for_event(trial.session, "link-connected"));
    const auto edges = test::trial_edges(3000, 4, 0);
    std::thread writer([&] {
      EXPECT_TRUE(test::write_all(to, header));
      write_in_real_time(to, edges);
    });
    std::this_thread::sleep_for(milliseconds(1800));
    program.send(SIGHUP);
    EXPECT_TRUE(manager.hears("RELOADING=1\nMONOTONIC_USEC="));
    EXPECT_TRUE(manager.hears("READY=1"));
    writer.join();
    ASSERT_TRUE(test::wait_until(
        [&] { return test::edges_recorded(trial.session) + test::edges_recorded(trial.second) >= edges.size(); }));
    program.send(SIGTERM);
    EXPECT_EQ(program.wait(), 0) << program.err();
    const std::size_t before = test::edges_recorded(trial.session);
    const std::size_t after = test::edges_recorded(trial.second);
    EXPECT_EQ(before + after, edges.size()) << "in all";
    EXPECT_GT(before, edges.size() / 5);
    EXPECT_GT(after, edges.size() / 5);
    EXPECT_NE(test::file_text(trial.session + "/summary.json").find("\"stopped_by\": \"reload\""), std::string::npos);
    EXPECT_EQ(test::events_of_service(trial.session, "reload"), 1);
    EXPECT_EQ(test::events_of_service(trial.second, "reload"), 1);
    EXPECT_NE(test::file_text(trial.second + "/trend.csv").find("cycle-locked"), std::string::npos);
    // Each of the two is a session of its own.
    for (const std::string& session : {trial.session, trial.second}) {
      const std::string again = session + "-again";
      EXPECT_EQ(test::run_program(trial.folder, {"replay", session, "--out", again}).code, 0);
      EXPECT_EQ(test::file_text(again + "/events.jsonl"), test::file_text(session + "/events.jsonl"));
      EXPECT_EQ(test::file_text(again + "/trend.csv"), test::file_text(session + "/trend.csv"));
    }
    if (pipe) {
      ::close(to);
    }
  }
}

std::string with_offset(const std::string& offset) {
  std::string text = test::trial_engine;
  const std::size_t at = text.find("trigger_offset_deg = ");
  const std::size_t end = text.find('\n', at);
  return text.replace(at, end - at, "trigger_offset_deg = " + offset);
}

// Whether a process has `path` open; proc(5).
bool holds(int pid, const std::string& path) {
  std::error_code error;
  for (const auto& entry : std::filesystem::directory_iterator("/proc/" + std::to_string(pid) + "/fd")) {
    if (std::filesystem::read_symlink(entry.path(), error) == path) {
      return true;
    }
  }
  return false;
}

TEST(Reload, reads_the_engine_file_again_and_opens_what_is_new_in_it) {
  const ServiceTrial trial;
  const std::string other_port = trial.folder / "other-port";
  const PseudoTerminal device(trial.port);
  const PseudoTerminal other(other_port);
  const auto source = [](const std::string& port) {
    return "\n[[source]]\ndriver = \"serial-csv\"\naddress = \"" + port + "\"\n";
  };
  test::write_text(trial.engine, std::string(test::trial_engine) + source(trial.port));
  Program program(trial.folder, {"run", trial.engine, "--out", trial.session});
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected"));
  EXPECT_TRUE(holds(program.pid(), device.path()));
  test::write_text(trial.engine, with_offset("33.25") + source(other_port));
  program.send(SIGHUP);
  ASSERT_TRUE(test::wait_for_event(trial.second, "link-connected"));
  ASSERT_TRUE(test::write_all(other.descriptor(), header + "1000,crank,f\n"));
  ASSERT_TRUE(test::wait_for_edges(trial.second, 1));
  EXPECT_TRUE(test::wait_until([&] { return !holds(program.pid(), device.path()); })) << "the old port was let go";
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), 0) << program.err();
  const std::string session = test::file_text(trial.second + "/session.toml");
  EXPECT_NE(session.find("trigger_offset_deg = 33.25"), std::string::npos);
  EXPECT_EQ(test::file_text(trial.session + "/session.toml").find("trigger_offset_deg = 33.25"), std::string::npos);
}

TEST(Reload, with_a_wrong_file_is_refused_in_a_line_and_the_session_goes_on) {
  const ServiceTrial trial;
  const PseudoTerminal device(trial.port);
  Program program(trial.folder, trial.run("serial-csv:" + trial.port));
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected"));
  ASSERT_TRUE(test::write_all(device.descriptor(), header + "1000,crank,f\n"));
  ASSERT_TRUE(test::wait_for_edges(trial.session, 1));
  test::write_text(trial.engine, with_offset("\"late\""));
  program.send(SIGHUP);
  ASSERT_TRUE(test::wait_for_event(trial.session, "reload-refused"));
  ASSERT_TRUE(test::write_all(device.descriptor(), "2000,crank,f\n"));
  ASSERT_TRUE(test::wait_for_edges(trial.session, 2));
  EXPECT_FALSE(std::filesystem::exists(trial.second));
  EXPECT_EQ(test::events_of_service(trial.session, "link-lost"), 0);
  // Mended, it is taken.
  test::write_text(trial.engine, with_offset("12.5"));
  program.send(SIGHUP);
  ASSERT_TRUE(test::wait_for_event(trial.second, "start"));
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), 0) << program.err();
  EXPECT_EQ(test::count_in(program.err(), "the session goes on with the settings it began with"), 1);
  EXPECT_NE(program.err().find(trial.engine + ":"), std::string::npos) << "file and line: " << program.err();
}

TEST(Reload, many_times_in_a_row_ends_each_session_in_good_order) {
  const ServiceTrial trial;
  const PseudoTerminal device(trial.port);
  Program program(trial.folder, trial.run("serial-csv:" + trial.port));
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected"));
  std::vector<std::string> folders = {trial.session};
  for (int i = 2; i <= 6; ++i) {
    program.send(SIGHUP);
    folders.push_back(trial.session + "-" + std::to_string(i));
    // One that comes while the last session is still being written is refused, and asked for again.
    ASSERT_TRUE(test::wait_until([&] {
      if (std::filesystem::exists(folders.back() + "/service.jsonl")) {
        return true;
      }
      program.send(SIGHUP);
      return false;
    }));
    ASSERT_TRUE(
        test::wait_until([&] { return std::filesystem::exists(folders[folders.size() - 2] + "/summary.json"); }));
  }
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), 0) << program.err();
  for (const std::string& folder : folders) {
    EXPECT_TRUE(std::filesystem::exists(folder + "/summary.json")) << folder;
  }
}

// ---- the end

TEST(Ending, sighup_of_a_terminal_that_was_closed_ends_the_run) {
  const ServiceTrial trial;
  const int master = ::posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
  ::grantpt(master);
  ::unlockpt(master);
  const std::string terminal = ::ptsname(master);
  const pid_t child = ::fork();
  if (child == 0) {
    ::setsid();
    const int descriptor = ::open(terminal.c_str(), O_RDWR);  // becomes the controlling terminal
    ::dup2(descriptor, STDIN_FILENO);
    ::dup2(descriptor, STDOUT_FILENO);
    ::dup2(descriptor, STDERR_FILENO);
    const std::string source = "serial-csv:" + trial.port;
    ::execl(CRANKWITNESS_PROGRAM, CRANKWITNESS_PROGRAM, "run", trial.engine.c_str(), "--source", source.c_str(),
            "--out", trial.session.c_str(), nullptr);
    ::_exit(127);
  }
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-away"));
  ::close(master);
  int status = 0;
  ASSERT_EQ(::waitpid(child, &status, 0), child);
  EXPECT_TRUE(WIFEXITED(status));
  EXPECT_EQ(WEXITSTATUS(status), 0);
  EXPECT_NE(test::file_text(trial.session + "/summary.json").find("\"stopped_by\": \"signal\""), std::string::npos);
  EXPECT_FALSE(std::filesystem::exists(trial.second));
}

// A reader of standard output that has stopped reading holds up the end.
TEST(Ending, a_second_signal_is_answered_and_a_third_ends_at_once) {
#ifdef __SANITIZE_THREAD__
  GTEST_SKIP() << "ThreadSanitizer keeps a signal back until the write(2) that hangs here returns";
#endif
  const ServiceTrial trial;
  const std::string out = trial.folder / "program.out";
  ::mkfifo(out.c_str(), 0644);
  const int full = ::open(out.c_str(), O_RDWR | O_NONBLOCK | O_CLOEXEC);
  const std::string bytes(4096, 'x');
  while (::write(full, bytes.data(), bytes.size()) > 0) {
  }
  const std::string edges = trial.folder / "edges.fifo";
  ::mkfifo(edges.c_str(), 0644);
  Program program(trial.folder, trial.run("csv:" + edges));
  ASSERT_TRUE(test::wait_for_event(trial.session, "start"));
  std::this_thread::sleep_for(milliseconds(200));
  program.send(SIGTERM);
  ASSERT_TRUE(test::wait_until([&] { return std::filesystem::exists(trial.session + "/summary.json"); }));
  std::this_thread::sleep_for(milliseconds(200));
  program.send(SIGINT);
  ASSERT_TRUE(test::wait_until([&] { return program.err().find("once more ends it at once") != std::string::npos; }));
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), -SIGTERM);
  ::close(full);
  const ScratchFolder other;
  EXPECT_EQ(test::run_program(other, {"replay", trial.session}).code, 0) << "what is on disk stays readable";
}

TEST(OneWriter, of_two_programs_that_want_one_folder_at_the_same_time_one_gets_it) {
  for (int i = 0; i < 20; ++i) {
    const ServiceTrial trial;
    const ScratchFolder other;
    Program first(trial.folder, trial.run("serial-csv:" + trial.port));
    Program second(other, trial.run("serial-csv:" + trial.port));
    ASSERT_TRUE(test::wait_for_event(trial.session, "start"));
    // The one that did not get it ends by itself.
    ASSERT_TRUE(test::wait_until([&] { return (first.err() + second.err()).find("expected a") != std::string::npos; }))
        << first.err() << second.err();
    const bool first_lost = first.err().find("expected a") != std::string::npos;
    Program& winner = first_lost ? second : first;
    Program& loser = first_lost ? first : second;
    EXPECT_EQ(loser.wait(), 5) << loser.err();
    winner.send(SIGTERM);
    EXPECT_EQ(winner.wait(), 0) << winner.err();
    EXPECT_EQ(test::events_of_service(trial.session, "start"), 1);
    EXPECT_EQ(test::events_of_service(trial.session, "stop"), 1);
  }
}

// ---- the journal

TEST(Journal, gets_lines_with_priorities_and_neither_times_nor_colours) {
  const ServiceTrial trial;
  const std::string err = trial.folder / "program.err";
  test::write_text(err, "");
  struct stat status {};
  ASSERT_EQ(::stat(err.c_str(), &status), 0);
  const Environment journal("JOURNAL_STREAM", std::to_string(status.st_dev) + ":" + std::to_string(status.st_ino));
  test::write_text(trial.folder / "edges.csv", test::trial_csv(3000, 5, 700));
  const auto ended = test::run_program(trial.folder, trial.run("csv:" + (trial.folder / "edges.csv")));
  EXPECT_EQ(ended.code, 0) << ended.err;
  const auto lines = test::lines_of(ended.err);
  ASSERT_GE(lines.size(), 3U);
  for (const std::string& line : lines) {
    EXPECT_TRUE(line.starts_with("<6>")) << line;
  }
  EXPECT_EQ(lines[0], "<6>listening to csv:" + (trial.folder / "edges.csv"));
  EXPECT_NE(ended.out.find("<4>WARNING: Missed edge: crank, tooth "), std::string::npos) << ended.out;
  EXPECT_EQ((ended.out + ended.err).find('\x1b'), std::string::npos);
  EXPECT_EQ(ended.out.find("    Where:"), std::string::npos) << "one line a finding";
  // A start that fails says so with the priority of an error.
  EXPECT_EQ(test::run_program(trial.folder, {"run", "/no/such/file"}).err.substr(0, 3), "<3>");
}

TEST(Journal, is_known_by_its_name_only_and_the_option_asks_for_its_lines_anywhere) {
  const ServiceTrial trial;
  test::write_text(trial.folder / "edges.csv", test::trial_csv(3000, 1, 0));
  auto words = trial.run("csv:" + (trial.folder / "edges.csv"));
  {
    const Environment another("JOURNAL_STREAM", "1:1");
    EXPECT_FALSE(test::run_program(trial.folder, words).err.starts_with("<"));
  }
  words.back() = trial.second;
  words.emplace_back("--journal");
  EXPECT_TRUE(test::run_program(trial.folder, words).err.starts_with("<6>"));
}

}  // namespace
}  // namespace cw
