#include "drivers/vcd.hpp"

#include <algorithm>
#include <array>
#include <limits>

#include "drivers/plain_digits.hpp"
#include "drivers/text_quote.hpp"

namespace cw {

namespace {

constexpr std::size_t word_max = 65'540;              // a vector of 65,536 bits fits
constexpr std::size_t command_bytes_max = 1'048'576;  // of a comment
constexpr std::size_t channels_max = 250;
constexpr std::uint8_t level_unknown = 2;
constexpr std::int16_t over_limit = -2;
constexpr std::uint32_t no_wire = 0xffffffffU;
constexpr std::size_t short_codes = 65'536;

bool separates(char byte) {
  return static_cast<unsigned char>(byte) <= ' ';
}

const char* end_of_word(const char* at, const char* end) {
  while (at != end && !separates(*at)) {
    ++at;
  }
  return at;
}

// Of a code of one or two bytes.
std::size_t short_code(std::string_view code) {
  const auto first = static_cast<unsigned char>(code[0]);
  return code.size() == 1 ? first : first | static_cast<std::size_t>(static_cast<unsigned char>(code[1])) << 8U;
}

bool is_declaration(std::string_view keyword) {
  return keyword == "$timescale" || keyword == "$scope" || keyword == "$upscope" || keyword == "$var" ||
         keyword == "$enddefinitions";
}

// A bit of a value that is written without its left part: 0 and 1 are extended with 0, x and z with themselves
// (IEEE 1364-2005, 18.2.1).
char bit_of(std::string_view value, std::uint32_t bit) {
  if (bit < value.size()) {
    return value[value.size() - 1 - bit];
  }
  return value[0] == '1' ? '0' : value[0];
}

}  // namespace

Vcd::Vcd(DriverSettings settings) : settings_(std::move(settings)), short_codes_(short_codes, no_wire) {}

void Vcd::start(ItemBuffer& out) {
  if (settings_.live) {
    out.add_note(LinkNote::connected, 0);
  }
}

bool Vcd::bad_input(const std::string& what, ItemBuffer& out) {
  ++bad_inputs_;
  error_ = settings_.name + ":" + std::to_string(line_) + ": " + what;
  if (!settings_.live) {
    return false;
  }
  out.add_gap(GapReason::bad_input, 1, time_ns_);
  return true;
}

bool Vcd::read(std::span<const char> bytes, ItemBuffer& out) {
  const char* at = bytes.data();
  const char* const end = at + bytes.size();
  if (!kept_.empty()) {
    const char* const stop = end_of_word(at, end);
    kept_.append(at, std::min(static_cast<std::size_t>(stop - at), word_max + 1 - kept_.size()));
    if (stop == end) {
      return true;
    }
    const std::string whole = std::exchange(kept_, {});
    if (!take_word(whole, out)) {
      return false;
    }
    at = stop;
  }
  while (at != end) {
    if (!take_plain_changes(at, end, out)) {
      return false;
    }
    if (separates(*at)) {
      if (!take_separator(*at, out)) {
        return false;
      }
      ++at;
      continue;
    }
    const char* const stop = end_of_word(at, end);
    if (stop == end) {
      kept_.assign(at, std::min(static_cast<std::size_t>(stop - at), word_max + 1));
      return true;
    }
    if (!take_word({at, static_cast<std::size_t>(stop - at)}, out)) {
      return false;
    }
    at = stop;
  }
  return true;
}

// Takes what most of a file is from `at` on, and moves `at` behind it: times and changes of one bit with a short code, each on
// a line of its own. Leaves all else, and the last bytes, to the careful way.
bool Vcd::take_plain_changes(const char*& at, const char* end, ItemBuffer& out) {
  if (part_ != Part::changes || !any_stamp_ || epoch_due_ || !command_.empty() || !value_.empty()) {
    return true;
  }
  while (end - at > plain_digits_reach) {
    if (*at == '#') {
      std::int64_t time = 0;
      const char* const stop = plain_digits(at + 1, time);
      std::int64_t t_ns = 0;
      if (stop == nullptr || *stop != '\n' || !to_ns(static_cast<std::uint64_t>(time), t_ns) || !can_follow(t_ns)) {
        return true;
      }
      ++counts_.stamps;
      restart_.forget();
      time_is_sound_ = true;
      time_ns_ = t_ns;
      at = stop + 1;
    } else if (*at == '0' || *at == '1') {
      const std::size_t size = at[2] == '\n' ? 2 : 3;
      if (separates(at[1]) || separates(at[2]) != (size == 2) || at[size] != '\n') {
        return true;
      }
      if (!take_scalar({at, size}, out)) {
        return false;
      }
      at += size + 1;
    } else {
      return true;
    }
    ++line_;
  }
  return true;
}

bool Vcd::take_separator(char byte, ItemBuffer& out) {
  if (byte == '\n') {
    ++line_;
    return true;
  }
  const bool white = byte == ' ' || (byte >= '\t' && byte <= '\r');
  return white || !command_.empty() || part_ == Part::unusable ||
         bad_input("expected VCD text, found the byte " + quoted({&byte, 1}), out);
}

bool Vcd::take_word(std::string_view word, ItemBuffer& out) {
  if (!command_.empty()) {
    return take_in_command(word, out);
  }
  if (word.size() > word_max) {
    value_.clear();
    return bad_input("expected a word of at most " + std::to_string(word_max) + " bytes, found a longer one", out);
  }
  if (!value_.empty()) {
    return take_code_of_value(word, out);
  }
  if (word[0] == '$') {
    return take_keyword(word, out);
  }
  if (part_ == Part::unusable) {
    return true;
  }
  if (part_ == Part::header) {
    return bad_input("expected a declaration command or $enddefinitions, found " + quoted(word), out);
  }
  switch (word[0]) {
    case '#':
      return take_stamp(word, out);
    case '0':
    case '1':
    case 'x':
    case 'X':
    case 'z':
    case 'Z':
      return take_scalar(word, out);
    case 'b':
    case 'B':
    case 'r':
    case 'R':
    case 's':
    case 'S':
      return take_value(word, out);
    case 'p':
      return bad_input("expected a four-state VCD file, found a change of an extended one: " + quoted(word), out);
    default:
      return bad_input("expected a time or a value change, found " + quoted(word), out);
  }
}

bool Vcd::take_keyword(std::string_view word, ItemBuffer& out) {
  if (word == "$end") {
    return std::exchange(in_block_, false) || part_ == Part::unusable ||
           bad_input("expected a command before $end, found none open", out);
  }
  if (word.substr(0, 10) == "$dumpports") {
    return bad_input("expected a four-state VCD file, found an extended one (" + std::string(word.substr(0, 20)) + ")",
                     out);
  }
  if (word == "$dumpvars" || word == "$dumpall" || word == "$dumpoff" || word == "$dumpon") {
    return take_block_keyword(word, out);
  }
  const bool opens_header = is_declaration(word) || word == "$date" || word == "$version";
  if (part_ != Part::header && opens_header) {
    if (settings_.live) {
      begin_again();
    } else if (is_declaration(word)) {
      return bad_input("expected times and value changes after $enddefinitions, found " + quoted(word), out);
    }
  }
  command_ = word;
  command_bytes_ = 0;
  words_.clear();
  return true;
}

bool Vcd::take_block_keyword(std::string_view word, ItemBuffer& out) {
  if (part_ == Part::unusable) {
    return true;
  }
  if (part_ == Part::header || in_block_) {
    return bad_input((in_block_ ? "expected $end before " : "expected $enddefinitions before ") + std::string(word),
                     out);
  }
  in_block_ = true;
  ++counts_.blocks;
  if (word != "$dumpoff") {
    return true;
  }
  for (Slot& slot : slots_) {
    slot.level = level_unknown;
  }
  if (any_edge_) {
    out.add_gap(GapReason::device_dropped, std::nullopt, time_ns_);
  }
  return true;
}

bool Vcd::take_in_command(std::string_view word, ItemBuffer& out) {
  const bool declares = is_declaration(command_);
  // An identifier code may be any text, $end included.
  const bool is_code = command_ == "$var" && words_.size() == 2;
  if (word == "$end" && !is_code) {
    return end_command(out);
  }
  command_bytes_ += word.size();
  std::string problem;
  if (declares && word[0] == '$' && !is_code) {
    problem = "expected $end of " + command_ + ", found " + quoted(word);
  } else if (declares && (words_.size() >= VcdHeader::words_max || word.size() > word_max)) {
    problem = "expected " + command_ + " of at most " + std::to_string(VcdHeader::words_max) + " words, found more";
  } else if (command_bytes_ > command_bytes_max) {
    problem = "expected $end of " + quoted(command_) + " within " + std::to_string(command_bytes_max) + " bytes";
  }
  if (problem.empty()) {
    if (declares) {
      words_.emplace_back(word);
    }
    return true;
  }
  command_.clear();
  return bad_input(problem, out);
}

bool Vcd::end_command(ItemBuffer& out) {
  const std::string command = std::exchange(command_, {});
  if (command == "$enddefinitions") {
    return end_header(out);
  }
  if (!is_declaration(command)) {
    return true;
  }
  const std::string problem = header_.take(command, words_);
  return problem.empty() || bad_input(problem, out);
}

bool Vcd::end_header(ItemBuffer& out) {
  if (const std::string problem = header_.finish(settings_.channels); !problem.empty()) {
    part_ = Part::unusable;
    return bad_input(problem, out);
  }
  part_ = Part::changes;
  const auto& channels = header_.channels();
  slots_.resize(channels.size());
  std::uint32_t slot = 0;
  for (std::uint32_t signal = 0; signal < header_.signals().size(); ++signal) {
    Wire wire{slot, slot, header_.signals()[signal].width};
    for (; slot < channels.size() && channels[slot].signal == signal; ++slot) {
      slots_[slot].bit = channels[slot].bit;
    }
    wire.end_slot = slot;
    wires_.push_back(wire);
    const std::string& code = header_.signals()[signal].code;
    if (code.size() <= 2) {
      short_codes_[short_code(code)] = signal;
    } else {
      codes_.emplace(code, signal);
    }
  }
  return true;
}

// Live: the writer was started again and sends a new header.
void Vcd::begin_again() {
  header_ = VcdHeader();
  part_ = Part::header;
  in_block_ = false;
  wires_.clear();
  slots_.clear();
  codes_.clear();
  std::fill(short_codes_.begin(), short_codes_.end(), no_wire);
  any_stamp_ = false;
  time_is_sound_ = false;
  epoch_due_ = any_edge_ || epoch_due_;
  any_edge_ = false;
  restart_.forget();
}

// False: beyond 2^63 - 1 ns.
bool Vcd::to_ns(std::uint64_t time, std::int64_t& t_ns) const {
  constexpr auto most = static_cast<std::uint64_t>(std::numeric_limits<std::int64_t>::max());
  const std::uint64_t divisor = header_.divide_by();
  if (divisor > 1) {
    const std::uint64_t rounded = time / divisor + (time % divisor >= divisor / 2 ? 1 : 0);
    t_ns = static_cast<std::int64_t>(rounded);
    return rounded <= most;
  }
  t_ns = static_cast<std::int64_t>(time * header_.multiply_by());
  return time <= most / header_.multiply_by();
}

// The digits of "#123"; false when it has none, others, or the number is beyond 64 bits.
static bool parse_stamp(std::string_view word, std::uint64_t& time) {
  constexpr std::size_t safe_digits = 19;  // so many can't overflow
  time = 0;
  for (std::size_t i = 1; i < word.size(); ++i) {
    const auto digit = static_cast<unsigned>(word[i] - '0');
    constexpr std::uint64_t most = std::numeric_limits<std::uint64_t>::max();
    if (digit > 9 || (i > safe_digits && (time > most / 10 || time * 10 > most - digit))) {
      return false;
    }
    time = time * 10 + digit;
  }
  return word.size() > 1;
}

bool Vcd::take_stamp(std::string_view word, ItemBuffer& out) {
  std::uint64_t time = 0;
  std::int64_t t_ns = 0;
  if (!parse_stamp(word, time) || !to_ns(time, t_ns)) {
    time_is_sound_ = false;
    return bad_input("expected # and a time of at most " + std::to_string(std::numeric_limits<std::int64_t>::max()) +
                         " ns, found " + quoted(word),
                     out);
  }
  ++counts_.stamps;
  if (any_stamp_ && !can_follow(t_ns)) {
    time_is_sound_ = false;
    if (!restart_.seen(t_ns) || !settings_.live) {
      return bad_input(wrong_time(t_ns) + ", found " + quoted(word) + ", " + std::to_string(t_ns) + " ns", out);
    }
    epoch_due_ = true;
  }
  if (std::exchange(epoch_due_, false)) {
    out.add_note(LinkNote::new_epoch, t_ns);
    any_edge_ = false;
  }
  restart_.forget();
  any_stamp_ = true;
  time_is_sound_ = true;
  time_ns_ = t_ns;
  return true;
}

bool Vcd::can_follow(std::int64_t t_ns) const {
  return t_ns >= time_ns_ && (!any_edge_ || (distance_ns(time_ns_, t_ns) <= silence_max_ns &&
                                             (settings_.live || distance_ns(first_ns_, t_ns) <= span_max_ns)));
}

// What a stamp that can't follow time_ns_ should have been.
std::string Vcd::wrong_time(std::int64_t t_ns) const {
  if (t_ns < time_ns_) {
    return "expected a time of at least " + std::to_string(time_ns_) + " ns, that of the stamp before";
  }
  if (any_edge_ && distance_ns(time_ns_, t_ns) > silence_max_ns) {
    return "expected a time at most 24 h after that of the stamp before, " + std::to_string(time_ns_) + " ns";
  }
  return "expected a time at most 366 days after the first edge, at " + std::to_string(first_ns_) + " ns";
}

std::uint32_t Vcd::wire_of(std::string_view code) const {
  if (code.empty()) {
    return no_wire;
  }
  if (code.size() <= 2) {
    return short_codes_[short_code(code)];
  }
  const auto found = codes_.find(std::string(code));
  return found == codes_.end() ? no_wire : found->second;
}

bool Vcd::take_scalar(std::string_view word, ItemBuffer& out) {
  const std::uint32_t index = wire_of(word.substr(1));
  if (index == no_wire) {
    return bad_input("expected a value and the identifier code of a variable, found " + quoted(word), out);
  }
  ++counts_.changes;
  const Wire& wire = wires_[index];
  for (std::uint32_t slot = wire.first_slot; slot < wire.end_slot; ++slot) {
    if (!set_level(slot, bit_of(word.substr(0, 1), slots_[slot].bit), out)) {
      return false;
    }
  }
  return true;
}

bool Vcd::take_value(std::string_view word, ItemBuffer& out) {
  const bool vector = word[0] == 'b' || word[0] == 'B';
  if (vector && (word.size() == 1 || word.find_first_not_of("01xXzZ", 1) != std::string_view::npos)) {
    return bad_input("expected b and bits of 0, 1, x and z, found " + quoted(word), out);
  }
  value_ = word;
  return true;
}

bool Vcd::take_code_of_value(std::string_view word, ItemBuffer& out) {
  const std::uint32_t index = part_ == Part::changes ? wire_of(word) : no_wire;
  const bool vector = value_[0] == 'b' || value_[0] == 'B';
  const std::string_view bits = std::string_view(value_).substr(1);
  std::string problem;
  if (index == no_wire) {
    problem = "expected the identifier code of a variable after " + quoted(value_) + ", found " + quoted(word);
  } else if (vector && bits.size() > wires_[index].width) {
    problem = "expected at most " + std::to_string(wires_[index].width) + " bits for identifier code " + quoted(word) +
              ", found " + std::to_string(bits.size());
  }
  if (!problem.empty()) {
    value_.clear();
    return bad_input(problem, out);
  }
  ++counts_.changes;
  const Wire& wire = wires_[index];
  bool sound = true;
  for (std::uint32_t slot = wire.first_slot; vector && sound && slot < wire.end_slot; ++slot) {
    sound = set_level(slot, bit_of(bits, slots_[slot].bit), out);
  }
  value_.clear();
  return sound;
}

bool Vcd::set_level(std::uint32_t slot_index, char value, ItemBuffer& out) {
  Slot& slot = slots_[slot_index];
  const auto level = static_cast<std::uint8_t>(value - '0');
  if (level > 1 || level == slot.level) {
    return true;
  }
  const bool was_known = std::exchange(slot.level, level) != level_unknown;
  if (!was_known || !time_is_sound_) {
    return true;
  }
  if (slot.number < 0) {
    if (slot.number == over_limit) {
      return true;
    }
    if (!name_channel(slot_index, out)) {
      return bad_input("expected at most " + std::to_string(channels_max) +
                           " channels with edges, found one more: " + quoted(header_.channels()[slot_index].name),
                       out);
    }
  }
  first_ns_ = any_edge_ ? first_ns_ : time_ns_;
  any_edge_ = true;
  Item item;
  item.source_ns = time_ns_;
  item.channel = static_cast<std::uint8_t>(slot.number);
  item.code = level;  // EdgeCode
  out.items.push_back(item);
  return true;
}

// A name keeps its number when the writer starts again.
bool Vcd::name_channel(std::uint32_t slot_index, ItemBuffer& out) {
  Slot& slot = slots_[slot_index];
  const std::string& name = header_.channels()[slot_index].name;
  const auto known = std::find(names_.begin(), names_.end(), name);
  if (known != names_.end()) {
    slot.number = static_cast<std::int16_t>(known - names_.begin());
    return true;
  }
  if (names_.size() >= channels_max) {
    slot.number = over_limit;
    return false;
  }
  slot.number = static_cast<std::int16_t>(names_.size());
  names_.push_back(name);
  out.add_channel_name(static_cast<std::uint8_t>(slot.number), name, time_ns_);
  return true;
}

bool Vcd::finish(ItemBuffer& out) {
  if (!kept_.empty()) {
    const std::string whole = std::exchange(kept_, {});
    if (!take_word(whole, out)) {
      return false;
    }
  }
  const std::string found = ", found the end of the " + std::string(settings_.live ? "input" : "file");
  std::string problem;
  if (!command_.empty()) {
    problem = "expected $end of " + quoted(command_) + found;
  } else if (!value_.empty()) {
    problem = "expected an identifier code after " + quoted(value_) + found;
  } else if (in_block_) {
    problem = "expected $end of a dump block" + found;
  } else if (part_ == Part::header && !settings_.live) {
    problem = "expected declarations and $enddefinitions" + found;
  }
  if (!problem.empty() && !bad_input(problem, out)) {
    return false;
  }
  out.add_note(LinkNote::end_of_input, time_ns_);
  return true;
}

namespace {

std::unique_ptr<Driver> make_vcd(const DriverSettings& settings) {
  return std::make_unique<Vcd>(settings);
}

bool recognise_vcd(std::string_view head) {
  static constexpr std::array<std::string_view, 9> keywords = {
      "$date", "$version", "$comment", "$timescale", "$scope", "$upscope", "$var", "$enddefinitions", "$attrbegin"};
  const std::size_t begin = std::min(head.find_first_not_of(" \t\r\n\v\f"), head.size());
  head.remove_prefix(begin);
  const std::string_view word = head.substr(0, head.find_first_of(" \t\r\n\v\f"));
  return std::find(keywords.begin(), keywords.end(), word) != keywords.end();
}

}  // namespace

constinit const DriverEntry vcd_entry = {"vcd", "VCD, IEEE 1364-2005 clause 18", make_vcd, recognise_vcd,
                                         open_for_reading};

}  // namespace cw
