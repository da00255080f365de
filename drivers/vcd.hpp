// VCD: the four-state value change dump of IEEE 1364-2005, clause 18, which simulators and logic analysers write. The
// declarations, and which variables are channels under which names: vcd_header.hpp.
//
//   edge         a change of a one-bit variable between 0 and 1. Its first known value is no edge. x and z are no
//                levels: what follows them is an edge, at its own time, if it differs from the last known level. So a
//                glitch through x is one edge; edges that a long x hides are missing, and the analysis says so.
//   $dumpoff     the writer stopped looking: a `gap` item (device_dropped), and levels start unknown again
//   time         #N times the time scale, rounded to whole ns each by itself (no drift), up to 2^63 - 1 ns; never less
//                than the stamp before; after the first edge at most 24 h after it, and in a file 366 days after the
//                first edge. Changes before the first stamp are initial values. The end of the input is at the last
//                stamp.
//   layout       any white space; words up to 65,540 bytes, in comments any; a comment up to 1 MiB. Unknown commands
//                ($attrbegin and the like) are passed over up to their $end, strings (s...) and reals as well.
//   refused      extended VCD ($var port, $dumpports, p...), no $timescale, no variable that can be a channel
//   bounds       250 channels that have edges; 65,536 variables; 64 scopes one in the other
//
// The last word of a file may lack white space after it and is taken as it stands.
//
// Live, a word that can't be read becomes one `gap` item (bad_input, count 1). A stamp that goes back is such a word,
// and the changes after it give no edges; after 8 stamps in a row that agree with each other but lie before the last
// good one the writer has started afresh: a `new_epoch` note follows, and edges go on. A new header starts afresh at
// once.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <string_view>
#include <unordered_map>
#include <vector>

#include "drivers/driver.hpp"
#include "drivers/source_time.hpp"
#include "drivers/vcd_header.hpp"

namespace cw {

extern const DriverEntry vcd_entry;

// What has been read so far.
struct VcdCounts {
  std::uint64_t stamps = 0;
  std::uint64_t changes = 0;  // of all variables, those in dump blocks included
  std::uint64_t blocks = 0;   // $dumpvars, $dumpall, $dumpoff, $dumpon
};

class Vcd final : public Driver {
 public:
  explicit Vcd(DriverSettings settings);

  void start(ItemBuffer& out) override;
  bool read(std::span<const char> bytes, ItemBuffer& out) override;
  bool finish(ItemBuffer& out) override;
  const std::string& error() const override { return error_; }
  std::uint64_t bad_inputs() const override { return bad_inputs_; }
  const VcdCounts& counts() const { return counts_; }

 private:
  enum class Part { header, changes, unusable };  // unusable: live, after a header that can't be used

  // A channel while changes come in.
  struct Slot {
    std::uint32_t bit = 0;
    std::int16_t number = -1;  // channel number of its items; -1: not named yet; or over_limit
    std::uint8_t level = 2;    // 0, 1, or not known
  };
  // The slots of a signal: from first_slot up to end_slot.
  struct Wire {
    std::uint32_t first_slot = 0;
    std::uint32_t end_slot = 0;
    std::uint32_t width = 1;
  };

  bool take_plain_changes(const char*& at, const char* end, ItemBuffer& out);
  bool take_word(std::string_view word, ItemBuffer& out);
  bool take_separator(char byte, ItemBuffer& out);
  bool take_keyword(std::string_view word, ItemBuffer& out);
  bool take_block_keyword(std::string_view word, ItemBuffer& out);
  bool take_in_command(std::string_view word, ItemBuffer& out);
  bool end_command(ItemBuffer& out);
  bool end_header(ItemBuffer& out);
  bool take_stamp(std::string_view word, ItemBuffer& out);
  bool take_scalar(std::string_view word, ItemBuffer& out);
  bool take_value(std::string_view word, ItemBuffer& out);
  bool take_code_of_value(std::string_view word, ItemBuffer& out);
  bool set_level(std::uint32_t slot_index, char value, ItemBuffer& out);
  bool name_channel(std::uint32_t slot_index, ItemBuffer& out);
  std::uint32_t wire_of(std::string_view code) const;
  bool to_ns(std::uint64_t time, std::int64_t& t_ns) const;
  bool can_follow(std::int64_t t_ns) const;
  std::string wrong_time(std::int64_t t_ns) const;
  void begin_again();
  bool bad_input(const std::string& what, ItemBuffer& out);

  DriverSettings settings_;
  std::string error_;
  std::uint64_t line_ = 1;
  std::uint64_t bad_inputs_ = 0;
  VcdCounts counts_;
  Part part_ = Part::header;

  std::string kept_;                // the start of a word whose end has not come yet
  std::string command_;             // the command that is open, up to its $end; empty: none
  std::vector<std::string> words_;  // of a declaration that is open
  std::size_t command_bytes_ = 0;
  std::string value_;  // of a vector, real or string whose identifier code comes next; empty: none
  bool in_block_ = false;

  VcdHeader header_;
  std::vector<Wire> wires_;                               // by signal
  std::vector<std::uint32_t> short_codes_;                // wire by code of one or two bytes
  std::unordered_map<std::string, std::uint32_t> codes_;  // wire by longer code
  std::vector<Slot> slots_;                               // as header_.channels()
  std::vector<std::string> names_;                        // by channel number

  bool any_stamp_ = false;
  bool time_is_sound_ = false;  // there was a stamp, and the last one could be used
  bool any_edge_ = false;
  bool epoch_due_ = false;  // a new header came: the next stamp begins an epoch
  std::int64_t time_ns_ = 0;
  std::int64_t first_ns_ = 0;  // of the first edge
  RestartWatch restart_;
};

}  // namespace cw
