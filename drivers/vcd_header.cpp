#include "drivers/vcd_header.hpp"

#include <algorithm>
#include <array>
#include <boost/algorithm/string/join.hpp>
#include <charconv>
#include <cstdlib>
#include <optional>
#include <tuple>

#include "drivers/text_quote.hpp"

namespace cw {

namespace {

constexpr std::uint32_t width_max = 65536;
constexpr std::uint32_t several_signals = 0xffffffffU;

std::optional<std::int64_t> whole_number(std::string_view text) {
  std::int64_t value = 0;
  const auto [end, problem] = std::from_chars(text.data(), text.data() + text.size(), value);
  const bool sound = problem == std::errc() && end == text.data() + text.size();
  return sound ? std::optional(value) : std::nullopt;
}

bool is_printable(std::string_view text) {
  return std::all_of(text.begin(), text.end(), [](char letter) { return letter >= '!' && letter <= '~'; });
}

// "[31:0]" or "[3]", the same number twice then.
std::optional<std::pair<std::int64_t, std::int64_t>> range_of(std::string_view select) {
  if (select.size() < 3 || select.front() != '[' || select.back() != ']') {
    return std::nullopt;
  }
  select = select.substr(1, select.size() - 2);
  const std::size_t colon = select.find(':');
  const auto left = whole_number(select.substr(0, colon));
  const auto right = colon == std::string_view::npos ? left : whole_number(select.substr(colon + 1));
  constexpr std::int64_t index_max = 1'000'000'000;
  if (!left || !right || std::abs(*left) > index_max || std::abs(*right) > index_max) {
    return std::nullopt;
  }
  return std::pair(*left, *right);
}

}  // namespace

std::string VcdHeader::take(std::string_view keyword, const std::vector<std::string>& words) {
  if (keyword == "$timescale") {
    return take_timescale(words);
  }
  if (keyword == "$scope") {
    return take_scope(words);
  }
  if (keyword == "$upscope") {
    if (scopes_.empty()) {
      return "expected a $scope before $upscope, found none open";
    }
    scopes_.pop_back();
  }
  return keyword == "$var" ? take_variable(words) : std::string();
}

std::string VcdHeader::take_timescale(const std::vector<std::string>& words) {
  std::string text;
  for (const std::string& word : words) {
    text += word;
  }
  struct Unit {
    std::string_view name;
    std::uint64_t multiply_by;
    std::uint64_t divide_by;
  };
  static constexpr std::array<Unit, 6> units = {{{"s", 1'000'000'000, 1},
                                                 {"ms", 1'000'000, 1},
                                                 {"us", 1'000, 1},
                                                 {"ns", 1, 1},
                                                 {"ps", 1, 1'000},
                                                 {"fs", 1, 1'000'000}}};
  const std::size_t cut = std::min(text.find_first_not_of("0123456789"), text.size());
  const std::string number = text.substr(0, cut);
  const auto unit =
      std::find_if(units.begin(), units.end(), [&](const Unit& known) { return known.name == text.substr(cut); });
  if (unit == units.end() || (number != "1" && number != "10" && number != "100")) {
    return "expected a $timescale of 1, 10 or 100 s, ms, us, ns, ps or fs, found " +
           quoted(boost::algorithm::join(words, " "));
  }
  const std::uint64_t factor = number == "1" ? 1 : number == "10" ? 10 : 100;
  const bool below_one_ns = unit->divide_by > factor;
  multiply_by_ = below_one_ns ? 1 : unit->multiply_by * factor / unit->divide_by;
  divide_by_ = below_one_ns ? unit->divide_by / factor : 1;
  multiply_by_ = std::max<std::uint64_t>(multiply_by_, 1);
  return {};
}

std::string VcdHeader::take_scope(const std::vector<std::string>& words) {
  if (words.size() != 2) {
    return "expected $scope TYPE NAME $end, found " + quoted("$scope " + boost::algorithm::join(words, " "));
  }
  if (scopes_.size() >= scopes_max) {
    return "expected at most " + std::to_string(scopes_max) +
           " scopes one in the other, found one more: " + quoted(words[1]);
  }
  scopes_.push_back(words[1]);
  return {};
}

std::string VcdHeader::take_variable(const std::vector<std::string>& words) {
  if (!words.empty() && words[0] == "port") {
    return "expected a four-state VCD file, found an extended one ($var port)";
  }
  if (words.size() < 4) {
    return "expected $var TYPE SIZE CODE NAME $end, found " + quoted("$var " + boost::algorithm::join(words, " "));
  }
  static constexpr std::array<std::string_view, 5> levelless = {"real", "realtime", "real_parameter", "string",
                                                                "event"};
  Variable variable;
  variable.has_level = std::find(levelless.begin(), levelless.end(), words[0]) == levelless.end();
  const auto width = whole_number(words[1]);
  if (!width || *width < (variable.has_level ? 1 : 0) || *width > width_max) {
    return "expected a size of 1 to " + std::to_string(width_max) + " bits, found " + quoted(words[1]);
  }
  variable.width = static_cast<std::uint32_t>(*width);
  variable.name = words[3];
  std::string select;
  for (std::size_t i = 4; i < words.size(); ++i) {
    const bool selects = !select.empty() || words[i].front() == '[';
    (selects ? select : variable.name) += selects ? words[i] : "_" + words[i];
  }
  if (auto problem = read_range(select, variable); !problem.empty()) {
    return problem;
  }
  for (const std::string& scope : scopes_) {
    variable.scopes += scope + ".";
  }
  if (variables_.size() >= variables_max) {
    return "expected at most " + std::to_string(variables_max) + " variables, found one more: " + quoted(words[3]);
  }
  if (auto problem = add_signal(words[2], variable.width, variable.signal); !problem.empty()) {
    return problem;
  }
  variables_.push_back(std::move(variable));
  return {};
}

// The select stands apart from the reference or at its end. It is a part of the name of one bit; of a vector it is the
// range.
std::string VcdHeader::read_range(const std::string& select, Variable& variable) const {
  std::string found = select;
  const std::size_t bracket = variable.name.rfind('[');
  if (found.empty() && bracket != std::string::npos && bracket > 0 && variable.name.back() == ']') {
    found = variable.name.substr(bracket);
    variable.name.erase(bracket);
  }
  variable.left = static_cast<std::int64_t>(variable.width) - 1;
  if (found.empty()) {
    return {};
  }
  const auto range = range_of(found);
  if (variable.width <= 1) {
    const bool one_index = range && range->first == range->second;
    variable.name += one_index ? "[" + std::to_string(range->first) + "]" : found;
    return {};
  }
  if (!range || static_cast<std::uint64_t>(std::abs(range->first - range->second)) + 1 != variable.width) {
    return "expected a range of " + std::to_string(variable.width) + " bits, [msb:lsb], found " + quoted(found);
  }
  variable.left = range->first;
  variable.right = range->second;
  return {};
}

std::string VcdHeader::add_signal(const std::string& code, std::uint32_t width, std::uint32_t& index) {
  if (code.size() > code_max || !is_printable(code)) {
    return "expected an identifier code of 1 to " + std::to_string(code_max) + " printable ASCII characters, found " +
           quoted(code);
  }
  const auto [place, is_new] = codes_.try_emplace(code, static_cast<std::uint32_t>(signals_.size()));
  index = place->second;
  if (is_new) {
    signals_.push_back({code, width});
  } else if (signals_[index].width != width) {
    return "expected the size " + std::to_string(signals_[index].width) + " that identifier code " + quoted(code) +
           " has already, found " + std::to_string(width);
  }
  return {};
}

bool VcdHeader::stands_for_one_signal(const Variable& variable) const {
  return signal_of_name_.at(variable.name) != several_signals;
}

// Empty: no name that a channel can have.
std::string VcdHeader::own_name(const Variable& variable, const ChannelNames& settings) const {
  const bool alone = stands_for_one_signal(variable);
  const std::string scoped = variable.scopes + variable.name;
  for (const auto& [ours, theirs] : settings) {
    if (theirs == scoped || (alone && theirs == variable.name)) {
      return ours;
    }
  }
  const auto is_taken = [&](const std::string& name) {
    return std::any_of(settings.begin(), settings.end(), [&](const auto& pair) { return pair.first == name; });
  };
  const std::string& name = alone && !is_taken(variable.name) ? variable.name : scoped;
  return name.size() > name_max || is_taken(name) ? std::string() : name;
}

void VcdHeader::add_vector_bits(const Variable& variable, const ChannelNames& settings) {
  for (const auto& [ours, theirs] : settings) {
    const std::size_t bracket = theirs.rfind('[');
    if (bracket == std::string::npos) {
      continue;
    }
    const std::string base = theirs.substr(0, bracket);
    const auto index = range_of(std::string_view(theirs).substr(bracket));
    const bool named =
        base == variable.scopes + variable.name || (stands_for_one_signal(variable) && base == variable.name);
    if (!named || !index || index->first != index->second) {
      continue;
    }
    const auto [low, high] = std::minmax(variable.left, variable.right);
    if (index->first >= low && index->first <= high) {
      const auto bit = static_cast<std::uint32_t>(std::abs(index->first - variable.right));
      channels_.push_back({ours, variable.signal, bit});
    }
  }
}

std::string VcdHeader::check_names() const {
  std::unordered_map<std::string_view, const VcdChannel*> seen;
  for (const VcdChannel& channel : channels_) {
    const auto [place, is_new] = seen.try_emplace(channel.name, &channel);
    if (!is_new) {
      return "expected one signal of the name " + quoted(channel.name) + ", found those of the identifier codes " +
             quoted(signals_[place->second->signal].code) + " and " + quoted(signals_[channel.signal].code);
    }
  }
  return {};
}

std::string VcdHeader::finish(const ChannelNames& settings) {
  if (divide_by_ == 0) {
    return "expected a $timescale before $enddefinitions, found none";
  }
  for (const Variable& variable : variables_) {
    const auto [place, is_new] = signal_of_name_.try_emplace(variable.name, variable.signal);
    if (!is_new && place->second != variable.signal) {
      place->second = several_signals;
    }
  }
  for (const Variable& variable : variables_) {
    if (variable.has_level && variable.width == 1) {
      if (auto name = own_name(variable, settings); !name.empty()) {
        channels_.push_back({std::move(name), variable.signal, 0});
      }
    } else if (variable.has_level) {
      add_vector_bits(variable, settings);
    }
  }
  const auto order = [](const VcdChannel& a, const VcdChannel& b) {
    return std::tie(a.signal, a.bit, a.name) < std::tie(b.signal, b.bit, b.name);
  };
  const auto same = [](const VcdChannel& a, const VcdChannel& b) {
    return a.signal == b.signal && a.bit == b.bit && a.name == b.name;
  };
  std::sort(channels_.begin(), channels_.end(), order);
  channels_.erase(std::unique(channels_.begin(), channels_.end(), same), channels_.end());
  if (channels_.empty()) {
    return "expected a variable of one bit, or a bit of a vector named as a channel (crank=bus[3]), found neither in " +
           std::to_string(variables_.size()) + " variables";
  }
  return check_names();
}

}  // namespace cw
