// check-session SESSION EDGES.csv: holds a session that was cut off against the edges it was fed. Prints what was read
// back, or what is wrong and ends with 1.
#include <cstdio>

#include "tests/unit/record/scratch_folder.hpp"
#include "tests/unit/record/session_check.hpp"

int main(int argc, char** argv) {
  if (argc != 3) {
    std::fputs("usage: check-session SESSION EDGES.csv\n", stderr);
    return 2;
  }
  const auto checked = cw::test::check_session(argv[1], cw::test::file_text(argv[2]));
  if (const auto* error = std::get_if<std::string>(&checked)) {
    std::fprintf(stderr, "%s\n", error->c_str());
    return 1;
  }
  const auto& session = std::get<cw::test::CheckedSession>(checked);
  std::printf("edges %llu events %llu\n", static_cast<unsigned long long>(session.edges),
              static_cast<unsigned long long>(session.events));
  return 0;
}
