#include "expectation.hpp"

#include <algorithm>
#include <array>
#include <set>

#include <toml++/toml.h>

#include "items/observation.hpp"

namespace cw::replay_logs {

namespace {

using Problems = std::vector<std::string>;

bool is_kind(const std::string& text) {
  for (int i = 0; i <= static_cast<int>(FindingKind::clock_trouble); ++i) {
    if (to_string(static_cast<FindingKind>(i)) == text) {
      return true;
    }
  }
  return false;
}

bool is_severity(const std::string& text) {
  return text == "info" || text == "warning" || text == "fault";
}

bool is_state(const std::string& text) {
  for (int i = 0; i <= static_cast<int>(LockState::lost); ++i) {
    if (to_string(static_cast<LockState>(i)) == text) {
      return true;
    }
  }
  return false;
}

bool is_wanted_state(const std::string& text) {
  return text == no_lock || is_state(text);
}

bool is_attribution(const std::string& text) {
  for (int i = 0; i <= static_cast<int>(Attribution::undecided); ++i) {
    if (to_string(static_cast<Attribution>(i)) == text) {
      return true;
    }
  }
  return false;
}

bool any_text(const std::string& text) {
  return !text.empty();
}

// One table of the file. Each read marks its key as known; finish() complains about the others.
class Table {
 public:
  Table(const toml::table& table, std::string name, Problems& problems)
      : table_(table), name_(std::move(name)), problems_(problems) {}

  const toml::node* find(const std::string& key) {
    known_.insert(key);
    return table_.get(key);
  }
  int line() const { return static_cast<int>(table_.source().begin.line); }

  void complain(const std::string& key, const std::string& expected, const toml::node* at = nullptr) {
    const auto line = at != nullptr ? at->source().begin.line : table_.source().begin.line;
    problems_.push_back(name_ + ":" + std::to_string(line) + ": " + key + ": expected " + expected);
  }

  std::optional<std::string> text(const std::string& key, bool (*allowed)(const std::string&), const char* expected) {
    const toml::node* node = find(key);
    if (node == nullptr) {
      return std::nullopt;
    }
    auto value = node->value_exact<std::string>();
    if (!value || !allowed(*value)) {
      complain(key, expected, node);
      return std::nullopt;
    }
    return value;
  }
  std::string wanted_text(const std::string& key, bool (*allowed)(const std::string&), const char* expected) {
    std::optional<std::string> value = text(key, allowed, expected);
    if (!value && table_.get(key) == nullptr) {
      complain(key, expected);
    }
    return std::move(value).value_or("");
  }
  std::optional<double> number(const std::string& key) {
    const toml::node* node = find(key);
    if (node == nullptr) {
      return std::nullopt;
    }
    if (!node->is_number()) {
      complain(key, "a number", node);
    }
    return node->value<double>();
  }
  double wanted_number(const std::string& key) {
    const std::optional<double> value = number(key);
    if (!value && table_.get(key) == nullptr) {
      complain(key, "a number");
    }
    return value.value_or(0);
  }
  std::optional<int> integer(const std::string& key, int least) {
    const toml::node* node = find(key);
    if (node == nullptr) {
      return std::nullopt;
    }
    const auto value = node->value_exact<std::int64_t>();
    if (!value || *value < least || *value > 1'000'000) {
      complain(key, "an integer, at least " + std::to_string(least), node);
      return std::nullopt;
    }
    return static_cast<int>(*value);
  }
  std::optional<bool> flag(const std::string& key) {
    const toml::node* node = find(key);
    if (node == nullptr) {
      return std::nullopt;
    }
    if (!node->is_boolean()) {
      complain(key, "true or false", node);
    }
    return node->value_exact<bool>();
  }
  std::optional<About> about(const std::string& key) {
    const toml::node* node = find(key);
    if (node == nullptr) {
      return std::nullopt;
    }
    const toml::array* pair = node->as_array();
    if (pair == nullptr || pair->size() != 2 || !(*pair)[0].is_number() || !(*pair)[1].is_number() ||
        (*pair)[1].value_or(0.0) <= 0) {
      complain(key, "[value, within] with within above 0", node);
      return std::nullopt;
    }
    return About{(*pair)[0].value_or(0.0), (*pair)[1].value_or(0.0)};
  }
  std::vector<std::pair<std::string, About>> abouts(const std::string& key) {
    std::vector<std::pair<std::string, About>> all;
    const toml::node* node = find(key);
    if (node == nullptr) {
      return all;
    }
    if (!node->is_table()) {
      complain(key, "a table of name = [value, within]", node);
      return all;
    }
    Table inner(*node->as_table(), name_, problems_);
    for (const auto& [name, value] : *node->as_table()) {
      if (const auto known = inner.about(std::string(name.str()))) {
        all.emplace_back(std::string(name.str()), *known);
      }
    }
    return all;
  }
  // The tables of an array of tables.
  std::vector<const toml::table*> tables(const std::string& key) {
    std::vector<const toml::table*> all;
    const toml::node* node = find(key);
    if (node == nullptr) {
      return all;
    }
    const toml::array* array = node->as_array();
    if (array == nullptr ||
        !std::all_of(array->begin(), array->end(), [](const auto& one) { return one.is_table(); })) {
      complain(key, "[[" + key + "]] tables", node);
      return all;
    }
    for (const toml::node& one : *array) {
      all.push_back(one.as_table());
    }
    return all;
  }
  const toml::table* table(const std::string& key) {
    const toml::node* node = find(key);
    if (node != nullptr && !node->is_table()) {
      complain(key, "a table", node);
    }
    return node != nullptr ? node->as_table() : nullptr;
  }
  void finish() {
    for (const auto& [key, value] : table_) {
      if (!known_.contains(std::string(key.str()))) {
        complain(std::string(key.str()), "no such key", &value);
      }
    }
  }

