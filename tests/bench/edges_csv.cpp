// The edges of a benchmark case as edge CSV on standard output, and its engine file: edges_csv CASE SECONDS ENGINE_FILE.
// A day of them needs no more memory than a minute.
#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <string>

#include "streams.hpp"

int main(int argc, char** argv) {
  using namespace cw::bench;
  const Case* what = argc == 4 ? find_case(argv[1]) : nullptr;
  const double seconds = argc == 4 ? std::atof(argv[2]) : 0;
  if (what == nullptr || seconds <= 0) {
    std::fprintf(stderr, "usage: edges_csv CASE SECONDS ENGINE_FILE, CASE one of:\n");
    for (const Case& one : cases()) {
      std::fprintf(stderr, "  %s\n", std::string(one.name).c_str());
    }
    return 2;
  }
  std::ofstream(argv[3]) << engine_text_of(*what);
  std::string text(csv_header);
  for_each_edge(*what, engine_of(*what), seconds, [&](std::uint8_t channel, cw::EdgeCode code, std::int64_t t_ns) {
    add_csv_row(text, channel, code, t_ns);
    constexpr std::size_t piece_bytes = 1 << 20;
    if (text.size() >= piece_bytes) {
      std::fwrite(text.data(), 1, text.size(), stdout);
      text.clear();
    }
  });
  std::fwrite(text.data(), 1, text.size(), stdout);
  return std::fflush(stdout) == 0 && std::ferror(stdout) == 0 ? 0 : 1;
}
