#include "serve/answer.hpp"

#include <gtest/gtest.h>

#include "serve/page_files.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

struct Asking {
  LiveState state{"crankwitness 0.0.0"};
  ServeSpec serve;
  Answer ask(Asked asked) const { return answer(asked, serve, state, {}); }
  Answer get(std::string_view target) const { return ask({"GET", target, "127.0.0.1", "", false, 3}); }
};

TEST(ServeAnswer, gives_the_page_its_files_status_metrics_and_health) {
  const Asking asking;
  EXPECT_NE(asking.get("/").body.find("<!doctype html>"), std::string::npos);
  EXPECT_EQ(asking.get("/").body, asking.get("/index.html?x=1").body);
  for (const PageFile& file : page_files()) {
    const Answer found = asking.get(file.path);
    EXPECT_EQ(found.status, 200U) << file.path;
    EXPECT_EQ(found.body, file.content) << file.path;
  }
  EXPECT_TRUE(parse_json(asking.get("/status.json").body).is_object());
  EXPECT_NE(asking.get("/metrics").body.find("crankwitness_build_info{version=\"0.0.0\"} 1"), std::string::npos);
  EXPECT_EQ(asking.get("/healthz").body, "ok\n");
  EXPECT_TRUE(asking.get("/events").events);
}

TEST(ServeAnswer, refuses_what_changes_something) {
  const Asking asking;
  for (const char* method : {"POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "get"}) {
    EXPECT_EQ(asking.ask({method, "/status.json", "127.0.0.1", "", false, 3}).status, 405U) << method;
  }
  EXPECT_EQ(asking.ask({"GET", "/", "127.0.0.1", "", true, 3}).status, 413U);
  EXPECT_EQ(asking.get("/other").status, 404U);
  EXPECT_EQ(asking.get("/../page.js").status, 404U);
  EXPECT_EQ(asking.get("").status, 404U);
}

TEST(ServeAnswer, refuses_a_name_that_is_not_ours) {
  const Asking asking;
  EXPECT_EQ(asking.ask({"GET", "/status.json", "rebound.example", "", false, 3}).status, 421U);
  EXPECT_EQ(asking.ask({"GET", "/status.json", "", "", false, 3}).status, 421U);
}

TEST(ServeAnswer, refuses_more_header_lines_than_anyone_needs) {
  const Asking asking;
  EXPECT_EQ(asking.ask({"GET", "/", "127.0.0.1", "", false, header_lines_max}).status, 200U);
  EXPECT_EQ(asking.ask({"GET", "/", "127.0.0.1", "", false, header_lines_max + 1}).status, 431U);
}

TEST(ServeAnswer, sends_a_file_that_the_browser_has_only_once) {
  const Asking asking;
  const PageFile& file = page_files().front();
  EXPECT_EQ(asking.ask({"GET", file.path, "127.0.0.1", file.etag, false, 3}).status, 304U);
  EXPECT_EQ(asking.ask({"GET", file.path, "127.0.0.1", "\"other\"", false, 3}).status, 200U);
}

TEST(ServeAnswer, lets_no_other_site_in) {
  bool policy = false;
  for (const auto& [name, value] : common_headers()) {
    EXPECT_FALSE(name.starts_with("Access-Control-"));
    policy = policy || (name == "Content-Security-Policy" && value.starts_with("default-src 'none'") &&
                        value.find("unsafe") == std::string_view::npos);
  }
  EXPECT_TRUE(policy);
}

}  // namespace
}  // namespace cw
