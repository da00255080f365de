// What is written about the command line, in the man page and the README, is what the real program does.
#include <gtest/gtest.h>

#include <map>
#include <regex>
#include <set>

#include "cli/version.hpp"
#include "tests/unit/cli/program.hpp"
#include "tests/unit/text_lines.hpp"

namespace cw {
namespace {

const std::string source = CRANKWITNESS_SOURCE_DIR;

// The man page as read: without font changes and roff's escapes of the hyphen.
std::string man_page() {
  std::string text = test::file_text(source + "/config/man/crankwitness.1");
  text = std::regex_replace(text, std::regex(R"(\\f[A-Z])"), "");
  return std::regex_replace(text, std::regex(R"(\\-)"), "-");
}

// The part below a heading, up to the next of the same kind or above it.
std::string part_of(const std::string& text, const std::string& heading, const std::regex& next) {
  const std::size_t at = text.find(heading + "\n");
  EXPECT_NE(at, std::string::npos) << heading;
  const std::string rest = at == std::string::npos ? "" : text.substr(at + heading.size() + 1);
  std::smatch end;
  return std::regex_search(rest, end, next) ? rest.substr(0, static_cast<std::size_t>(end.position())) : rest;
}

std::set<std::string> all_of(const std::string& text, const std::string& pattern) {
  const std::regex wanted(pattern);
  std::set<std::string> found;
  for (std::sregex_iterator at(text.begin(), text.end(), wanted), end; at != end; ++at) {
    found.insert((*at)[1].str());
  }
  return found;
}

std::string help_of(const std::string& command) {
  const test::ScratchFolder folder;
  const auto ended = test::run_program(
      folder, command.empty() ? std::vector<std::string>{"--help"} : std::vector<std::string>{command, "--help"});
  EXPECT_EQ(ended.code, 0) << ended.err;
  return ended.out;
}

// Lines of help are "  --name ..." or "  -h,--help ...".
std::set<std::string> options_of_help(const std::string& help) {
  return all_of(help, R"(\n {2}(?:-\w,)?(--[a-z-]+))");
}

TEST(ManPage, has_each_command_and_option_of_the_real_help_and_no_other) {
  const std::string page = man_page();
  const std::string help = help_of("");
  const auto commands = all_of(help.substr(help.find("Subcommands:")), R"(\n {2}([a-z]+) )");
  EXPECT_GE(commands.size(), 4U);
  EXPECT_EQ(all_of(part_of(page, ".SH COMMANDS", std::regex("\n\\.SH ")), R"(\.SS ([a-z-]+))"), commands);
  const std::string general = part_of(page, ".SH OPTIONS", std::regex("\n\\.SH "));
  for (const std::string& option : options_of_help(help)) {
    EXPECT_NE(general.find(option), std::string::npos) << option;
  }
  for (const std::string& command : commands) {
    EXPECT_NE(page.find(".B crankwitness " + command + "\n"), std::string::npos) << command << " in the synopsis";
    auto options = options_of_help(help_of(command));
    EXPECT_EQ(options.erase("--help"), 1U);
    const std::string part = part_of(page, ".SS " + command, std::regex("\n\\.S[SH] "));
    EXPECT_EQ(all_of(part, R"(\n\.TP\n\.BI? (--[a-z-]+))"), options) << command;
  }
}

std::map<int, std::string> codes_of(const std::string& text, const std::string& pattern) {
  const std::regex wanted(pattern);
  std::map<int, std::string> found;
  for (std::sregex_iterator at(text.begin(), text.end(), wanted), end; at != end; ++at) {
    found[std::stoi((*at)[1].str())] = (*at)[2].str();
  }
  return found;
}

// Without markup and line breaks, so that only the words are compared.
std::map<int, std::string> plain(std::map<int, std::string> codes) {
  for (auto& [code, words] : codes) {
    words = std::regex_replace(words, std::regex(R"(\.B |`)"), "");
    std::replace(words.begin(), words.end(), '\n', ' ');
  }
  return codes;
}

TEST(ExitCodes, are_the_same_in_the_code_the_readme_the_man_page_and_the_help) {
  const auto in_code = codes_of(test::file_text(source + "/daemon/cli/exit_code.hpp"), R"(\w+ = (\d+), +// ([^\n]*))");
  EXPECT_GE(in_code.size(), 7U);
  const auto in_readme =
      plain(codes_of(part_of(test::file_text(source + "/README.md"), "### Exit codes", std::regex("\n###? ")),
                     R"(\| (\d+) \| ([^|]*) \|)"));
  const auto in_page = plain(codes_of(part_of(man_page(), ".SH EXIT STATUS", std::regex("\n\\.(SH|PP)")),
                                      R"(\.TP\n\.B (\d+)\n((?:[^\n]|\n(?!\.TP))*))"));
  EXPECT_EQ(in_readme, in_page) << "word for word";
  const std::string help = help_of("");
  const auto in_help = codes_of(help.substr(help.find("Exit codes:")), R"((\d) ([^;.]*)[;.])");
  for (const auto* codes : {&in_readme, &in_page, &in_help}) {
    EXPECT_EQ(codes->size(), in_code.size());
    for (const auto& [code, words] : in_code) {
      EXPECT_TRUE(codes->contains(code)) << code << " " << words;
    }
  }
}

TEST(Version, is_that_of_the_project_in_program_man_page_and_package) {
  const test::ScratchFolder folder;
  const auto ended = test::run_program(folder, {"--version"});
  EXPECT_EQ(ended.code, 0);
  EXPECT_EQ(ended.out, program_version() + "\n");
  EXPECT_NE(man_page().find('"' + program_version() + '"'), std::string::npos);
  const std::string number = program_version().substr(program_version().find(' ') + 1);
  EXPECT_TRUE(test::file_text(source + "/config/debian/changelog").starts_with("crankwitness (" + number + ")"));
}

}  // namespace
}  // namespace cw
