// Edges a second of the whole analysis, of reading a capture and of reading edge CSV; value changes a second of reading VCD.
#include <cstdlib>
#include <filesystem>
#include <memory>
#include <string>

#include <benchmark/benchmark.h>

#include "analyse.hpp"
#include "cli/sequencer.hpp"
#include "drivers/registry.hpp"
#include "drivers/vcd.hpp"
#include "record/capture_reader.hpp"
#include "record/capture_writer.hpp"

namespace {

using namespace cw;
using namespace cw::bench;

// Long enough that the start (a Monitor's tables, the search for the gap) does not show: about 300,000 edges.
double seconds_for(const Case& what) {
  constexpr double turns = 2500;
  return turns * 60 / what.rpm;
}

void report(benchmark::State& state, const Stream& stream, const Counter& counter) {
  const auto runs = static_cast<std::int64_t>(state.iterations());
  state.counters["edges/s"] = benchmark::Counter(static_cast<double>(runs * stream.edges), benchmark::Counter::kIsRate);
  state.counters["edges"] = static_cast<double>(stream.edges);
  state.counters["cycles"] = static_cast<double>(counter.locked_cycles) / static_cast<double>(runs);
  state.counters["findings"] = static_cast<double>(counter.findings) / static_cast<double>(runs);
  state.SetItemsProcessed(runs * static_cast<std::int64_t>(stream.items.items.size()));
  if (counter.locked_cycles == 0) {
    state.SkipWithError("nothing was analysed: no cycle locked");
  }
}

void monitor_alone(benchmark::State& state, const Case& what) {
  const Engine engine = engine_of(what);
  const Stream stream = stream_of(what, engine, seconds_for(what));
  Counter counter;
  for (auto _ : state) {
    analyse(engine, stream, counter);
  }
  report(state, stream, counter);
}

void capture_and_monitor(benchmark::State& state, const Case& what) {
  const Engine engine = engine_of(what);
  const Stream stream = stream_of(what, engine, seconds_for(what));
  std::string folder = std::filesystem::temp_directory_path() / "capture-bench-XXXXXX";
  if (mkdtemp(folder.data()) == nullptr) {
    state.SkipWithError("expected a temporary folder");
    return;
  }
  CaptureSettings settings;
  settings.folder = folder;
  settings.session_id = 1;
  settings.sync_blocks = false;
  CaptureWriter writer(settings);
  if (writer.begin_segment() || writer.append(stream.items.batch()) || writer.close_block() || writer.close()) {
    state.SkipWithError("the capture could not be written");
  }
  Counter counter;
  for (auto _ : state) {
    auto opened = CaptureReader::open(folder, settings.session_id);
    Monitor monitor(engine, counter);
    CaptureBlock block;
    auto* reader = std::get_if<CaptureReader>(&opened);
    while (reader != nullptr && reader->next(block)) {
      monitor.push(block.items.batch());
    }
    monitor.finish();
  }
  std::filesystem::remove_all(folder);
  report(state, stream, counter);
  state.counters["bytes/edge"] = static_cast<double>(writer.bytes_written()) / static_cast<double>(stream.edges);
}

void csv_and_monitor(benchmark::State& state, const Case& what) {
  const Engine engine = engine_of(what);
  const Stream stream = stream_of(what, engine, seconds_for(what));
  const std::string text = csv_of(stream);
  Counter counter;
  for (auto _ : state) {
    const std::unique_ptr<Driver> driver = find_driver("csv")->make({"bench.csv", false, {}});
    Monitor monitor(engine, counter);
    FileStamper stamper;
    FileSequencer sequencer;
    const auto sink = [&](ItemBuffer&& items) { monitor.push(items.batch()); };
    ItemBuffer items;
    driver->start(items);
    constexpr std::size_t piece_bytes = 262144;
    for (std::size_t at = 0; at < text.size(); at += piece_bytes) {
      driver->read(std::span(text).subspan(at, std::min(piece_bytes, text.size() - at)), items);
      stamper.stamp(items);
      sequencer.sequence(items, sink);
      items.clear();
    }
    driver->finish(items);
    stamper.stamp(items);
    sequencer.sequence(items, sink);
    monitor.finish();
  }
  report(state, stream, counter);
  state.SetBytesProcessed(static_cast<std::int64_t>(state.iterations() * text.size()));
}

// The driver alone: rows a second.
void csv_alone(benchmark::State& state, const Case& what) {
  const Engine engine = engine_of(what);
  const Stream stream = stream_of(what, engine, seconds_for(what));
  const std::string text = csv_of(stream);
  for (auto _ : state) {
    const std::unique_ptr<Driver> driver = find_driver("csv")->make({"bench.csv", false, {}});
    ItemBuffer items;
    driver->start(items);
    constexpr std::size_t piece_bytes = 262144;
    for (std::size_t at = 0; at < text.size(); at += piece_bytes) {
      driver->read(std::span(text).subspan(at, std::min(piece_bytes, text.size() - at)), items);
      items.clear();
    }
    driver->finish(items);
    if (!driver->error().empty()) {
      state.SkipWithError(driver->error().c_str());
    }
  }
  state.counters["rows/s"] = benchmark::Counter(
      static_cast<double>(state.iterations()) * static_cast<double>(stream.edges), benchmark::Counter::kIsRate);
  state.SetBytesProcessed(static_cast<std::int64_t>(state.iterations() * text.size()));
}

// The driver alone: value changes of one-bit variables a second.
void vcd_alone(benchmark::State& state, const Case& what) {
  const Engine engine = engine_of(what);
  const Stream stream = stream_of(what, engine, seconds_for(what));
  const std::string text = vcd_of(stream);
  std::uint64_t changes = 0;
  for (auto _ : state) {
    Vcd driver({"bench.vcd", false, {}});
    ItemBuffer items;
    constexpr std::size_t piece_bytes = 262144;
    for (std::size_t at = 0; at < text.size(); at += piece_bytes) {
      driver.read(std::span(text).subspan(at, std::min(piece_bytes, text.size() - at)), items);
      items.clear();
    }
    driver.finish(items);
    changes += driver.counts().changes;
    if (!driver.error().empty()) {
      state.SkipWithError(driver.error().c_str());
    }
  }
  state.counters["changes/s"] = benchmark::Counter(static_cast<double>(changes), benchmark::Counter::kIsRate);
  state.SetBytesProcessed(static_cast<std::int64_t>(state.iterations() * text.size()));
}

}  // namespace

int main(int argc, char** argv) {
  for (const Case& what : cases()) {
    benchmark::RegisterBenchmark(("monitor/" + std::string(what.name)).c_str(), monitor_alone, what)
        ->Unit(benchmark::kMillisecond);
  }
  const Case& clean = cases().front();
  benchmark::RegisterBenchmark("capture_and_monitor", capture_and_monitor, clean)->Unit(benchmark::kMillisecond);
  benchmark::RegisterBenchmark("csv_and_monitor", csv_and_monitor, clean)->Unit(benchmark::kMillisecond);
  benchmark::RegisterBenchmark("csv_alone", csv_alone, clean)->Unit(benchmark::kMillisecond);
  benchmark::RegisterBenchmark("vcd_alone", vcd_alone, clean)->Unit(benchmark::kMillisecond);
  benchmark::Initialize(&argc, argv);
  if (benchmark::ReportUnrecognizedArguments(argc, argv)) {
    return 2;
  }
  benchmark::RunSpecifiedBenchmarks();
  benchmark::Shutdown();
  return 0;
}
