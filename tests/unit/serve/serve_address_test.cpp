#include "serve/serve_address.hpp"

#include <gtest/gtest.h>

namespace cw {
namespace {

std::string problem_of(std::string_view text, bool allow_remote = false) {
  const auto parsed = parse_serve_address(text, allow_remote);
  const auto* problem = std::get_if<std::string>(&parsed);
  return problem == nullptr ? "" : *problem;
}

std::string read(std::string_view text, bool allow_remote = false) {
  return to_string(std::get<ServeAddress>(parse_serve_address(text, allow_remote)));
}

TEST(ServePlace, of_this_computer_is_taken_as_numbers_or_localhost) {
  EXPECT_EQ(read("127.0.0.1:7200"), "127.0.0.1:7200");
  EXPECT_EQ(read("127.8.9.1:0"), "127.8.9.1:0");
  EXPECT_EQ(read("[::1]:65535"), "[::1]:65535");
  EXPECT_EQ(read("localhost:80"), "127.0.0.1:80");
}

TEST(ServePlace, of_other_computers_is_taken_only_when_allowed) {
  for (const char* text : {"0.0.0.0:7200", "192.168.4.1:7200", "[::]:7200", "[fe80::1]:7200"}) {
    EXPECT_NE(problem_of(text).find("expected a loopback address"), std::string::npos) << text;
    EXPECT_EQ(read(text, true), text);
  }
}

TEST(ServePlace, that_is_none_is_refused_with_what_was_expected) {
  for (const char* text : {"", ":", "7200", "127.0.0.1", "127.0.0.1:", "127.0.0.1:65536", "127.0.0.1:72x", "::1:7200",
                           "[127.0.0.1]:7200", "[::1:7200", "engine.toml", "cell-2:7200", "127.0.0.1:-1"}) {
    EXPECT_NE(problem_of(text, true).find("expected ADDRESS:PORT"), std::string::npos) << text;
  }
}

// A page elsewhere whose name is made to point at this computer comes with that name (DNS rebinding).
TEST(ServeHost, is_ours_as_numbers_as_localhost_and_by_a_listed_name_only) {
  ServeSpec serve;
  serve.hosts = {"cell-2.example"};
  for (const char* ours : {"127.0.0.1", "127.0.0.1:7200", "[::1]:7200", "localhost:1", "LOCALHOST", "192.168.4.1:80",
                           "cell-2.example:7200", "Cell-2.Example"}) {
    EXPECT_TRUE(is_our_host(ours, serve)) << ours;
  }
  for (const char* other : {"", ":80", "rebound.example:7200", "localhost.rebound.example", "cell-2.example.", "[::1",
                            "127.0.0.1.rebound.example"}) {
    EXPECT_FALSE(is_our_host(other, serve)) << other;
  }
}

}  // namespace
}  // namespace cw
