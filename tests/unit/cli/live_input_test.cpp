// The input side within this process: what a full queue and a kernel that loses bytes come to.
#include "cli/live_input.hpp"

#include <gtest/gtest.h>
#include <signal.h>
#include <unistd.h>

#include <atomic>
#include <sstream>
#include <thread>

#include "config/engine_file.hpp"
#include "drivers/registry.hpp"
#include "tests/unit/cli/links.hpp"
#include "tests/unit/cli/trial_edges.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

// Keeps the writer, and with it all before it, waiting until it is let go.
class Stopper final : public Observer {
 public:
  void on_finding(const Finding& /*finding*/) override {}
  void on_cycle(const Cycle& /*cycle*/) override {}
  void on_second(const Second& /*second*/) override {}
  void on_state(const StateChange& /*change*/) override {
    while (!let_go) {
      std::this_thread::sleep_for(std::chrono::milliseconds(5));
    }
  }
  std::atomic<bool> let_go{false};
};

struct InputTrial {
  InputTrial() {
    SessionSettings settings;
    settings.folder = folder / "live";
    settings.info.id = 1;
    settings.info.engine_file_text = test::trial_engine;
    session = std::move(std::get<std::unique_ptr<SessionWriter>>(SessionWriter::create(std::move(settings), engine)));
  }
  LiveSource source(const DriverEntry& entry, int descriptor) const {
    LiveSource made;
    made.info.driver = entry.name;
    made.info.address = "trial";
    made.driver = entry.make({"trial", true, {}});
    made.entry = &entry;
    made.descriptor = descriptor;
    return made;
  }
  // The sum of a value over all findings of a kind.
  double sum_of(const std::string& kind, const std::string& value) const {
    double sum = 0;
    std::istringstream in(test::file_text(folder / "live/events.jsonl"));
    for (std::string line; std::getline(in, line);) {
      const auto json = parse_json(line);
      sum += json.at("kind") == kind ? json.at("values").value(value, 0.0) : 0.0;
    }
    return sum;
  }

  const test::ScratchFolder folder;
  const Engine engine = std::get<Engine>(parse_engine(test::trial_engine, "trial"));
  SessionTotals totals{engine};
  std::unique_ptr<SessionWriter> session;
};

TEST(LiveInputOverload, what_finds_no_room_is_counted_to_the_item_and_told) {
  InputTrial trial;
  int ends[2] = {-1, -1};
  ASSERT_EQ(::pipe(ends), 0);
  const Signals signals;
  Stopper stopper;
  LiveReport report;
  const std::string text = test::trial_csv(3000, 20, 0);
  {
    // Not live, so that a writer that stands still holds up the monitor, and the monitor the input.
    Pipeline pipeline(trial.engine, {false, 500, trial.session.get(), &trial.totals, {&stopper}});
    std::vector<LiveSource> sources;
    sources.push_back(trial.source(*find_driver("csv"), ends[0]));
    LiveInput input(std::move(sources), pipeline, *trial.session, signals, {});
    std::thread writer([&] {
      EXPECT_TRUE(test::write_all(ends[1], text));
      stopper.let_go = true;
      // Room again: what comes now is taken, and before it the gap that counts what was not.
      std::this_thread::sleep_for(std::chrono::milliseconds(300));
      EXPECT_TRUE(test::write_all(ends[1], "21000000000,crank,f\n"));
      ::close(ends[1]);
    });
    report = input.run();
    writer.join();
    pipeline.finish();
  }
  EXPECT_FALSE(trial.session->finish(report.stopped_by, trial.totals));
  EXPECT_EQ(report.stopped_by, "end of input");
  EXPECT_GT(report.lost_items, 0U);
  const std::size_t edges = test::trial_edges(3000, 20, 0).size() + 1;
  EXPECT_EQ(trial.totals.edges() + report.lost_items, edges) << "each is either there or counted";
  EXPECT_EQ(trial.sum_of("edges-dropped", "lost_items"), static_cast<double>(report.lost_items));
  EXPECT_NE(test::file_text(trial.folder / "live/service.jsonl").find("input-lost"), std::string::npos);
}

// A port whose kernel says that it has lost bytes: 7 and then 5 more.
std::atomic<std::uint64_t> port_counter{1000};
std::atomic<int> port_descriptor{-1};

DriverEntry lossy_port() {
  DriverEntry entry = *find_driver("serial-csv");
  entry.open = [](const SourceAddress& /*where*/) { return Opened{port_descriptor.exchange(-1), "trial: no port"}; };
  entry.lost_bytes = [](int /*descriptor*/) { return std::optional<std::uint64_t>(port_counter.load()); };
  return entry;
}

TEST(LiveInputOverload, bytes_that_the_kernel_lost_on_a_port_are_told) {
  InputTrial trial;
  int ends[2] = {-1, -1};
  ASSERT_EQ(::pipe(ends), 0);
  port_descriptor = ends[0];
  const DriverEntry entry = lossy_port();
  const Signals signals;
  LiveReport report;
  {
    Pipeline pipeline(trial.engine, {true, 100000, trial.session.get(), &trial.totals, {}});
    std::vector<LiveSource> sources;
    sources.push_back(trial.source(entry, -1));
    LiveInput input(std::move(sources), pipeline, *trial.session, signals, {});
    std::thread device([&] {
      const std::string session = trial.folder / "live";
      EXPECT_TRUE(test::wait_for_event(session, "link-connected"));
      port_counter += 7;
      EXPECT_TRUE(test::wait_for_event(session, "port-overrun"));
      port_counter += 5;
      EXPECT_TRUE(test::wait_for_event(session, "port-overrun", 2));
      ::kill(::getpid(), SIGTERM);  // the input listens for it by now
    });
    report = input.run();
    device.join();
    pipeline.finish();
  }
  ::close(ends[1]);
  EXPECT_FALSE(trial.session->finish(report.stopped_by, trial.totals));
  EXPECT_EQ(report.lost_bytes, 12U);
  EXPECT_EQ(trial.totals.gaps(), 2U);
  EXPECT_EQ(trial.sum_of("edges-dropped", "lost_bytes"), 12);
}

}  // namespace
}  // namespace cw
