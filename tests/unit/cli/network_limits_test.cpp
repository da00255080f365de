// What a peer on a network can do to the real program: too much, too long, too slowly, for ever, or nothing at all. The
// table of limits stands in DEVELOPERS.md.
#include <gtest/gtest.h>
#include <netinet/tcp.h>

#include <boost/crc.hpp>
#include <csignal>
#include <cstdio>
#include <fstream>
#include <regex>

#include "tests/unit/cli/links.hpp"
#include "tests/unit/cli/program.hpp"
#include "tests/unit/cli/trial_edges.hpp"

namespace cw {
namespace {

using test::Program;
using test::ScratchFolder;
using test::Server;

struct NetworkTrial {
  NetworkTrial() {
    std::signal(SIGPIPE, SIG_IGN);
    test::write_text(engine, test::trial_engine);
    server.listen();
  }
  std::vector<std::string> run(const std::string& driver) const {
    return {"run", engine, "--source", driver + ":" + server.address(), "--out", session};
  }
  std::string events() const { return test::file_text(session + "/events.jsonl"); }

  const ScratchFolder folder;
  const Server server;
  const std::string engine = folder / "engine.toml";
  const std::string session = folder / "live";
};

// Resident memory in KiB; proc(5), VmRSS.
long resident_kib(int pid) {
  const std::string status = test::file_text("/proc/" + std::to_string(pid) + "/status");
  const std::size_t at = status.find("VmRSS:");
  return at == std::string::npos ? 0 : std::atol(status.c_str() + at + 6);
}

std::string hex(unsigned value, int digits) {
  char text[16];
  std::snprintf(text, sizeof text, "%0*X", digits, value);
  return text;
}

// A header line of the edge stream (drivers/EDGE_STREAM.md, text form) with a channel name of its own.
std::string header_line(unsigned sequence, const std::string& name) {
  std::string body =
      "H," + std::to_string(sequence % 65536) + ",1,1000000,32,0," + std::to_string(sequence) + ",0," + name;
  boost::crc_ccitt_type crc;
  crc.process_bytes(body.data(), body.size());
  body += "," + hex(crc.checksum(), 4);
  unsigned sum = 0;
  for (const char letter : body) {
    sum ^= static_cast<unsigned char>(letter);
  }
  return "$" + body + "*" + hex(sum, 2) + "\n";
}

TEST(NetworkLimits, headers_that_name_other_channels_for_ever_take_no_memory_and_flood_no_list) {
  const NetworkTrial trial;
  Program program(trial.folder, trial.run("tcp"));
  const int peer = trial.server.accept();
  ASSERT_TRUE(test::write_all(peer, header_line(0, "crank")));
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected"));
  unsigned sequence = 1;
  const auto send = [&](unsigned count) {
    std::string text;
    for (const unsigned end = sequence + count; sequence < end; ++sequence) {
      text += header_line(sequence, "channel-number-" + std::to_string(sequence));
    }
    ASSERT_TRUE(test::write_all(peer, text));
  };
  send(20'000);
  std::this_thread::sleep_for(std::chrono::seconds(2));
  [[maybe_unused]] const long before = resident_kib(program.pid());
  send(100'000);
  std::this_thread::sleep_for(std::chrono::seconds(2));
#ifndef __SANITIZE_ADDRESS__  // keeps freed memory for a while
  EXPECT_LT(resident_kib(program.pid()) - before, 24 * 1024);
#endif
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), 4) << program.err();
  ::close(peer);
  // At most ten a second and kind, the rest of the second in one.
  const auto seconds = test::count_in(test::file_text(trial.session + "/trend.csv"), "\n");
  EXPECT_LE(test::count_in(trial.events(), "edges-dropped"), 11 * seconds);
}

TEST(NetworkLimits, a_frame_without_end_is_dropped_and_told_each_4_kib) {
  const NetworkTrial trial;
  Program program(trial.folder, trial.run("tcp"));
  const int peer = trial.server.accept();
  ASSERT_TRUE(test::write_all(peer, header_line(0, "crank")));
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected"));
  const long before = resident_kib(program.pid());
  const std::string endless(1024 * 1024, 'x');
  for (int i = 0; i < 32; ++i) {
    ASSERT_TRUE(test::write_all(peer, endless));
  }
  ASSERT_TRUE(test::wait_for_event(trial.session, "bad-input"));
  EXPECT_LT(resident_kib(program.pid()) - before, 24 * 1024) << "32 MiB were sent";
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), 4) << program.err();
  ::close(peer);
  // Told at most once a second, and once at the end.
  EXPECT_LE(test::count_in(program.err(), "without a sound frame"), 20);
  EXPECT_NE(program.err().find(" more)"), std::string::npos);
}

TEST(NetworkLimits, a_line_that_comes_byte_by_byte_is_waited_for_and_taken) {
  const NetworkTrial trial;
  Program program(trial.folder, trial.run("tcp-csv"));
  const int peer = trial.server.accept();
  ASSERT_TRUE(test::write_all(peer, "t_ns,channel,edge\n"));
  for (const char byte : std::string("1000,crank,f\n")) {
    ASSERT_TRUE(test::write_all(peer, {&byte, 1}));
    std::this_thread::sleep_for(std::chrono::milliseconds(100));
  }
  EXPECT_TRUE(test::wait_for_edges(trial.session, 1));
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), 0) << program.err();
  ::close(peer);
}

