#include "cli/session_sources.hpp"

#include <algorithm>
#include <cstddef>
#include <utility>

namespace cw {

void use_sources(const std::vector<SourceInfo>& sources, Engine& engine) {
  constexpr int numbers = 256;
  std::vector<SourceSpec> found;
  for (const SourceInfo& info : sources) {
    if (info.number < 0 || info.number >= numbers) {
      continue;
    }
    const auto described = std::find_if(engine.sources.begin(), engine.sources.end(), [&](const SourceSpec& spec) {
      return spec.driver == info.driver && spec.address == info.address;
    });
    SourceSpec spec;
    if (described != engine.sources.end()) {
      spec = *described;
    } else {
      spec.driver = info.driver;
      spec.address = info.address;
      spec.channels = info.channels;
      spec.least_delay = usual_least_delay(info.driver);
    }
    const auto number = static_cast<std::size_t>(info.number);
    found.resize(std::max(found.size(), number + 1));
    found[number] = std::move(spec);
  }
  if (!found.empty()) {
    engine.sources = std::move(found);
  }
}

}  // namespace cw
