#include "tidy_rules.hpp"

#include <algorithm>
#include <array>
#include <cctype>
#include <map>
#include <optional>
#include <regex>
#include <set>
#include <utility>

#include "tests/unit/text_lines.hpp"

namespace cw::tidy {

namespace {

using Names = std::set<std::string, std::less<>>;

// DESIGN: items <- geometry, signals, clocks <- sync <- compare <- monitor <- {record, report, serve, cli}; drivers know
// only items; config knows geometry and signals; simulate shares only geometry (and the items below it) with the rest.
const std::map<std::string, Names, std::less<>>& arrows() {
  static const std::map<std::string, Names, std::less<>> table = {
      {"items", {}},
      {"text", {}},
      {"geometry", {"items"}},
      {"signals", {"items"}},
      {"clocks", {"items"}},
      {"sync", {"items", "geometry", "signals", "clocks"}},
      {"learn", {"items", "geometry", "sync"}},
      {"compare", {"items", "geometry", "signals", "clocks", "sync"}},
      {"monitor", {"items", "geometry", "signals", "clocks", "sync", "compare"}},
      {"record", {"items", "text", "geometry", "signals", "clocks", "sync", "compare", "monitor"}},
      {"report", {"items", "geometry", "signals", "clocks", "sync", "compare", "monitor", "record"}},
      {"serve", {"items", "text", "geometry", "signals", "clocks", "sync", "compare", "monitor", "record"}},
      {"cli",
       {"items", "text", "geometry", "signals", "clocks", "sync", "learn", "compare", "monitor", "record", "report",
        "serve", "simulate", "drivers", "config"}},
      {"simulate", {"items", "text", "geometry"}},
      {"drivers", {"items"}},
      {"config", {"items", "text", "geometry", "signals"}},
  };
  return table;
}

const Names& pure_folders() {
  static const Names names = {"items", "text",  "geometry", "signals", "clocks",
                              "sync",  "learn", "compare",  "monitor", "simulate"};
  return names;
}

// simulate/ is pure but for these, which read the scenario and write what came of it.
bool reads_or_writes_files(std::string_view path) {
  return path.starts_with("daemon/simulate/output_files") || path.starts_with("daemon/simulate/scenario_file");
}

// A function that is one table is as long as its table.
bool is_a_table(std::string_view path, std::string_view head) {
  static const std::array<std::pair<std::string_view, std::string_view>, 1> tables = {{
      {"daemon/compare/attribution.cpp", "rows()"},  // the attribution table: one row a circumstance
  }};
  return std::any_of(tables.begin(), tables.end(), [&](const auto& table) {
    return path == table.first && head.find(table.second) != std::string_view::npos;
  });
}

std::string offence(const SourceFile& file, std::size_t line, const std::string& what) {
  return file.path + ":" + std::to_string(line) + ": " + what;
}

using test::lines_of;

// For each line that `pattern` is found in: an offence with `what` and the words found.
void find_each(const SourceFile& file, const std::string& text, const std::regex& pattern, const std::string& what,
               Offences& out) {
  const std::vector<std::string> lines = lines_of(text);
  for (std::size_t i = 0; i < lines.size(); ++i) {
    std::smatch found;
    if (std::regex_search(lines[i], found, pattern)) {
      out.push_back(offence(file, i + 1, what + ": " + found.str()));
    }
  }
}

// Turns text into blanks piece by piece; what stands in a comment or a literal is found by its first characters.
class Blanker {
 public:
  explicit Blanker(std::string_view text) : text_(text), out_(text) {}

  std::string run() {
    while (at_ < text_.size()) {
      if (starts("//")) {
        blank_to(text_.find('\n', at_));
      } else if (starts("/*")) {
        blank_past(text_.find("*/", at_ + 2), 2);
      } else if (starts("R\"")) {
        blank_raw_string();
      } else if (text_[at_] == '"' || (text_[at_] == '\'' && !within_number())) {
        blank_literal(text_[at_]);
      } else {
        ++at_;
      }
    }
    return std::move(out_);
  }

 private:
  bool starts(std::string_view what) const { return text_.substr(at_, what.size()) == what; }

