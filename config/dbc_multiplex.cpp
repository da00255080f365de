#include "config/dbc_multiplex.hpp"

#include <algorithm>
#include <optional>

namespace cw {

namespace {

constexpr int levels_max = 8;

// What one signal needs: its own multiplexer (an index) and the values of it.
struct Need {
  std::optional<std::size_t> multiplexer;
  std::vector<RawRange> values;
  std::string problem;
};

std::size_t index_of(const DbcMessage& message, const std::string& name) {
  const auto found = std::ranges::find(message.signals, name, &DbcSignal::name);
  return static_cast<std::size_t>(found - message.signals.begin());
}

std::vector<std::size_t> multiplexers_of(const DbcMessage& message) {
  std::vector<std::size_t> out;
  for (std::size_t i = 0; i < message.signals.size(); ++i) {
    if (message.signals[i].is_multiplexer) {
      out.push_back(i);
    }
  }
  return out;
}

Need need_of(const DbcMessage& message, std::size_t at, const std::vector<std::size_t>& multiplexers,
             const MultiplexRules& rules) {
  const DbcSignal& signal = message.signals[at];
  if (const auto rule = rules.find(signal.name); rule != rules.end()) {
    return {index_of(message, rule->second.multiplexer), rule->second.values, {}};
  }
  if (!signal.multiplex_value) {
    return {};
  }
  const std::size_t others = multiplexers.size() - (signal.is_multiplexer ? 1 : 0);
  if (others == 0) {
    return {std::nullopt, {}, "its message has no multiplexer (M)"};
  }
  if (others > 1) {
    return {std::nullopt, {}, "its message has several multiplexers, and no SG_MUL_VAL_ says which is its own"};
  }
  return {multiplexers[multiplexers.front() == at ? 1 : 0], {{*signal.multiplex_value, *signal.multiplex_value}}, {}};
}

}  // namespace

void resolve_multiplexers(DbcMessage& message, const MultiplexRules& rules) {
  const std::vector<std::size_t> multiplexers = multiplexers_of(message);
  std::vector<Need> needs;
  for (std::size_t i = 0; i < message.signals.size(); ++i) {
    needs.push_back(need_of(message, i, multiplexers, rules));
  }
  for (std::size_t i = 0; i < message.signals.size(); ++i) {
    DbcSignal& signal = message.signals[i];
    const Need* need = &needs[i];
    for (int level = 0; need->multiplexer && level < levels_max; ++level) {
      signal.coding.when.push_back({message.signals[*need->multiplexer].coding.field, need->values});
      need = &needs[*need->multiplexer];
    }
    if (!need->problem.empty()) {
      signal.problem = need->problem;
    } else if (need->multiplexer) {
      signal.problem = "its multiplexers depend on each other, or go deeper than " + std::to_string(levels_max);
    }
  }
}

}  // namespace cw