// The peer's end is taken away without a word (TCP_REPAIR closes without FIN or RST), as a pulled cable or a crashed
// server does: its computer knows nothing of the connection when keep-alive asks.
TEST(NetworkLimits, a_half_open_connection_is_found_out_by_keep_alive_and_opened_again) {
  const NetworkTrial trial;
  Program program(trial.folder, trial.run("tcp-csv"));
  const int peer = trial.server.accept();
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected"));
  const int on = 1;
  if (::setsockopt(peer, IPPROTO_TCP, TCP_REPAIR, &on, sizeof on) != 0) {
    ::close(peer);
    GTEST_SKIP() << "needs CAP_NET_ADMIN";
  }
  ::close(peer);
  const auto begin = std::chrono::steady_clock::now();
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected", 2));
  EXPECT_GT(std::chrono::steady_clock::now() - begin, std::chrono::seconds(3));
  EXPECT_LT(std::chrono::steady_clock::now() - begin, std::chrono::seconds(30));
  EXPECT_EQ(test::events_of_service(trial.session, "link-lost"), 1);
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), 0) << program.err();
  EXPECT_EQ(test::count_in(trial.events(), "\"kind\":\"link-lost\""), 1);
}

// The addresses, as proc(5) net/tcp and net/tcp6 write them, on which the process listens (state 0A). `sockets` gets the
// number of all its sockets.
std::vector<std::string> listening_addresses(int pid, int& sockets) {
  std::string names;
  std::error_code error;
  for (const auto& entry : std::filesystem::directory_iterator("/proc/" + std::to_string(pid) + "/fd")) {
    names += std::filesystem::read_symlink(entry.path(), error).string() + "\n";
  }
  sockets = test::count_in(names, "socket:[");
  std::vector<std::string> found_addresses;
  const std::regex listening(R"(^ *\d+: (\S+):\S+ \S+ 0A (?:\S+ +){5}(\d+))");
  for (const char* table : {"tcp", "tcp6"}) {
    std::ifstream in("/proc/" + std::to_string(pid) + "/net/" + table);
    for (std::string line; std::getline(in, line);) {
      std::smatch found;
      if (std::regex_search(line, found, listening) && names.find("[" + found[2].str() + "]") != std::string::npos) {
        found_addresses.push_back(found[1].str());
      }
    }
  }
  return found_addresses;
}

TEST(NetworkLimits, the_program_listens_on_no_port_unless_it_is_told_to_serve) {
  const NetworkTrial trial;
  Program program(trial.folder, trial.run("tcp-csv"));
  const int peer = trial.server.accept();
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected"));
  int sockets = 0;
  EXPECT_EQ(listening_addresses(program.pid(), sockets), std::vector<std::string>());
  EXPECT_EQ(sockets, 1);
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), 0);
  ::close(peer);
}

TEST(NetworkLimits, the_program_serves_this_computer_only_unless_told_otherwise) {
  const NetworkTrial trial;
  std::vector<std::string> words = trial.run("tcp-csv");
  words.insert(words.end(), {"--serve", "127.0.0.1:0"});
  Program program(trial.folder, words);
  const int peer = trial.server.accept();
  ASSERT_TRUE(test::wait_for_event(trial.session, "link-connected"));
  int sockets = 0;
  EXPECT_EQ(listening_addresses(program.pid(), sockets), std::vector<std::string>{"0100007F"});
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), 0);
  ::close(peer);
  words.back() = "0.0.0.0:0";
  Program refused(trial.folder, words);
  EXPECT_EQ(refused.wait(), 2);
  EXPECT_NE(refused.err().find("0.0.0.0:0: expected a loopback address"), std::string::npos) << refused.err();
}

TEST(NetworkLimits, each_test_that_the_table_of_limits_names_is_there) {
  const std::string source = CRANKWITNESS_SOURCE_DIR;
  const std::string page = test::file_text(source + "/DEVELOPERS.md");
  const std::size_t begin = page.find("## Limits on what comes from outside");
  ASSERT_NE(begin, std::string::npos);
  const std::string table = page.substr(begin, page.find("\n## ", begin + 1) - begin);
  std::string tests;
  for (const char* folder : {"cli", "clocks", "config", "drivers", "monitor", "record", "serve", "signals"}) {
    for (const auto& entry : std::filesystem::directory_iterator(source + "/tests/unit/" + folder)) {
      tests += test::file_text(entry.path());
    }
  }
  const std::regex name(R"(`(\w+)\.(\w+)`)");
  int named = 0;
  for (std::sregex_iterator at(table.begin(), table.end(), name), end; at != end; ++at, ++named) {
    EXPECT_NE(tests.find("(" + (*at)[1].str() + ", " + (*at)[2].str() + ")"), std::string::npos) << at->str();
  }
  EXPECT_GE(named, 12);
}

}  // namespace
}  // namespace cw