  // 1'000'000 is no character literal.
  bool within_number() const { return at_ > 0 && std::isalnum(static_cast<unsigned char>(text_[at_ - 1])) != 0; }

  void blank_to(std::size_t end) {
    for (end = std::min(end, text_.size()); at_ < end; ++at_) {
      out_[at_] = text_[at_] == '\n' ? '\n' : ' ';
    }
  }

  void blank_past(std::size_t end, std::size_t size) {
    blank_to(end == std::string_view::npos ? text_.size() : end + size);
  }

  void blank_literal(char quote) {
    std::size_t end = at_ + 1;
    while (end < text_.size() && text_[end] != quote && text_[end] != '\n') {
      end += text_[end] == '\\' ? 2 : 1;
    }
    ++at_;
    blank_to(end);
    ++at_;
  }

  void blank_raw_string() {
    const std::size_t open = std::min(text_.find('(', at_), text_.size() - 1);
    const std::string closing = ")" + std::string(text_.substr(at_ + 2, open - at_ - 2)) + "\"";
    blank_past(text_.find(closing, open), closing.size());
  }

  std::string_view text_;
  std::string out_;
  std::size_t at_ = 0;
};

enum class Scope { outer, function, other };

// Walks over braces. A brace at the level of namespaces and types whose head has parentheses opens a function.
class FunctionFinder {
 public:
  FunctionFinder(const SourceFile& file, std::size_t lines_max)
      : file_(file), lines_max_(lines_max), code_(without_directives(code_only(file.text))) {}

  Offences run() {
    for (at_ = 0; at_ < code_.size(); ++at_) {
      const char letter = code_[at_];
      line_ += letter == '\n' ? 1 : 0;
      if (letter == '{') {
        open();
      } else if (letter == '}') {
        close();
      } else if (letter == ';' && in_outer()) {
        head_.clear();
      } else if (in_outer() && (!head_.empty() || std::isspace(static_cast<unsigned char>(letter)) == 0)) {
        head_line_ = head_.empty() ? line_ : head_line_;
        head_ += letter;
      }
    }
    return std::move(offences_);
  }

 private:
  struct Open {
    Scope scope;
    std::string head;
    std::size_t head_line;
  };

  static std::string without_directives(const std::string& code) {
    std::string out;
    for (const std::string& line : lines_of(code)) {
      out += line.starts_with("#") ? "" : line;
      out += '\n';
    }
    return out;
  }

  static std::string first_line(const std::string& head) {
    const std::string line = lines_of(head).front();
    return line.substr(0, line.find_last_not_of(' ') + 1);
  }

  bool in_outer() const { return open_.empty() || open_.back().scope == Scope::outer; }

  Scope scope_of_head() const {
    static const std::regex outer(R"(^(template\s*<.*>\s*)?(inline\s+)?(namespace|struct|class|union|enum|extern)\b)");
    if (!in_outer()) {
      return Scope::other;
    }
    const bool parentheses = head_.find('(') != std::string::npos;
    if (!parentheses && std::regex_search(head_, outer)) {
      return Scope::outer;
    }
    return parentheses ? Scope::function : Scope::other;
  }

  void open() {
    const Scope scope = scope_of_head();
    open_.push_back({scope, head_, head_line_});
    if (scope == Scope::outer) {
      head_.clear();
    }
  }

  // `b_{y}` among a constructor's initialisers: what follows belongs to the same head.
  bool head_goes_on() const {
    const std::size_t next = code_.find_first_not_of(" \n", at_ + 1);
    return next != std::string::npos && (code_[next] == ',' || code_[next] == '{');
  }

  void close() {
    if (open_.empty()) {
      return;
    }
    const Open closed = std::move(open_.back());
    open_.pop_back();
    if (!in_outer()) {
      return;
    }
    if (closed.scope != Scope::outer && head_goes_on()) {
      head_ = closed.head + "{}";
      head_line_ = closed.head_line;
      return;
    }
    head_.clear();
    const std::size_t lines = line_ - closed.head_line + 1;
    if (closed.scope == Scope::function && lines > lines_max_ && !is_a_table(file_.path, closed.head)) {
      offences_.push_back(offence(file_, closed.head_line,
                                  std::to_string(lines) + " lines, at most " + std::to_string(lines_max_) +
                                      " expected: " + first_line(closed.head)));
    }
  }

