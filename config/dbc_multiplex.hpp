// Which signals of a DBC message are in a frame: multiplexers, also of several levels.
#pragma once

#include <string>
#include <unordered_map>
#include <vector>

#include "config/dbc.hpp"

namespace cw {

// One SG_MUL_VAL_: a signal is there when `multiplexer` has one of `values`.
struct MultiplexRule {
  std::string multiplexer;
  std::vector<RawRange> values;
  int line = 0;
};
using MultiplexRules = std::unordered_map<std::string, MultiplexRule>;  // by the signal's name

// Fills coding.when of the message's signals, or `problem` of those for which it can't be told. `rules` are the
// message's; they name signals that it has.
void resolve_multiplexers(DbcMessage& message, const MultiplexRules& rules);

}  // namespace cw
