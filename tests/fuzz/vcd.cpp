// VCD: drivers/vcd.hpp, drivers/vcd_header.hpp.
#include <map>
#include <string>

#include "driver_rules.hpp"
#include "drivers/registry.hpp"
#include "drivers/source_time.hpp"
#include "real_files.hpp"

namespace cw::fuzz {

namespace {

// What a replay log says, as a logic analyser would have written it: a variable a channel.
std::string as_vcd(const std::string& csv) {
  const auto driver = find_driver("csv")->make({"F", true, {}});
  ItemBuffer items;
  driver->start(items);
  driver->read(csv, items);
  driver->finish(items);
  std::string header = "$timescale 1 ns $end\n$scope module top $end\n";
  std::string changes;
  for (const Item& item : items.items) {
    const std::string code(1, static_cast<char>('!' + item.channel));
    if (item.kind == ItemKind::edge) {
      changes += "#" + std::to_string(item.source_ns) + (item.code == 1 ? "\n1" : "\n0") + code + "\n";
    } else if (item.code == static_cast<std::uint8_t>(LinkNote::channel_named)) {
      const auto name = payload_of(item, items.payload);
      header += "$var wire 1 " + code + " ";
      header.append(reinterpret_cast<const char*>(name.data()), name.size());
      header += " $end\n";
    }
  }
  return header + "$upscope $end\n$enddefinitions $end\n" + changes;
}

}  // namespace

void run(std::string_view input) {
  Choices choices(input);
  // One signal may bear 250 names, and so be 250 channels.
  try_driver({.driver = "vcd", .items_a_byte_max = 250, .silence_ns_max = static_cast<std::int64_t>(silence_max_ns)},
             choices.rest(), choices);
}

void seeds(const AddSeed& add) {
  constexpr std::size_t about = 500;
  for (const std::string& head : replay_log_heads(about)) {
    add(as_vcd(head));
  }
  add("$comment a bus $end $timescale 10us $end $scope module top $end $var reg 8 # bus [7:0] $end\n"
      "$var wire 1 !! D0 $end $var real 64 r speed $end $upscope $end $enddefinitions $end\n"
      "$dumpvars b0 # 0!! $end #10 b1xz01010 # 1!! r1.5e3 r #11 $dumpoff x!! $end #12 $dumpon 0!! bz # $end\n"
      "#13 $dumpall 1!! $end s text !! #14 0!!");
  add("$timescale 1 s $end $var wire 1 a crank $end $var wire 1 a cam1 $end $enddefinitions $end #0 0a #1 1a #2 0a\n"
      "$timescale 1 ps $end $var wire 1 a crank $end $enddefinitions $end #5 1a #6 0a #2 1a #3 0a");
}

std::span<const std::string_view> words() {
  static constexpr std::string_view all[] = {"$timescale ",
                                             "$end\n",
                                             "$var wire 1 ",
                                             "$var reg 8 ",
                                             "$scope module ",
                                             "$upscope $end\n",
                                             "$comment ",
                                             "$date ",
                                             "$version ",
                                             "$dumpvars\n",
                                             "$dumpall\n",
                                             "$dumpoff\n",
                                             "$dumpon\n",
                                             "bxz01 ",
                                             "r1.5 ",
                                             "#1",
                                             "#18446744073709551615",
                                             "100 fs",
                                             "1 s",
                                             "10us",
                                             "top.a.c",
                                             "bus[3]",
                                             "[7:0]",
                                             "$enddefinitions $end\n",
                                             "$dumpports\n",
                                             "$attrbegin "};
  return all;
}

}  // namespace cw::fuzz
