// DEVELOPERS.md shows the attribution table; this keeps it in step with compare/attribution.cpp.
#include <gtest/gtest.h>

#include <fstream>
#include <iterator>
#include <string>

#include "compare/attribution.hpp"

namespace cw {
namespace {

std::string developers_page() {
  std::ifstream in(std::string(CRANKWITNESS_SOURCE_DIR) + "/DEVELOPERS.md", std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}

std::string row_as_written(const AttributionRow& row) {
  std::string line = "| `" + std::string(to_string(row.kind)) + "` | " + std::string(to_string(row.circumstance)) +
                     " | " + std::string(to_string(row.severity)) + " | " + std::string(to_string(row.attribution)) +
                     " | " + std::string(row.code) + " |";
  return line;
}

TEST(DevelopersPage, shows_every_row_of_the_attribution_table_in_order) {
  const std::string page = developers_page();
  std::string table;
  for (const AttributionRow& row : attribution_table()) {
    table += row_as_written(row) + "\n";
  }
  EXPECT_NE(page.find(table), std::string::npos) << "the table should read:\n" << table;
}

}  // namespace
}  // namespace cw
