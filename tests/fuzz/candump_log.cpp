// CAN logs: drivers/candump_log.hpp.
#include "driver_rules.hpp"
#include "drivers/source_time.hpp"

namespace cw::fuzz {

void run(std::string_view input) {
  Choices choices(input);
  // Naming 250 interfaces costs one item more a line.
  try_driver({.driver = "candump",
              .silence_ns_max = static_cast<std::int64_t>(silence_max_ns),
              .back_ns_max = 1'000'000'000,
              .may_restart = true},
             choices.rest(), choices);
}

void seeds(const AddSeed& add) {
  add("(1436509052.249713) vcan0 123#DEADBEEF\n(1436509052.249714) can1 1FFFFFFF#1122334455667788 R\n"
      "(1436509052.249715) vcan0 123#R8 T\n(1436509052.249716) vcan0 123##1112233445566778899AABBCC\n"
      "(1436509051.349716) can1 20000040#0000000000000000\n\r\n(1436509053.0) vcan0 001#1122334455667788_F\n");
  add("(1000.0) a 001#\n(10.0) a 001#\n(10.0) a 002#\n(10.0) a 003#\n(10.1) a 004#\n(10.2) a 005#\n(10.3) a 006#\n"
      "(10.4) a 007#\n(10.5) b 008#\n(9.5) b 008#\n(9.4) b 009#\n");
}

std::span<const std::string_view> words() {
  static constexpr std::string_view all[] = {"(1436509052.249713) ",
                                             "(0.0) ",
                                             "(9223372035.999999999) ",
                                             "vcan0 ",
                                             "can1 ",
                                             "123#",
                                             "1FFFFFFF#",
                                             "20000004#",
                                             "123#R8",
                                             "##1",
                                             "DEADBEEF",
                                             " R\n",
                                             " T\r\n",
                                             "_F\n",
                                             "\n"};
  return all;
}

}  // namespace cw::fuzz
