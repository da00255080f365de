// DBC files: config/dbc.hpp. What is read is explained, and its signals are read out of frames, bit by bit.
#include "config/dbc.hpp"

#include <sstream>

#include "cli/check_map.hpp"
#include "error_line.hpp"
#include "real_files.hpp"

namespace cw::fuzz {

namespace {

constexpr std::size_t texts_max = 20;  // messages that are explained; all are read

CanFrame random_frame(Dice& dice) {
  CanFrame frame;
  frame.length = static_cast<std::uint8_t>(dice.next() % 65);
  frame.fd = frame.length > 8;
  for (std::byte& byte : frame.data) {
    byte = static_cast<std::byte>(dice.next());
  }
  return frame;
}

void try_signal(const DbcSignal& signal, std::span<const std::byte> data) {
  const auto bits = bits_of(signal.coding, data);
  if (!bits) {
    return;
  }
  const std::uint32_t length = signal.coding.field.length;
  expect(length <= field_bits_max && bytes_needed(signal.coding.field) <= data.size(), "bits that lie in the frame");
  expect(length == 64 || *bits >> length == 0, "no more bits than the signal has");
  for (const MultiplexCondition& condition : signal.coding.when) {
    expect(holds(condition, data) == true, "a signal only where its multiplexer says so");
  }
  for (std::uint32_t rank = 0; rank < length; ++rank) {
    const std::uint32_t at = bit_number(signal.coding.field, rank);
    expect((*bits >> rank & 1U) == (std::to_integer<std::uint64_t>(data[at / 8]) >> at % 8 & 1U), "the frame's bits");
  }
}

}  // namespace

void run(std::string_view input) {
  Choices choices(input);
  const auto read = parse_dbc(choices.rest(), "F");
  if (const auto* error = std::get_if<ConfigError>(&read)) {
    expect_error_line(error->message);
    return;
  }
  Dbc dbc = std::get<Dbc>(read);
  Dice dice(1 + choices.take(16));
  const CanFrame frame = random_frame(dice);
  for (const DbcMessage& message : dbc.messages) {
    expect(message.id <= (message.extended ? 0x1fffffffU : 0x7ffU), "an identifier that can be");
    for (const DbcSignal& signal : message.signals) {
      try_signal(signal, std::span(frame.data).first(frame.length));
    }
  }
  dbc.messages.resize(std::min(dbc.messages.size(), texts_max));
  CanFrame known = frame;
  known.id = dbc.messages.empty() ? 0 : dbc.messages.back().id;
  known.extended = !dbc.messages.empty() && dbc.messages.back().extended;
  std::ostringstream words;
  explain_dbc(dbc, "F", {check_width_min, choices.flag()}, words);
  explain_frame(dbc, known, {check_width_min, choices.flag()}, words);
  expect(!words.str().empty(), "words about a sound file");
}

void seeds(const AddSeed& add) {
  for (const char* folder : {"config/can", "tests/data/dbc"}) {
    for (const std::string& path : files_of_tree(folder, ".dbc")) {
      add(file_of_tree(path));
    }
  }
}

std::span<const std::string_view> words() {
  static constexpr std::string_view all[] = {"VERSION \"\"\n",
                                             "NS_ :\n",
                                             "BS_:\n",
                                             "BU_: ",
                                             "\nBO_ 100 M: 8 N\n",
                                             " SG_ S : 0|8@1+ (1,0) [0|0] \"\" N\n",
                                             " SG_ P M : 7|4@0+ (1,0) [0|0] \"\" N\n",
                                             " m0M ",
                                             "@0-",
                                             "VAL_TABLE_ ",
                                             "VAL_ 100 S 1 \"a\" ;\n",
                                             "SIG_VALTYPE_ 100 S : 1;\n",
                                             "SG_MUL_VAL_ 100 S P 0-0;\n",
                                             "CM_ SG_ 100 S \"x\\\"y\";\n",
                                             "BA_DEF_ BO_ \"VFrameFormat\" ENUM \"a\",\"J1939PG\";\n",
                                             "BA_DEF_DEF_ \"VFrameFormat\" \"J1939PG\";\n",
                                             "BA_ \"SystemSignalLongSymbol\" SG_ 100 S \"long\";\n",
                                             "3221225472",
                                             "2147483648",
                                             "18446744073709551615",
                                             "1e999",
                                             "-0",
                                             "\\\"",
                                             "\xb0"};
  return all;
}

}  // namespace cw::fuzz
