// Two devices with clocks of their own, with the real program and in real time.
#include <gtest/gtest.h>

#include <chrono>
#include <cmath>
#include <thread>

#include "tests/unit/cli/links.hpp"
#include "tests/unit/cli/program.hpp"
#include "tests/unit/cli/trial_edges.hpp"
#include "tests/unit/text_lines.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

std::string source_section(const std::string& port) {
  return "\n[[source]]\ndriver = \"serial-csv\"\naddress = \"" + port +
         "\"\nleast_delay_ms = 0.25\nleast_delay_uncertainty_ms = 0.5\n";
}

// Lines that are due at the nanosecond given with each.
void write_in_time(int descriptor, const std::vector<test::TrialEdge>& lines) {
  const auto begin = std::chrono::steady_clock::now();
  for (const test::TrialEdge& line : lines) {
    std::this_thread::sleep_until(begin + std::chrono::nanoseconds(line.t_ns));
    ASSERT_TRUE(test::write_all(descriptor, line.line));
  }
}

// A hundred edges a second of a clock that counts only `share` of the time that passes.
std::vector<test::TrialEdge> slow_clock(double seconds, double share) {
  std::vector<test::TrialEdge> lines;
  for (int i = 0; i < static_cast<int>(seconds * 100); ++i) {
    const std::int64_t due_ns = i * std::int64_t{10'000'000};
    const auto stamp_ns = std::llround(static_cast<double>(due_ns) * share);
    lines.push_back({due_ns, std::to_string(stamp_ns) + ",oil," + (i % 2 == 0 ? "r\n" : "f\n")});
  }
  return lines;
}

TEST(LiveClocks, of_two_devices_are_fitted_told_and_fitted_alike_in_a_replay) {
  const test::ScratchFolder folder;
  const std::string session = folder / "live";
  const test::PseudoTerminal capture(folder / "port0");
  const test::PseudoTerminal other(folder / "port1");
  test::write_text(folder / "engine.toml",
                   test::trial_engine + source_section(folder / "port0") + source_section(folder / "port1"));
  test::Program program(folder, {"run", folder / "engine.toml", "--out", session});
  ASSERT_TRUE(test::wait_for_event(session, "link-connected", 2));
  ASSERT_TRUE(test::write_all(capture.descriptor(), "t_ns,channel,edge\n"));
  ASSERT_TRUE(test::write_all(other.descriptor(), "t_ns,channel,edge\n"));
  const auto crank = test::trial_edges(1500, 8, 0);
  const auto oil = slow_clock(8, 0.995);
  std::thread writer([&] { write_in_time(other.descriptor(), oil); });
  write_in_time(capture.descriptor(), crank);
  writer.join();
  ASSERT_TRUE(test::wait_for_edges(session, crank.size() + oil.size()));
  program.send(SIGTERM);
  ASSERT_EQ(program.wait(), 0) << program.err();

  const auto clocks = parse_ordered_json(test::file_text(session + "/summary.json"))["clocks"];
  ASSERT_EQ(clocks.size(), 2U);
  EXPECT_NEAR(clocks[0]["skew_ppm"].get<double>(), 0, 1500);
  EXPECT_NEAR(clocks[1]["skew_ppm"].get<double>(), 5025, 1500);  // 1 / 0.995
  EXPECT_GE(clocks[1]["uncertainty_ms"].get<double>(), 0.5);
  EXPECT_LT(clocks[1]["uncertainty_ms"].get<double>(), 20);
  EXPECT_NE(program.out().find("Clocks        source 0 runs"), std::string::npos) << program.out();
  const auto rows = test::lines_of(test::file_text(session + "/trend.csv"));
  ASSERT_GE(rows.size(), 8U);
  EXPECT_EQ(rows[2].substr(rows[2].size() - 3), ",,,") << "too little seen yet";
  EXPECT_NE(rows[7].back(), ',') << rows[7];

  const std::string again = folder / "again";
  EXPECT_EQ(test::run_program(folder, {"replay", session, "--out", again}).code, 0);
  for (const char* name : {"/events.jsonl", "/trend.csv"}) {
    EXPECT_EQ(test::file_text(again + name), test::file_text(session + name)) << name;
  }
  EXPECT_EQ(parse_ordered_json(test::file_text(again + "/summary.json"))["clocks"], clocks);
}

}  // namespace
}  // namespace cw
