// The declarations of a VCD file (IEEE 1364-2005, 18.2.3): time scale, scopes and variables, and which of the variables
// are channels.
//
//   time scale  1, 10 or 100 of s, ms, us, ns, ps, fs, with or without a space between; there must be one
//   channels    each variable of one bit, whatever its type. Not: real, realtime, string and event, which have no level.
//               Of a vector only the bits that the settings name, as `bus[3]`.
//   names       the reference, with its bit select if it has one (`D[3]`). A name that stands for different signals in
//               different scopes gets its scopes before it: `top.a.crank`. Several names for one signal are as many
//               channels. Words of a reference with spaces are joined by `_`. A variable whose name is longer than 64
//               bytes is passed over.
//   settings    may call a variable by its reference (when only one signal has it) or with its scopes. A variable that
//               bears an engine file's name, which the settings give to another one, goes by its name with scopes.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>
#include <unordered_map>
#include <vector>

#include "drivers/driver.hpp"

namespace cw {

// One bit of a signal that is a channel.
struct VcdChannel {
  std::string name;  // as in the engine file
  std::uint32_t signal = 0;
  std::uint32_t bit = 0;  // 0: the rightmost of a value
};

// What has one identifier code.
struct VcdSignal {
  std::string code;
  std::uint32_t width = 1;
};

// Takes the declaration commands in order. Functions that may fail return what was wrong, "expected ..., found ...", or
// an empty text.
class VcdHeader {
 public:
  static constexpr std::size_t words_max = 16;         // of one declaration
  static constexpr std::size_t variables_max = 65536;  // of one file
  static constexpr std::size_t scopes_max = 64;        // one in the other
  static constexpr std::size_t name_max = 64;          // bytes of a channel's name
  static constexpr std::size_t code_max = 64;          // bytes of an identifier code

  // `keyword` with its $; `words` are those between it and $end.
  std::string take(std::string_view keyword, const std::vector<std::string>& words);

  // $enddefinitions has come: settles channels.
  std::string finish(const ChannelNames& settings);

  // A time of the file is `time * multiply_by / divide_by` ns; one of the two is 1, both 0 before $timescale.
  std::uint64_t multiply_by() const { return multiply_by_; }
  std::uint64_t divide_by() const { return divide_by_; }

  const std::vector<VcdSignal>& signals() const { return signals_; }
  const std::vector<VcdChannel>& channels() const { return channels_; }  // ascending by signal; after finish()

 private:
  struct Variable {
    std::uint32_t signal = 0;
    std::uint32_t width = 1;
    bool has_level = true;
    std::int64_t left = 0;  // range of a vector, [left:right]
    std::int64_t right = 0;
    std::string name;
    std::string scopes;  // "top.a.", may be empty
  };

  std::string take_timescale(const std::vector<std::string>& words);
  std::string take_scope(const std::vector<std::string>& words);
  std::string take_variable(const std::vector<std::string>& words);
  std::string add_signal(const std::string& code, std::uint32_t width, std::uint32_t& index);
  std::string read_range(const std::string& select, Variable& variable) const;
  bool stands_for_one_signal(const Variable& variable) const;
  std::string own_name(const Variable& variable, const ChannelNames& settings) const;
  void add_vector_bits(const Variable& variable, const ChannelNames& settings);
  std::string check_names() const;

  std::uint64_t multiply_by_ = 0;
  std::uint64_t divide_by_ = 0;
  std::vector<std::string> scopes_;
  std::vector<Variable> variables_;
  std::vector<VcdSignal> signals_;
  std::unordered_map<std::string, std::uint32_t> codes_;           // identifier code -> index in signals_
  std::unordered_map<std::string, std::uint32_t> signal_of_name_;  // several_signals where there is more than one
  std::vector<VcdChannel> channels_;
};

}  // namespace cw
