#include "config/dbc.hpp"

#include <algorithm>
#include <array>
#include <map>
#include <unordered_map>

#include "config/dbc_cursor.hpp"
#include "config/dbc_multiplex.hpp"
#include "config/table_reader.hpp"

namespace cw {

namespace {

constexpr std::uint32_t extended_bit = 0x80000000;
constexpr std::uint32_t no_message_id = 0xc0000000;  // VECTOR__INDEPENDENT_SIG_MSG
constexpr std::uint32_t standard_id_max = 0x7ff;
constexpr std::uint32_t extended_id_max = 0x1fffffff;
constexpr std::uint32_t start_bit_max = dbc_message_bytes_max * 8 - 1;

bool is_no_message(const DbcMessage& message) {
  return message.extended && message.id == (no_message_id & ~extended_bit);
}

// Reads statement after statement; stops at the first complaint.
class DbcReader {
 public:
  DbcReader(std::string_view text, Complaints& complaints) : in_(text, complaints) {}

  Dbc read() {
    while (sound() && in_.now().kind != DbcTokenKind::end) {
      read_statement();
    }
    for (std::size_t i = 0; sound() && i < dbc_.messages.size(); ++i) {
      DbcMessage& message = dbc_.messages[i];
      const auto format = frame_formats_.find(i);
      const std::string& word = format == frame_formats_.end() ? format_default_ : format->second;
      message.j1939 = message.extended && word == "J1939PG";
      resolve_multiplexers(message, multiplex_rules_[i]);
    }
    std::erase_if(dbc_.messages, is_no_message);
    return std::move(dbc_);
  }

 private:
  bool sound() const { return in_.sound(); }

  void read_statement() {
    if (in_.now().kind != DbcTokenKind::word) {
      in_.enter("file");
      return in_.complain("a statement");
    }
    in_.enter(in_.now().text);
    struct Reader {
      std::string_view statement;
      void (DbcReader::*read)();
    };
    static constexpr std::array readers = {
        Reader{"VERSION", &DbcReader::read_version},
        Reader{"NS_", &DbcReader::read_new_symbols},
        Reader{"BS_", &DbcReader::read_bit_timing},
        Reader{"BU_", &DbcReader::read_nodes},
        Reader{"BO_", &DbcReader::read_message},
        Reader{"VAL_TABLE_", &DbcReader::read_value_table},
        Reader{"VAL_", &DbcReader::read_values},
        Reader{"SIG_VALTYPE_", &DbcReader::read_float_type},
        Reader{"SG_MUL_VAL_", &DbcReader::read_multiplex_rule},
        Reader{"CM_", &DbcReader::read_comment},
        Reader{"BA_DEF_", &DbcReader::read_attribute_definition},
        Reader{"BA_DEF_DEF_", &DbcReader::read_attribute_default},
        Reader{"BA_", &DbcReader::read_attribute},
    };
    in_.advance();
    for (const Reader& reader : readers) {
      if (reader.statement == in_.statement()) {
        return (this->*reader.read)();
      }
    }
    if (in_.statement() == "SG_") {
      return in_.complain("a message (BO_) before its signals", "a signal");
    }
    pass_over();
  }

  // To the end of a statement that is of no use here.
  void pass_over() {
    while (!in_.at_sign(';')) {
      const DbcToken& token = in_.now();
      const bool other_statement = token.first_column && in_.at_keyword();
      if (token.kind == DbcTokenKind::end || token.kind == DbcTokenKind::bad || other_statement) {
        return in_.end_of_statement();
      }
      in_.advance();
    }
    in_.advance();
  }

  void read_version() { in_.text("the version"); }

  // NS_ : names, one a line; they look like statements, so what follows them shows the end.
  void read_new_symbols() {
    in_.sign(':');
    while (in_.at(DbcTokenKind::word)) {
      const DbcToken& token = in_.now();
      const DbcToken& behind = in_.next();
      const bool begins_statement = token.first_column && in_.at_keyword() && behind.line == token.line;
      if (begins_statement || (behind.kind != DbcTokenKind::word && behind.kind != DbcTokenKind::end)) {
        return;
      }
      in_.advance();
    }
  }

  // BS_ : [rate : register, register], which nobody uses any more.
  void read_bit_timing() {
    in_.sign(':');
    while (in_.at(DbcTokenKind::number) || in_.at_sign(':') || in_.at_sign(',') || in_.at_sign(';')) {
      in_.advance();
    }
  }

  void read_nodes() {
    in_.sign(':');
    while (in_.at_plain_word()) {
      in_.advance();
    }
  }

