// The examples of drivers/EDGE_STREAM.md, decoded.
#include <gtest/gtest.h>

#include <sstream>

#include "drivers/edge_csv.hpp"
#include "stream_device.hpp"
#include "tests/unit/record/scratch_folder.hpp"

namespace cw {
namespace {

// The text of the block that is fenced with ```WORD; the first of them.
std::string block(const std::string& page, const std::string& word) {
  const std::string fence = "\n```" + word + "\n";
  const std::size_t begin = page.find(fence);
  EXPECT_NE(begin, std::string::npos) << word;
  const std::size_t end = page.find("\n```", begin + fence.size());
  return page.substr(begin + fence.size(), end + 1 - begin - fence.size());
}

// Hexadecimal bytes; what stands after a # on a line is for people.
std::string bytes_of(const std::string& hex) {
  std::string bytes;
  std::istringstream lines(hex);
  for (std::string line; std::getline(lines, line);) {
    std::istringstream words(line.substr(0, line.find('#')));
    for (std::string word; words >> word;) {
      bytes.push_back(static_cast<char>(std::stoi(word, nullptr, 16)));
    }
  }
  return bytes;
}

std::string as_csv(const test::Heard& heard) {
  constexpr const char* names[] = {"crank", "cam1"};
  std::string text = "t_ns,channel,edge\n";
  for (const test::SentEdge& edge : heard.edges()) {
    text += std::to_string(edge.t_ns) + "," + names[edge.channel] + (edge.rising ? ",r\n" : ",f\n");
  }
  return text;
}

TEST(EdgeStreamPage, both_examples_decode_to_the_edges_that_the_page_lists) {
  const std::string page = test::file_text(CRANKWITNESS_SOURCE_DIR "/drivers/EDGE_STREAM.md");
  const std::string csv = block(page, "csv");
  for (const std::string& bytes : {block(page, "text"), bytes_of(block(page, "hex"))}) {
    const test::Heard heard = test::hear(bytes);
    EXPECT_EQ(heard.error, "");
    EXPECT_EQ(as_csv(heard), csv);
    EXPECT_EQ(heard.gaps(), (std::vector<test::Gap>{{GapReason::device_dropped, 2}}));
  }
}

}  // namespace
}  // namespace cw