 private:
  const toml::table& table_;
  std::string name_;
  Problems& problems_;
  std::set<std::string> known_;
};

WantedFinding read_finding(Table table) {
  WantedFinding wanted;
  wanted.line = table.line();
  wanted.kind = table.wanted_text("kind", is_kind, "a kind of finding");
  wanted.times = table.integer("times", 1).value_or(1);
  wanted.also = table.flag("also").value_or(false);
  wanted.severity = table.text("severity", is_severity, "info, warning or fault");
  wanted.channel = table.text("channel", any_text, "a name");
  wanted.tooth = table.integer("tooth", 1);
  wanted.angle_deg = table.about("angle_deg");
  wanted.time_s = table.about("time_s");
  wanted.rpm = table.about("rpm");
  wanted.count = table.about("count");
  wanted.attribution = table.text("attribution", is_attribution, "an attribution");
  wanted.closed = table.flag("closed");
  wanted.values = table.abouts("values");
  table.finish();
  return wanted;
}

WantedLock read_lock(Table table) {
  WantedLock lock;
  lock.state = table.wanted_text("state", is_wanted_state, "a lock state, or none");
  if (lock.state == no_lock) {
    table.finish();
    return lock;
  }
  lock.within_s = table.wanted_number("within_s");
  lock.holds = table.flag("holds").value_or(true);
  lock.end_state = table.text("end_state", is_state, "a lock state").value_or(lock.state);
  lock.cycles_least = table.integer("cycles_least", 1).value_or(1);
  table.finish();
  return lock;
}

WantedMeasure read_measure(Table table) {
  WantedMeasure measure;
  measure.line = table.line();
  measure.column = table.wanted_text("column", any_text, "a column of the cycles file");
  measure.from_s = table.wanted_number("from_s");
  measure.to_s = table.wanted_number("to_s");
  const std::optional<About> median = table.about("median");
  if (!median) {
    table.complain("median", "[value, within]");
  }
  measure.median = median.value_or(About{});
  measure.all_within = table.number("all_within");
  table.finish();
  return measure;
}

WantedTdc read_truth(Table table) {
  WantedTdc truth;
  truth.within_deg = table.wanted_number("within_deg");
  const toml::node* node = table.find("tdc_ns");
  const toml::array* array = node != nullptr ? node->as_array() : nullptr;
  if (array != nullptr) {
    for (const toml::node& one : *array) {
      truth.tdc_ns.push_back(one.value_exact<std::int64_t>().value_or(-1));
    }
  }
  const bool sound =
      !truth.tdc_ns.empty() && truth.tdc_ns.front() >= 0 && std::is_sorted(truth.tdc_ns.begin(), truth.tdc_ns.end());
  if (!sound) {
    table.complain("tdc_ns", "a list of integers, ascending, not empty", node);
  }
  if (truth.within_deg <= 0) {
    table.complain("within_deg", "more than 0");
  }
  table.finish();
  return truth;
}

void read_origin(Table& top, Expectation& expectation) {
  expectation.what = top.wanted_text("what", any_text, "what this log is, in words");
  expectation.engine_file = top.text("engine_file", any_text, "a path").value_or("");
  expectation.engine_text = top.text("engine", any_text, "the text of an engine file").value_or("");
  expectation.scenario = top.text("scenario", any_text, "the text of a scenario file").value_or("");
  expectation.origin = top.text("origin", any_text, "where the recording is from").value_or("");
  expectation.can_shift_s = top.number("can_shift_s");
  expectation.can_only = top.flag("can_only").value_or(false);
  if (expectation.engine_file.empty() == expectation.engine_text.empty()) {
    top.complain("engine", "either engine (text) or engine_file (path)");
  }
  if (expectation.scenario.empty() == expectation.origin.empty()) {
    top.complain("scenario", "either scenario (text) or origin (words)");
  }
}

Expectation read_all(const toml::table& root, const std::string& name, Problems& problems) {
  Expectation expectation;
  Table top(root, name, problems);
  read_origin(top, expectation);
  for (const toml::table* one : top.tables("find")) {
    expectation.find.push_back(read_finding({*one, name, problems}));
  }
  for (const toml::table* one : top.tables("may_find")) {
    expectation.may_find.push_back(read_finding({*one, name, problems}));
  }
  expectation.nothing_else = top.wanted_text("nothing_else", is_severity, "info, warning or fault");
  if (const toml::node* never = top.find("never")) {
    const toml::array* kinds = never->as_array();
    for (std::size_t i = 0; kinds != nullptr && i < kinds->size(); ++i) {
      expectation.never.push_back((*kinds)[i].value_or(std::string()));
    }
    if (expectation.never.empty() || !std::all_of(expectation.never.begin(), expectation.never.end(), is_kind)) {
      top.complain("never", "a list of kinds of findings", never);
    }
  }
  if (const toml::table* lock = top.table("lock")) {
    expectation.lock = read_lock({*lock, name, problems});
  } else {
    top.complain("lock", "a [lock] table: a log without one expects nothing of the sync");
  }
  for (const toml::table* one : top.tables("measure")) {
    expectation.measures.push_back(read_measure({*one, name, problems}));
  }
  if (const toml::table* truth = top.table("truth")) {
    expectation.truth = read_truth({*truth, name, problems});
  }
  top.finish();
  return expectation;
}

}  // namespace

std::variant<Expectation, std::vector<std::string>> read_expectation(std::string_view text, const std::string& name) {
  Problems problems;
  Expectation expectation;
  try {
    expectation = read_all(toml::parse(text, name), name, problems);
  } catch (const toml::parse_error& error) {
    problems.push_back(name + ":" + std::to_string(error.source().begin.line) + ": " +
                       std::string(error.description()));
  }
  if (!problems.empty()) {
    return problems;
  }
  return expectation;
}

}  // namespace cw::replay_logs