  void read_message();
  void read_message_id(DbcMessage& message);
  void read_signal(DbcMessage& message);
  void read_multiplexing(DbcSignal& signal);
  void read_layout(DbcSignal& signal);
  void read_value_table();
  std::vector<std::pair<std::int64_t, std::string>> read_value_names();
  void read_values();
  void read_float_type();
  void read_multiplex_rule();
  RawRange read_multiplex_range();
  void read_comment();
  void read_attribute_definition();
  void read_attribute_default();
  void read_attribute();
  std::string read_attribute_value();
  void take_message_attribute(const std::string& attribute, std::size_t message, const std::string& value);

  // The message of a number in a later statement, if the file has it.
  std::optional<std::size_t> message_reference();
  DbcSignal* signal_reference();

  // What a comment or an attribute is about, when it is a message or a signal that the file has.
  struct Object {
    std::optional<std::size_t> message;
    DbcSignal* signal = nullptr;
  };
  Object read_object();

  DbcCursor in_;
  Dbc dbc_;
  std::unordered_map<std::uint32_t, std::size_t> by_number_;  // id with the extended bit -> index of the message
  std::map<std::string, std::vector<std::pair<std::int64_t, std::string>>, std::less<>> value_tables_;
  // By index of the message:
  std::vector<std::unordered_map<std::string, std::size_t>> by_name_;  // its signals, likewise by index
  std::unordered_map<std::size_t, MultiplexRules> multiplex_rules_;
  std::unordered_map<std::size_t, std::string> frame_formats_;  // VFrameFormat
  std::vector<std::string> format_words_;                       // of the attribute VFrameFormat
  std::string format_default_;
};

void DbcReader::read_message_id(DbcMessage& message) {
  const auto number = static_cast<std::uint32_t>(in_.whole("the message's number", 0, UINT32_MAX));
  message.extended = (number & extended_bit) != 0;
  message.id = number & ~extended_bit;
  if (number != no_message_id && message.id > (message.extended ? extended_id_max : standard_id_max)) {
    return in_.complain_at(message.line, "an identifier of 11 bits (to 2047), or of 29 bits and 2147483648",
                           std::to_string(number));
  }
  const auto [at, is_new] = by_number_.emplace(number, dbc_.messages.size());
  if (sound() && !is_new) {
    const int line = dbc_.messages[at->second].line;
    in_.complain_at(message.line, "each message once",
                    std::to_string(number) + " a second time (line " + std::to_string(line) + ")");
  }
}

void DbcReader::read_message() {
  DbcMessage message;
  message.line = in_.now().line;
  read_message_id(message);
  message.name = in_.name("the message's name");
  in_.sign(':');
  message.bytes = static_cast<std::uint32_t>(in_.whole("its length in bytes", 0, dbc_message_bytes_max));
  if (in_.at_plain_word()) {
    in_.advance();  // who sends it
  }
  by_name_.emplace_back();
  while (in_.take_word("SG_")) {
    in_.enter("SG_");
    read_signal(message);
    if (message.signals.size() > dbc_signals_max) {
      const int line = message.signals.back().line;
      in_.complain_at(line, "at most " + std::to_string(dbc_signals_max) + " signals in a message", "more");
    }
  }
  dbc_.messages.push_back(std::move(message));
  if (dbc_.messages.size() > dbc_messages_max) {
    in_.complain_at(dbc_.messages.back().line, "at most " + std::to_string(dbc_messages_max) + " messages", "more");
  }
}

// M, m7 or m7M behind the name.
void DbcReader::read_multiplexing(DbcSignal& signal) {
  if (in_.at_sign(':')) {
    return;
  }
  const DbcToken token = in_.now();
  std::string_view mark = token.kind == DbcTokenKind::word ? token.text : std::string_view();
  signal.is_multiplexer = mark.ends_with('M');
  mark.remove_suffix(signal.is_multiplexer ? 1 : 0);
  if (mark.starts_with('m')) {
    signal.multiplex_value = dbc_whole(mark.substr(1));
  }
  if (!signal.is_multiplexer && !signal.multiplex_value) {
    return in_.complain("a colon, or M, m and a number, or m, a number and M");
  }
  if (!mark.empty() && !signal.multiplex_value) {
    return in_.complain("m and a number before M");
  }
  in_.advance();
}

// 24|16@1+ (0.125,0) [0|8031.875] "rpm"
void DbcReader::read_layout(DbcSignal& signal) {
  BitField& field = signal.coding.field;
  field.start_bit = static_cast<std::uint32_t>(in_.whole("the start bit", 0, start_bit_max));
  in_.sign('|');
  field.length = static_cast<std::uint32_t>(in_.whole("the length in bits", 1, start_bit_max + 1));
  in_.sign('@');
  field.order = in_.whole("the byte order, 1 (little) or 0 (big)", 0, 1) == 1 ? ByteOrder::little : ByteOrder::big;
  if (in_.take_sign('-')) {
    signal.coding.form = RawForm::signed_whole;
  } else if (!in_.take_sign('+')) {
    return in_.complain("+ (unsigned) or - (signed)");
  }
  in_.sign('(');
  signal.coding.scale = in_.number("the factor");
  in_.sign(',');
  signal.coding.offset = in_.number("the offset");
  in_.sign(')');
  in_.sign('[');
  signal.min = in_.bound("the least value");
  in_.sign('|');
  signal.max = in_.bound("the greatest value");
  in_.sign(']');
  signal.unit = in_.text("the unit");
}

void DbcReader::read_signal(DbcMessage& message) {
  DbcSignal signal;
  signal.line = in_.now().line;
  signal.name = in_.name("the signal's name");
  const auto [first, is_new] = by_name_.back().emplace(signal.name, message.signals.size());
  if (!is_new) {
    // Found in files whose names were cut to 32 letters.
    signal.problem = "its message has another signal of that name";
    message.signals[first->second].problem = signal.problem;
  }
  read_multiplexing(signal);
  in_.sign(':');
  read_layout(signal);
  // Who receives it; a word at the beginning of a line is a statement, be it an unknown one.
  while ((in_.at_plain_word() && !in_.now().first_column) || in_.at_sign(',')) {
    in_.advance();
  }
  message.signals.push_back(std::move(signal));
}

std::optional<std::size_t> DbcReader::message_reference() {
  const auto number = static_cast<std::uint32_t>(in_.whole("a message's number", 0, UINT32_MAX));
  const auto found = by_number_.find(number);
  return found == by_number_.end() ? std::nullopt : std::optional(found->second);
}

DbcSignal* DbcReader::signal_reference() {
  const std::optional<std::size_t> message = message_reference();
  const std::string wanted = in_.name("a signal's name");
  if (!sound() || !message) {
    return nullptr;
  }
  const auto found = by_name_[*message].find(wanted);
  return found == by_name_[*message].end() ? nullptr : &dbc_.messages[*message].signals[found->second];
}

// 0 "off" 1 "on" ... up to the semicolon
std::vector<std::pair<std::int64_t, std::string>> DbcReader::read_value_names() {
  std::vector<std::pair<std::int64_t, std::string>> out;
  while (sound() && !in_.at_sign(';')) {
    const DbcToken token = in_.now();
    in_.number("a value and its name, or ;");
    std::string word = in_.text("the name of a value");
    // A value with a fraction is no raw value and names none.
    if (const auto value = dbc_whole(token.text)) {
      out.emplace_back(static_cast<std::int64_t>(*value), std::move(word));
    }
  }
  in_.end_of_statement();
  return out;
}

void DbcReader::read_value_table() {
  const std::string table = in_.name("the name of the table");
  value_tables_[table] = read_value_names();
}

void DbcReader::read_values() {
  if (in_.at(DbcTokenKind::word)) {
    in_.advance();  // of an environment variable
    read_value_names();
    return;
  }
  DbcSignal* signal = signal_reference();
  std::vector<std::pair<std::int64_t, std::string>> names;
  if (in_.at(DbcTokenKind::word)) {
    const auto table = value_tables_.find(in_.now().text);
    if (table == value_tables_.end()) {
      return in_.complain("values, or the name of a table (VAL_TABLE_) before it");
    }
    names = table->second;
    in_.advance();
    in_.end_of_statement();
  } else {
    names = read_value_names();
  }
  if (signal != nullptr) {
    signal->value_names = std::move(names);
  }
}

void DbcReader::read_float_type() {
  const int line = in_.now().line;
  DbcSignal* signal = signal_reference();
  if (sound() && signal == nullptr) {
    return in_.complain_at(line, "a message and a signal of this file", "others");
  }
  in_.take_sign(':');
  const std::uint64_t type = in_.whole("0 (whole), 1 (32-bit float) or 2 (64-bit float)", 0, 2);
  in_.end_of_statement();
  if (!sound() || type == 0) {
    return;
  }
  const std::uint32_t bits = type == 1 ? 32 : 64;
  if (signal->coding.field.length != bits) {
    return in_.complain_at(line, "a signal of " + std::to_string(bits) + " bits",
                           '"' + printable(signal->name) + "\" of " + std::to_string(signal->coding.field.length));
  }
  signal->coding.form = type == 1 ? RawForm::float32 : RawForm::float64;
}

// 3-7; the minus may stand alone or be taken for a sign.
RawRange DbcReader::read_multiplex_range() {
  RawRange range;
  range.first = in_.whole("the first value of a range", 0, UINT64_MAX);
  const DbcToken token = in_.now();
  if (in_.at(DbcTokenKind::number) && token.text.starts_with('-')) {
    const auto last = dbc_whole(token.text.substr(1));
    if (!last) {
      in_.complain("the last value of a range, a whole number");
    }
    range.last = last.value_or(0);
    in_.advance();
  } else {
    in_.sign('-');
    range.last = in_.whole("the last value of a range", 0, UINT64_MAX);
  }
  if (sound() && range.last < range.first) {
    in_.complain("a range that rises", "one that falls");
  }
  return range;
}

void DbcReader::read_multiplex_rule() {
  MultiplexRule rule;
  rule.line = in_.now().line;
  const std::optional<std::size_t> message = message_reference();
  if (sound() && !message) {
    return in_.complain_at(rule.line, "a message of this file", "another");
  }
  const std::string signal = in_.name("the signal's name");
  rule.multiplexer = in_.name("the name of its multiplexer");
  while (sound() && !in_.at_sign(';')) {
    rule.values.push_back(read_multiplex_range());
    in_.take_sign(',');
  }
  in_.end_of_statement();
  if (!sound()) {
    return;
  }
  for (const std::string& wanted : {signal, rule.multiplexer}) {
    if (!by_name_[*message].contains(wanted)) {
      return in_.complain_at(rule.line, "a signal of the message", '"' + printable(wanted) + "\", which is none");
    }
  }
  multiplex_rules_[*message][signal] = std::move(rule);
}

// BU_ name, EV_ name, BO_ number or SG_ number name; nothing for the whole network.
DbcReader::Object DbcReader::read_object() {
  Object object;
  if (in_.take_word("BU_") || in_.take_word("EV_")) {
    in_.name("a name");
  } else if (in_.take_word("BO_")) {
    object.message = message_reference();
  } else if (in_.take_word("SG_")) {
    object.signal = signal_reference();
  }
  return object;
}

void DbcReader::read_comment() {
  read_object();
  in_.text("the comment");
  in_.end_of_statement();
}

void DbcReader::read_attribute_definition() {
  if (in_.at(DbcTokenKind::word)) {
    in_.advance();  // BU_, BO_, SG_ or EV_
  }
  const std::string attribute = in_.text("the attribute's name");
  const std::string type = in_.name("INT, HEX, FLOAT, STRING or ENUM");
  if (type != "ENUM") {
    while (in_.at(DbcTokenKind::number) || in_.at(DbcTokenKind::word)) {
      in_.advance();
    }
    return in_.end_of_statement();
  }
  std::vector<std::string> words;
  while (sound() && !in_.at_sign(';')) {
    words.push_back(in_.text("a word of the attribute"));
    in_.take_sign(',');
  }
  in_.end_of_statement();
  if (attribute == "VFrameFormat") {
    format_words_ = std::move(words);
  }
}

std::string DbcReader::read_attribute_value() {
  const DbcToken token = in_.now();
  if (token.kind != DbcTokenKind::text && token.kind != DbcTokenKind::number && token.kind != DbcTokenKind::word) {
    in_.complain("the attribute's value");
    return {};
  }
  in_.advance();
  return token.kind == DbcTokenKind::text ? dbc_text(token.text) : std::string(token.text);
}

void DbcReader::read_attribute_default() {
  const std::string attribute = in_.text("the attribute's name");
  std::string value = read_attribute_value();
  in_.end_of_statement();
  if (attribute == "VFrameFormat") {
    format_default_ = std::move(value);
  }
}

void DbcReader::take_message_attribute(const std::string& attribute, std::size_t message, const std::string& value) {
  if (attribute == "SystemMessageLongSymbol") {
    dbc_.messages[message].long_name = value;
  } else if (attribute == "VFrameFormat") {
    const auto index = dbc_whole(value);
    const bool by_index = index && *index < format_words_.size();
    frame_formats_[message] = by_index ? format_words_[*index] : value;
  }
}

void DbcReader::read_attribute() {
  const std::string attribute = in_.text("the attribute's name");
  const Object object = read_object();
  const std::string value = read_attribute_value();
  in_.end_of_statement();
  if (sound() && object.message) {
    take_message_attribute(attribute, *object.message, value);
  }
  if (sound() && object.signal != nullptr && attribute == "SystemSignalLongSymbol") {
    object.signal->long_name = value;
  }
}

}  // namespace

std::variant<Dbc, ConfigError> parse_dbc(std::string_view file, std::string_view file_name) {
  Complaints complaints(file_name);
  if (file.size() > dbc_bytes_max) {
    complaints.add(1, "file", "at most " + std::to_string(dbc_bytes_max) + " bytes", "more");
    return ConfigError{complaints.first()};
  }
  const std::string text = dbc_utf8(file);
  Dbc dbc = DbcReader(text, complaints).read();
  if (!complaints.empty()) {
    return ConfigError{complaints.first()};
  }
  return dbc;
}

}  // namespace cw
