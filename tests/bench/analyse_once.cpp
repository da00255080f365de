// One pass of the analysis over a made stream, for a tool that counts instructions: analyse_once CASE SECONDS.
// Prints the edges. tests/tools/instructions_per_edge runs it.
#include <cstdio>
#include <cstdlib>

#include "analyse.hpp"

int main(int argc, char** argv) {
  const cw::bench::Case* what = argc == 3 ? cw::bench::find_case(argv[1]) : nullptr;
  const double seconds = argc == 3 ? std::atof(argv[2]) : 0;
  if (what == nullptr || seconds <= 0) {
    std::fprintf(stderr, "usage: analyse_once CASE SECONDS, CASE one of:\n");
    for (const cw::bench::Case& one : cw::bench::cases()) {
      std::fprintf(stderr, "  %s\n", std::string(one.name).c_str());
    }
    return 2;
  }
  const cw::Engine engine = cw::bench::engine_of(*what);
  const cw::bench::Stream stream = cw::bench::stream_of(*what, engine, seconds);
  cw::bench::Counter counter;
  cw::bench::analyse(engine, stream, counter);
  std::printf("edges %lld\ncycles %lld\nfindings %lld\n", static_cast<long long>(stream.edges),
              static_cast<long long>(counter.locked_cycles), static_cast<long long>(counter.findings));
  return counter.locked_cycles > 0 ? 0 : 1;
}
