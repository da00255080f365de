#include "cli/live_sources.hpp"

#include <unistd.h>

#include <algorithm>
#include <utility>

#include "cli/channel_names.hpp"
#include "drivers/registry.hpp"

namespace cw {

namespace {

std::variant<SourceSpec, std::string> source_from_text(const std::string& text) {
  if (text == "-") {
    return SourceSpec{.driver = "csv", .address = "-", .channels = {}, .least_delay = usual_least_delay("csv")};
  }
  const std::size_t colon = text.find(':');
  if (colon == std::string::npos || find_driver(text.substr(0, colon)) == nullptr || colon + 1 == text.size()) {
    return "--source: expected DRIVER:ADDRESS with one of the drivers " + driver_names() + ", or -, found \"" + text +
           "\"";
  }
  const std::string driver = text.substr(0, colon);
  return SourceSpec{
      .driver = driver, .address = text.substr(colon + 1), .channels = {}, .least_delay = usual_least_delay(driver)};
}

SourceAddress address_of(const SourceSpec& spec) {
  return {spec.address, spec.baud, spec.allow_remote};
}

// What is wrong with a source whatever is plugged in; empty: nothing.
std::string source_problem(const SourceSpec& spec) {
  const DriverEntry* entry = find_driver(spec.driver);
  if (entry == nullptr) {
    return "expected one of the drivers " + driver_names() + ", found \"" + spec.driver + "\"";
  }
  return entry->address_problem == nullptr ? std::string() : entry->address_problem(address_of(spec));
}

SourceInfo info_of(const SourceSpec& spec, int number) {
  return {number, spec.driver, spec.address, spec.channels};
}

// A link is opened when the run has begun; all else must be there. Empty, or an error line.
std::string prepare(const SourceSpec& spec, int number, const std::vector<BusMap>& maps, LiveSource& source) {
  source.entry = find_driver(spec.driver);
  source.where = address_of(spec);
  source.where.can_filters = needed_ids(maps, std::string(our_name(spec.channels, spec.address)));
  if (!source.entry->reconnects) {
    Opened opened = source.entry->open(source.where);
    if (opened.descriptor < 0) {
      return std::move(opened.problem);
    }
    source.descriptor = opened.descriptor;
  }
  source.info = info_of(spec, number);
  source.driver = source.entry->make({spec.address == "-" ? "standard input" : spec.address, true, spec.channels});
  return {};
}

bool described_alike(const LiveSource& a, const LiveSource& b) {
  return a.entry == b.entry && a.info.address == b.info.address && a.info.channels == b.info.channels &&
         a.where.baud == b.where.baud && a.where.allow_remote == b.where.allow_remote &&
         a.where.can_filters == b.where.can_filters;
}

}  // namespace

std::variant<std::vector<SourceSpec>, std::string> sources_for(const RunOptions& options, const Engine& engine) {
  std::vector<SourceSpec> specs = options.sources.empty() ? engine.sources : std::vector<SourceSpec>{};
  for (const std::string& text : options.sources) {
    auto spec = source_from_text(text);
    if (auto* error = std::get_if<std::string>(&spec)) {
      return std::move(*error);
    }
    specs.push_back(std::move(std::get<SourceSpec>(spec)));
    specs.back().baud = options.baud;
    specs.back().allow_remote = options.allow_remote;
  }
  constexpr std::size_t sources_max = 255;
  if (specs.empty() || specs.size() > sources_max) {
    return options.engine + ": expected 1 to 255 sources, as [[source]] or with --source, found " +
           std::to_string(specs.size());
  }
  if (!options.channels.empty() && specs.size() > 1) {
    return "--channels: expected one source, found " + std::to_string(specs.size());
  }
  if (!options.channels.empty() || !options.sources.empty()) {
    auto names = channel_names(options.channels, engine);
    if (auto* error = std::get_if<std::string>(&names)) {
      return std::move(*error);
    }
    for (SourceSpec& spec : specs) {
      spec.channels = std::get<ChannelNames>(names);
    }
  }
  for (const SourceSpec& spec : specs) {
    if (std::string problem = source_problem(spec); !problem.empty()) {
      return problem;
    }
  }
  return specs;
}

std::vector<SourceInfo> infos_of(const std::vector<SourceSpec>& specs) {
  std::vector<SourceInfo> infos;
  infos.reserve(specs.size());
  for (const SourceSpec& spec : specs) {
    infos.push_back(info_of(spec, static_cast<int>(infos.size())));
  }
  return infos;
}

void close_sources(std::vector<LiveSource>& sources) {
  for (LiveSource& source : sources) {
    if (const int descriptor = std::exchange(source.descriptor, -1); descriptor >= 0) {
      ::close(descriptor);
    }
  }
}

std::variant<std::vector<LiveSource>, std::string> open_sources(const std::vector<SourceSpec>& specs,
                                                                const std::vector<BusMap>& maps) {
  std::vector<LiveSource> sources;
  for (const SourceSpec& spec : specs) {
    LiveSource source;
    std::string problem = prepare(spec, static_cast<int>(sources.size()), maps, source);
    if (!problem.empty()) {
      close_sources(sources);
      return problem;
    }
    sources.push_back(std::move(source));
  }
  return sources;
}

void go_on_with(std::vector<LiveSource> running, std::vector<LiveSource>& sources) {
  std::vector<LiveSource> replaced;
  for (LiveSource& source : sources) {
    const auto same = std::find_if(running.begin(), running.end(), [&](const LiveSource& open) {
      return open.descriptor >= 0 && described_alike(open, source);
    });
    if (same != running.end()) {
      const int number = source.info.number;
      replaced.push_back(std::exchange(source, std::move(*same)));
      same->descriptor = -1;
      source.info.number = number;
    }
  }
  close_sources(replaced);
  close_sources(running);
}

}  // namespace cw
