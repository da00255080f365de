// Reads typed values out of one TOML table and turns everything unexpected into a one-line error with its line.
#pragma once

#include <toml++/toml.h>

#include <cstddef>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace cw {

// Keeps the first complaint about a file; later ones are dropped, since they are often consequences of the first.
class Complaints {
 public:
  explicit Complaints(std::string_view file_name);

  // Adds "FILE:LINE: KEY: expected EXPECTED, found FOUND". Control characters are escaped: it stays one line.
  void add(int line, std::string_view key, std::string_view expected, std::string_view found);

  bool empty() const { return first_.empty(); }
  const std::string& first() const { return first_; }

 private:
  std::string file_name_;
  std::string first_;
};

// `text` with control characters escaped; longer than 60 bytes it is cut and ends in "...".
std::string printable(std::string_view text);
std::string printable_name(std::string_view file_name);  // escaped, never cut

// The shortest text that reads back as `value`.
std::string number_text(double value);

// What an error says was found at a node: the value itself, or its type where the value is long.
std::string found_text(const toml::node* node);

// Line of a node in its file, from 1.
int line_of(const toml::node& node);

// Allowed values of a number. `open_min` and `open_max` leave the bound itself out.
struct Range {
  double min = 0;
  double max = 0;
  bool open_min = false;
  bool open_max = false;
};
bool contains(const Range& range, double value);
std::string range_text(const Range& range);  // "from 0 to below 720"

// A word of the file and the value that it stands for.
template <typename Enum>
struct Word {
  std::string_view text;
  Enum value;
};

// One table of the file. The getters return nothing when the key is absent or its value is not as expected; in the
// second case the complaint is filed. `path` names the table in errors ("crank", "cam[2]", entries counted from 1).
class TableReader {
 public:
  // `table` and `complaints` must outlive the reader.
  TableReader(const toml::table& table, std::string path, Complaints& complaints);

  bool has(std::string_view key) const { return table_.get(key) != nullptr; }
  int line() const;                      // of the table's header
  int line(std::string_view key) const;  // of the key's value; of the header when the key is absent
  const toml::node* node(std::string_view key) const { return table_.get(key); }
  const toml::table& table() const { return table_; }

  std::optional<double> number(std::string_view key, const Range& range) const;
  // A number that must be one of `values`; `expected` says so in words.
  std::optional<double> one_of(std::string_view key, std::span<const double> values, std::string_view expected) const;
  std::optional<int> whole(std::string_view key, int min, int max) const;
  std::optional<std::string> text(std::string_view key, std::size_t max_bytes) const;
  std::optional<bool> flag(std::string_view key) const;
  // From `min_count` to `max_count` numbers, each in `range`.
  std::optional<std::vector<double>> numbers(std::string_view key, std::size_t min_count, std::size_t max_count,
                                             const Range& range) const;
  std::optional<std::vector<int>> wholes(std::string_view key, std::size_t min_count, std::size_t max_count, int min,
                                         int max) const;
  template <typename Enum>
  std::optional<Enum> word(std::string_view key, std::span<const Word<Enum>> words) const;

  // Files a complaint about `key` at its line. The second form says what was found from the file itself.
  void complain(std::string_view key, std::string_view expected, std::string_view found) const;
  void complain(std::string_view key, std::string_view expected) const;
  // About element `index` (from 0) of the array at `key`.
  void complain_at(std::string_view key, std::size_t index, std::string_view expected, std::string_view found) const;
  // About something below `key` that stands on a line of its own.
  void complain_at_line(int line, std::string_view key, std::string_view expected, std::string_view found) const;

  const std::string& path() const { return path_; }

 private:
  const toml::array* array(std::string_view key, std::size_t min_count, std::size_t max_count,
                           std::string_view what) const;
  std::string full_key(std::string_view key) const;

  const toml::table& table_;
  std::string path_;
  Complaints& complaints_;
};

template <typename Enum>
std::optional<Enum> TableReader::word(std::string_view key, std::span<const Word<Enum>> words) const {
  const toml::node* found = node(key);
  if (found == nullptr) {
    return std::nullopt;
  }
  const std::optional<std::string_view> text = found->value_exact<std::string_view>();
  std::string expected;
  for (std::size_t i = 0; i < words.size(); ++i) {
    if (text && *text == words[i].text) {
      return words[i].value;
    }
    expected += i == 0 ? "" : (i + 1 == words.size() ? " or " : ", ");
    expected += '"' + std::string(words[i].text) + '"';
  }
  complain(key, expected);
  return std::nullopt;
}

}  // namespace cw
