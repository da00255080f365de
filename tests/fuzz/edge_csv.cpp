// Edge CSV: drivers/edge_csv.hpp.
#include "driver_rules.hpp"
#include "drivers/source_time.hpp"
#include "real_files.hpp"

namespace cw::fuzz {

void run(std::string_view input) {
  Choices choices(input);
  try_driver({.driver = "csv", .silence_ns_max = static_cast<std::int64_t>(silence_max_ns), .may_restart = true},
             choices.rest(), choices);
}

void seeds(const AddSeed& add) {
  constexpr std::size_t about = 600;
  for (const std::string& head : replay_log_heads(about)) {
    add(head);
  }
  add("\xEF\xBB\xBFt_ns,channel,edge\r\n-9223372036854775808,crank,r\r\n-9223372036854775807,crank,f\r\n");
  add("t_ns,channel,edge\n900,crank,r\n100,crank,f\n110,crank,r\n120,a,f\n121,a,f\n122,a,f\n123,a,f\n124,a,f\n130,a,"
      "r\n");
}

std::span<const std::string_view> words() {
  static constexpr std::string_view all[] = {"t_ns,channel,edge\n",
                                             "crank",
                                             "cam1",
                                             "ref",
                                             ",r\n",
                                             ",f\n",
                                             "\r\n",
                                             "\xEF\xBB\xBF",
                                             "9223372036854775807",
                                             "-9223372036854775808",
                                             "86400000000000",
                                             "31622400000000000",
                                             "D0,",
                                             "\n"};
  return all;
}

}  // namespace cw::fuzz
