// Bytes in any cut to whole lines. No more of a line is ever kept than the longest that may be.
#pragma once

#include <algorithm>
#include <cstddef>
#include <cstring>
#include <span>
#include <string>
#include <string_view>
#include <utility>

namespace cw {

class LineCutter {
 public:
  explicit LineCutter(std::size_t line_max) : line_max_(line_max) {}

  // What has come of a line that has not ended is forgotten.
  void forget() {
    kept_.clear();
    skipping_ = false;
  }

  // Nothing has come of a line that has not ended.
  bool is_between_lines() const { return kept_.empty() && !skipping_; }

  // Calls take(line), without its LF, for each line that ends in `bytes`. A line of more than line_max bytes is taken
  // as soon as that is known, and what follows of it is passed over: it has more than line_max bytes then too. Ends,
  // with false, when take() says false.
  template <typename Take>
  bool read(std::span<const char> bytes, const Take& take) {
    while (!bytes.empty()) {
      const auto* const end = static_cast<const char*>(std::memchr(bytes.data(), '\n', bytes.size()));
      if (end == nullptr) {
        return keep_start(bytes, take);
      }
      const auto length = static_cast<std::size_t>(end - bytes.data());
      const std::string_view line(bytes.data(), length);
      bytes = bytes.subspan(length + 1);
      if (std::exchange(skipping_, false)) {
        continue;
      }
      if (kept_.empty() ? !take(line) : !take_kept(line, take)) {
        return false;
      }
    }
    return true;
  }

  // The input has ended: takes a last line that has no LF.
  template <typename Take>
  bool finish(const Take& take) {
    return kept_.empty() || take_kept({}, take);
  }

 private:
  template <typename Take>
  bool take_kept(std::string_view rest, const Take& take) {
    kept_.append(rest.substr(0, line_max_ + 1));
    const std::string whole = std::exchange(kept_, {});
    return take(whole);
  }

  template <typename Take>
  bool keep_start(std::span<const char> bytes, const Take& take) {
    if (skipping_) {
      return true;
    }
    kept_.append(bytes.data(), std::min(bytes.size(), line_max_ + 1));
    if (kept_.size() <= line_max_) {
      return true;
    }
    skipping_ = true;
    return take_kept({}, take);
  }

  std::size_t line_max_;
  std::string kept_;
  bool skipping_ = false;  // inside a line that is too long
};

}  // namespace cw
