// A session of the edges of a benchmark case, as if `run` had recorded them: record_edges CASE SECONDS FOLDER. Nothing is
// analysed: a replay of the folder does that.
#include <cstdio>
#include <cstdlib>
#include <memory>
#include <string>
#include <variant>

#include "record/session_totals.hpp"
#include "record/session_writer.hpp"
#include "streams.hpp"

int main(int argc, char** argv) {
  using namespace cw;
  const bench::Case* what = argc == 4 ? bench::find_case(argv[1]) : nullptr;
  const double seconds = argc == 4 ? std::atof(argv[2]) : 0;
  if (what == nullptr || seconds <= 0) {
    std::fprintf(stderr, "usage: record_edges CASE SECONDS FOLDER, CASE as of analyse_once\n");
    return 2;
  }
  const Engine engine = bench::engine_of(*what);
  SessionSettings settings;
  settings.folder = argv[3];
  settings.live = false;
  settings.info.program = "record_edges";
  settings.info.id = draw_session_id();
  settings.info.engine_file_name = "bench.toml";
  settings.info.engine_file_text = bench::engine_text_of(*what);
  settings.info.sources.push_back({0, "csv", "made", {}, 0});
  auto created = SessionWriter::create(std::move(settings), engine);
  if (const auto* problem = std::get_if<std::string>(&created)) {
    std::fprintf(stderr, "%s\n", problem->c_str());
    return 1;
  }
  const auto session = std::move(std::get<std::unique_ptr<SessionWriter>>(created));
  SessionTotals totals(engine, {});
  bench::for_each_batch(*what, engine, seconds, [&](const ItemBuffer& items) {
    session->append(items.batch());
    session->commit();
  });
  if (const Problem problem = session->finish("end of input", totals)) {
    std::fprintf(stderr, "%s\n", problem->c_str());
    return 1;
  }
  return 0;
}
