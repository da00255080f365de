// The style rules, run over the whole tree; and each rule shown to find what it is there to find.
#include <gtest/gtest.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <set>
#include <string>
#include <vector>

#include "tidy_rules.hpp"

namespace cw::tidy {
namespace {

namespace fs = std::filesystem;

constexpr std::size_t function_lines_max = 60;

SourceFile read(const fs::path& path) {
  std::ifstream in(path, std::ios::binary);
  EXPECT_TRUE(in.good()) << path;
  return {path.lexically_relative(CRANKWITNESS_SOURCE_DIR).generic_string(),
          std::string(std::istreambuf_iterator<char>(in), {})};
}

bool ends_with_one_of(const fs::path& path, const std::vector<std::string>& endings) {
  const std::string name = path.filename().string();
  return std::any_of(endings.begin(), endings.end(), [&](const std::string& ending) { return name.ends_with(ending); });
}

std::vector<SourceFile> files_in(const std::vector<std::string>& folders, const std::vector<std::string>& endings) {
  std::vector<SourceFile> files;
  for (const std::string& folder : folders) {
    for (const auto& entry : fs::recursive_directory_iterator(fs::path(CRANKWITNESS_SOURCE_DIR) / folder)) {
      if (entry.is_regular_file() && ends_with_one_of(entry.path(), endings)) {
        files.push_back(read(entry.path()));
      }
    }
  }
  return files;
}

const std::vector<SourceFile>& program_sources() {
  static const std::vector<SourceFile> files = files_in({"daemon", "drivers", "config"}, {".cpp", ".hpp", ".h"});
  return files;
}

template <typename Rule>
void expect_no_offence(const std::vector<SourceFile>& files, Rule rule) {
  EXPECT_FALSE(files.empty());
  for (const SourceFile& file : files) {
    for (const std::string& offence : rule(file)) {
      ADD_FAILURE() << offence;
    }
  }
}

std::string function_of(std::size_t lines, const std::string& head) {
  std::string text = head + " {\n";
  for (std::size_t i = 2; i < lines; ++i) {
    text += "  step();\n";
  }
  return text + "}\n";
}

TEST(TidyTree, functions_fit_on_a_screen) {
  expect_no_offence(program_sources(), [](const SourceFile& file) { return long_functions(file, function_lines_max); });
}

TEST(TidyTree, arrows_between_folders_run_one_way) {
  expect_no_offence(program_sources(), wrong_arrows);
}

TEST(TidyTree, pure_folders_see_no_clock_file_or_thread) {
  expect_no_offence(program_sources(), impurities);
}

TEST(TidyTree, only_drivers_and_observers_inherit) {
  expect_no_offence(program_sources(), foreign_bases);
}

TEST(TidyTree, no_compiler_flag_makes_builds_differ) {
  std::vector<SourceFile> files = files_in({"daemon", "drivers", "config", "tests"}, {"CMakeLists.txt", ".cmake"});
  files.push_back(read(fs::path(CRANKWITNESS_SOURCE_DIR) / "CMakeLists.txt"));
  files.push_back(read(fs::path(CRANKWITNESS_SOURCE_DIR) / "CMakePresets.json"));
  expect_no_offence(files, unsafe_flags);
}

TEST(TidyTree, nothing_is_called_utils) {
  static const std::set<std::string> bad = {"util", "utils", "helper", "helpers", "common", "misc"};
  for (const SourceFile& file : files_in({"daemon", "drivers", "config", "tests"}, {".cpp", ".hpp", ".h"})) {
    const fs::path path = file.path;
    EXPECT_FALSE(bad.contains(path.stem().string())) << file.path;
    EXPECT_FALSE(bad.contains(path.parent_path().filename().string())) << file.path;
  }
}

TEST(TidyRules, a_function_is_measured_from_its_head_to_its_brace) {
  EXPECT_TRUE(long_functions({"daemon/sync/a.cpp", function_of(60, "void f(int a)")}, 60).empty());
  const Offences found = long_functions({"daemon/sync/a.cpp", "\n" + function_of(61, "void f(int a)")}, 60);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_EQ(found.front(), "daemon/sync/a.cpp:2: 61 lines, at most 60 expected: void f(int a)");
}

TEST(TidyRules, long_functions_are_found_in_namespaces_and_classes) {
  const std::string members = "namespace a {\nclass B : public Driver {\n public:\n  B() : c_{1}, d_(2) {}\n" +
                              function_of(20, "  int f() const override") + "};\n" +
                              function_of(30, "template <typename T>\nstd::optional<T> g(T t)") + "}\n";
  const Offences found = long_functions({"daemon/sync/a.cpp", members}, 15);
  ASSERT_EQ(found.size(), 2U);
  EXPECT_NE(found[0].find(":5: 20 lines"), std::string::npos) << found[0];
  EXPECT_NE(found[1].find(":26: 31 lines"), std::string::npos) << found[1];
}

TEST(TidyRules, a_constructor_with_braced_initialisers_is_one_function) {
  const std::string text = function_of(20, "A::A(int b) : b_{b}, c_{1}");
  EXPECT_EQ(long_functions({"daemon/sync/a.cpp", text}, 15).size(), 1U);
  EXPECT_TRUE(long_functions({"daemon/sync/a.cpp", text}, 20).empty());
}

TEST(TidyRules, braces_in_comments_and_literals_do_not_count) {
  const std::string text =
      "void f() {\n  g(\"}{\", '{', 1'000'000);  // }\n  /* { */ h(R\"x({{)\")x\");\n}\n" + function_of(20, "void k()");
  EXPECT_EQ(long_functions({"daemon/sync/a.cpp", text}, 15).size(), 1U);
  EXPECT_TRUE(long_functions({"daemon/sync/a.cpp", text}, 20).empty());
}

TEST(TidyRules, a_type_and_a_plain_table_are_no_functions) {
  EXPECT_TRUE(long_functions({"daemon/sync/a.hpp", function_of(99, "struct A")}, 60).empty());
  EXPECT_TRUE(long_functions({"daemon/sync/a.hpp", function_of(99, "constexpr std::array<int, 3> a =")}, 60).empty());
}

TEST(TidyRules, an_include_against_the_arrows_is_found) {
  EXPECT_TRUE(wrong_arrows({"daemon/sync/a.cpp", "#include \"sync/a.hpp\"\n#include \"geometry/b.hpp\"\n"}).empty());
  const Offences found = wrong_arrows({"daemon/sync/a.cpp", "#include <vector>\n#include \"compare/b.hpp\"\n"});
  ASSERT_EQ(found.size(), 1U);
  EXPECT_EQ(found.front(), "daemon/sync/a.cpp:2: sync must not know compare: compare/b.hpp");
  EXPECT_EQ(wrong_arrows({"daemon/items/a.hpp", "#include \"geometry/angle.hpp\"\n"}).size(), 1U);
  EXPECT_EQ(wrong_arrows({"daemon/monitor/a.hpp", "#include \"record/a.hpp\"\n"}).size(), 1U);
  EXPECT_EQ(wrong_arrows({"daemon/simulate/a.cpp", "#include \"sync/a.hpp\"\n"}).size(), 1U);
  EXPECT_EQ(wrong_arrows({"drivers/a.cpp", "#include \"geometry/a.hpp\"\n"}).size(), 1U);
  EXPECT_EQ(wrong_arrows({"config/a.cpp", "#include \"monitor/a.hpp\"\n"}).size(), 1U);
  EXPECT_EQ(wrong_arrows({"daemon/newcomer/a.cpp", ""}).size(), 1U);
}

TEST(TidyRules, what_a_pure_folder_must_not_see_is_found) {
  for (const char* line :
       {"#include <fstream>", "#include <boost/asio.hpp>", "#include <boost/asio/post.hpp>",
        "#include <spdlog/spdlog.h>", "#include <chrono>", "#include <thread>", "#include <sys/stat.h>",
        "auto t = std::chrono::steady_clock::now();", "const auto t = system_clock::now();",
        "clock_gettime(CLOCK_MONOTONIC, &t);", "srand(time(nullptr));", "const std::time_t t = time(0);",
        "std::random_device device;", "throw std::runtime_error(\"x\");"}) {
    EXPECT_FALSE(impurities({"daemon/sync/a.cpp", std::string("\n") + line + "\n"}).empty()) << line;
    EXPECT_TRUE(impurities({"daemon/cli/a.cpp", std::string("\n") + line + "\n"}).empty()) << line;
  }
}

TEST(TidyRules, words_that_only_look_like_a_clock_are_let_through) {
  for (const char* line : {"const double late = end_time(cycle);", "// steady_clock is for others", "clock_trouble,",
                           "say(\"system_clock\");", "#include \"sync/chrono.hpp\"", "double time = 0;"}) {
    EXPECT_TRUE(impurities({"daemon/sync/a.cpp", std::string(line) + "\n"}).empty()) << line;
  }
}

TEST(TidyRules, a_base_of_another_name_is_found) {
  EXPECT_EQ(foreign_bases({"daemon/cli/a.hpp", "class A : public Base {\n"}).size(), 1U);
  EXPECT_EQ(foreign_bases({"daemon/cli/a.hpp", "struct A final : Base {\n"}).size(), 1U);
  EXPECT_TRUE(
      foreign_bases({"daemon/cli/a.hpp", "class A : public Observer {\nclass B final : public Driver {\n"}).empty());
  EXPECT_TRUE(foreign_bases({"daemon/cli/a.hpp", "enum class A : std::uint8_t {\n"}).empty());
}

TEST(TidyRules, a_flag_that_makes_builds_differ_is_found) {
  EXPECT_EQ(unsafe_flags({"CMakeLists.txt", "add_compile_options(-march=native)\n"}).size(), 1U);
  EXPECT_EQ(unsafe_flags({"CMakeLists.txt", "\nset(CMAKE_CXX_FLAGS_RELEASE \"-O3 -ffast-math\")\n"}).size(), 1U);
  EXPECT_TRUE(
      unsafe_flags({"CMakeLists.txt", "# never -march=native\nadd_compile_options(-ffp-contract=off)\n"}).empty());
}

}  // namespace
}  // namespace cw::tidy
