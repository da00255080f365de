// A recorded edge stream through the real program: what the device dropped and what the line lost become findings with
// their counts, and are not blamed on the sensor.
#include <gtest/gtest.h>

#include <numeric>
#include <sstream>

#include "tests/unit/cli/program.hpp"
#include "tests/unit/cli/trial_edges.hpp"
#include "tests/unit/drivers/stream_device.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

using test::Ended;
using test::run_program;
using test::ScratchFolder;

struct Wire {
  std::string bytes;
  std::size_t lost_edges = 0;  // in the frames that were cut out
};

// The trial engine for 6 s at 1500 rpm: 25 times 36 teeth a second. From 2 s on the device drops five edges in a row;
// at 4 s a frame (binary) or line (text) with edges is lost on the line.
Wire record(int form) {
  test::Device device({form, 1'000'000, 32, 65536});
  Wire wire;
  std::uint64_t now = 0;
  int dropped = 0;
  for (const test::TrialEdge& edge : test::trial_edges(1500, 6, 0)) {
    const auto ticks = static_cast<std::uint64_t>(edge.t_ns) / 1000;
    const std::size_t before = device.encoder().edges;
    for (; now < ticks; now += 4000) {
      device.poll(now);
    }
    const std::string bytes = device.take();
    const std::size_t sent = form == CWES_TEXT ? 1 : device.encoder().edges - before;
    const bool edges_inside = form == CWES_TEXT ? bytes.starts_with("$E") : bytes.size() > 30;
    if (ticks > 4'000'000 && wire.lost_edges == 0 && edges_inside) {
      wire.lost_edges = sent;
    } else {
      wire.bytes += bytes;
    }
    const int channel = edge.line.find("crank") != std::string::npos  ? 0
                        : edge.line.find("cam1") != std::string::npos ? 1
                                                                      : 2;
    if (ticks > 2'000'000 && dropped < 5) {
      device.dropped(1);
      ++dropped;
    } else {
      EXPECT_TRUE(device.edge(channel, false, ticks));
    }
  }
  device.flush();
  wire.bytes += device.take();
  return wire;
}

struct Findings {
  std::vector<double> lost_items;  // of each edges-dropped
  std::size_t missed = 0;
};

Findings findings_of(const std::string& events) {
  Findings found;
  std::istringstream lines(events);
  for (std::string line; std::getline(lines, line);) {
    const auto finding = parse_json(line);
    if (finding["kind"] == "edges-dropped") {
      EXPECT_EQ(finding["attribution"], "capture-link");
      found.lost_items.push_back(finding["values"].value("lost_items", -1.0));
    }
    found.missed += finding["kind"] == "missed-edge" ? 1 : 0;
  }
  return found;
}

class EdgeStreamProgram : public testing::TestWithParam<int> {
 protected:
  void expect_both_losses(const Ended& ended, const std::string& session) const {
    EXPECT_EQ(ended.code, 4) << ended.err;
    const Findings found = findings_of(test::file_text(session + "/events.jsonl"));
    ASSERT_GE(found.lost_items.size(), 2U) << ended.out;
    EXPECT_EQ(std::accumulate(found.lost_items.begin(), found.lost_items.end() - 1, 0.0), 5) << ended.out;
    EXPECT_EQ(found.lost_items.back(), lost_) << ended.out;
    EXPECT_EQ(found.missed, 0U);
  }
  void SetUp() override {
    const Wire wire = record(GetParam());
    lost_ = static_cast<int>(wire.lost_edges);
    ASSERT_GT(lost_, 0);
    test::write_text(engine_, test::trial_engine);
    test::write_text(file_, wire.bytes);
  }
  const ScratchFolder folder_;
  const std::string engine_ = folder_ / "engine.toml";
  const std::string file_ = folder_ / "line.bin";
  const std::string session_ = folder_ / "session";
  int lost_ = 0;
};
INSTANTIATE_TEST_SUITE_P(Forms, EdgeStreamProgram, testing::Values(CWES_BINARY, CWES_TEXT),
                         [](const auto& form) { return form.param == CWES_TEXT ? "text" : "binary"; });

TEST_P(EdgeStreamProgram, replay_of_a_recorded_line_tells_what_device_and_line_lost) {
  const Ended ended = run_program(folder_, {"replay", file_, "--engine", engine_, "--out", session_});
  expect_both_losses(ended, session_);
  EXPECT_NE(ended.out.find("cycle-locked"), std::string::npos) << ended.out;
}

TEST_P(EdgeStreamProgram, run_from_standard_input_tells_what_device_and_line_lost) {
  expect_both_losses(run_program(folder_, {"run", engine_, "--source", "stream:-", "--out", session_}, file_),
                     session_);
}

TEST_P(EdgeStreamProgram, a_file_without_a_header_is_refused_in_one_line) {
  const std::string bytes = test::file_text(file_);
  const std::size_t header_end = bytes.find(GetParam() == CWES_TEXT ? '\n' : '\0') + 1;
  test::write_text(file_, bytes.substr(header_end, 300));
  const Ended ended = run_program(folder_, {"replay", file_, "--engine", engine_});
  EXPECT_EQ(ended.code, 3);
  EXPECT_EQ(ended.err, "crankwitness: " + file_ +
                           ": expected an edge stream with a header, found frames but no header in 300 bytes\n");
}

}  // namespace
}  // namespace cw
