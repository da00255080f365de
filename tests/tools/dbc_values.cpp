// Prints what a DBC file makes of frames, for tests/tools/dbc_against_canmatrix: `dbc_values FILE.dbc`, frames (ID#DATA)
// on standard input. A line a signal, tabs between: message, signal, raw value (bits of a float), value; then an empty line.
// Before the first frame: a line for each message with its identifier, length and J1939 mark, and for each signal
// that can't be read ("refused"), then an empty line.
#include <cstdio>
#include <fstream>
#include <iostream>
#include <iterator>
#include <span>
#include <string>
#include <variant>

#include "config/dbc.hpp"
#include "items/can_frame_text.hpp"

namespace {

const std::string& shown(const std::string& name, const std::string& long_name) {
  return long_name.empty() ? name : long_name;
}

void print_messages(const cw::Dbc& dbc) {
  for (const cw::DbcMessage& message : dbc.messages) {
    std::printf("%s\t%08x\t%d\t%u\t%d\n", shown(message.name, message.long_name).c_str(), message.id,
                message.extended ? 1 : 0, message.bytes, message.j1939 ? 1 : 0);
    for (const cw::DbcSignal& signal : message.signals) {
      if (!signal.problem.empty()) {
        std::printf("refused\t%s\t%s\n", shown(message.name, message.long_name).c_str(),
                    shown(signal.name, signal.long_name).c_str());
      }
    }
  }
  std::printf("\n");
}

void print_values(const cw::Dbc& dbc, const cw::CanFrame& frame) {
  for (const cw::DbcMessage& message : dbc.messages) {
    if (message.id != frame.id || message.extended != frame.extended) {
      continue;
    }
    for (const cw::DbcSignal& signal : message.signals) {
      const auto bits = cw::bits_of(signal.coding, std::span(frame.data).first(frame.length));
      if (bits && signal.problem.empty()) {
        const bool is_signed = signal.coding.form == cw::RawForm::signed_whole;
        const std::int64_t raw = cw::whole_value(*bits, signal.coding.field.length, signal.coding.form);
        const std::string text = is_signed ? std::to_string(raw) : std::to_string(*bits);
        std::printf("%s\t%s\t%s\t%.17g\n", shown(message.name, message.long_name).c_str(),
                    shown(signal.name, signal.long_name).c_str(), text.c_str(),
                    cw::physical_value(signal.coding, *bits));
      }
    }
  }
  std::printf("\n");
}

}  // namespace

int main(int argc, char** argv) {
  if (argc != 2) {
    std::fprintf(stderr, "usage: dbc_values FILE.dbc <FRAMES\n");
    return 2;
  }
  std::ifstream file(argv[1], std::ios::binary);
  const std::string text(std::istreambuf_iterator<char>(file), {});
  const auto dbc = cw::parse_dbc(text, argv[1]);
  if (const auto* error = std::get_if<cw::ConfigError>(&dbc)) {
    std::fprintf(stderr, "%s\n", error->message.c_str());
    return 1;
  }
  print_messages(std::get<cw::Dbc>(dbc));
  for (std::string line; std::getline(std::cin, line);) {
    const auto frame = cw::parse_can_frame(line);
    if (!std::holds_alternative<cw::CanFrame>(frame)) {
      std::fprintf(stderr, "no frame: %s\n", line.c_str());
      return 1;
    }
    print_values(std::get<cw::Dbc>(dbc), std::get<cw::CanFrame>(frame));
  }
  return 0;
}