  const SourceFile& file_;
  std::size_t lines_max_;
  std::string code_;
  std::size_t at_ = 0;
  std::size_t line_ = 1;
  std::string head_;
  std::size_t head_line_ = 1;
  std::vector<Open> open_;
  Offences offences_;
};

}  // namespace

std::string code_only(std::string_view text) {
  return Blanker(text).run();
}

std::string folder_of(std::string_view path) {
  constexpr std::string_view daemon = "daemon/";
  path = path.starts_with(daemon) ? path.substr(daemon.size()) : path;
  return std::string(path.substr(0, path.find('/')));
}

Offences long_functions(const SourceFile& file, std::size_t lines_max) {
  return FunctionFinder(file, lines_max).run();
}

Offences wrong_arrows(const SourceFile& file) {
  static const std::regex include(R"(^\s*#\s*include\s*"([^"]+)\")");
  const std::string here = folder_of(file.path);
  const auto known = arrows().find(here);
  Offences out;
  if (known == arrows().end()) {
    out.push_back(offence(file, 1, "the folder " + here + " has no place among the arrows"));
    return out;
  }
  const std::vector<std::string> lines = lines_of(file.text);
  for (std::size_t i = 0; i < lines.size(); ++i) {
    std::smatch found;
    if (!std::regex_search(lines[i], found, include)) {
      continue;
    }
    const std::string there = folder_of(found[1].str());
    if (there != here && !known->second.contains(there)) {
      std::string what = here;
      what.append(" must not know ").append(there).append(": ").append(found[1].str());
      out.push_back(offence(file, i + 1, what));
    }
  }
  return out;
}

Offences impurities(const SourceFile& file) {
  static const std::regex include(
      R"(^\s*#\s*include\s*<(boost/asio|spdlog|fstream|filesystem|iostream|cstdio|stdio\.h|chrono|ctime|time\.h|)"
      R"(thread|mutex|condition_variable|atomic|future|unistd\.h|fcntl\.h|sys/|linux/|net))");
  static const std::regex clock(
      R"(\b(steady_clock|system_clock|high_resolution_clock|clock_gettime|gettimeofday|clock\s*\(\s*\)|time\s*\(\s*(NULL|nullptr|0|&)))");
  static const std::regex chance(R"(\b(random_device|s?rand\s*\(|getrandom|getentropy)\b)");
  static const std::regex exception(R"(\b(throw|try)\b)");
  Offences out;
  if (!pure_folders().contains(folder_of(file.path)) || reads_or_writes_files(file.path)) {
    return out;
  }
  const std::string code = code_only(file.text);
  find_each(file, code, include, "a pure folder sees no file, clock, thread, log or socket", out);
  find_each(file, code, clock, "a pure folder knows time only from items", out);
  find_each(file, code, chance, "a pure folder has no chance but from a seed", out);
  find_each(file, code, exception, "a pure folder returns what went wrong", out);
  return out;
}

Offences foreign_bases(const SourceFile& file) {
  static const std::regex base(
      R"(^(template\s*<.*>\s*|\s)*(class|struct)\s+\w+\s*(final\s*)?:(?!:)\s*((public|private|protected|virtual)\s+)*(?!Driver\b|Observer\b|spdlog::|public\b|private\b|protected\b|virtual\b)[\w:]+)");
  Offences out;
  find_each(file, code_only(file.text), base, "only the driver interface and the observer have heirs", out);
  return out;
}

Offences unsafe_flags(const SourceFile& file) {
  static const std::regex flag(
      R"(-march=|-mtune=|-mcpu=|-Ofast|-ffast-math|-funsafe-math|-fassociative-math|-ffp-contract=fast|-mfma)");
  std::string text;
  for (const std::string& line : lines_of(file.text)) {
    text += line.substr(0, line.find('#'));
    text += '\n';
  }
  Offences out;
  find_each(file, text, flag, "every machine and every build must print the same bytes", out);
  return out;
}

}  // namespace cw::tidy
