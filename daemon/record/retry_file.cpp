#include "record/retry_file.hpp"

#include <algorithm>
#include <utility>

namespace cw {

namespace {

std::uint64_t lines_in(const std::string& text) {
  return static_cast<std::uint64_t>(std::count(text.begin(), text.end(), '\n'));
}

}  // namespace

RetryFile::RetryFile(FileLayer layer, std::size_t waiting_max, std::uint64_t reserve)
    : layer_(std::move(layer)), file_(layer_), waiting_max_(waiting_max), reserve_(reserve) {}

Problem RetryFile::create(const std::string& path, const std::string& first_lines) {
  DiskFile file(layer_);
  if (Problem problem = file.create(path)) {
    return problem;
  }
  if (!first_lines.empty()) {
    Problem problem = file.append(first_lines);
    problem = problem ? problem : file.sync();
    if (problem) {
      return problem;
    }
  }
  file_ = std::move(file);
  reserved_to_ = 0;
  keep_reserve();
  return std::nullopt;
}

Problem RetryFile::reopen(const std::string& path) {
  DiskFile file(layer_);
  if (Problem problem = file.reopen(path)) {
    return problem;
  }
  file_ = std::move(file);
  reserved_to_ = 0;
  keep_reserve();
  return std::nullopt;
}

// That it can't be kept is no trouble: it is a help for the case of a full disk.
void RetryFile::keep_reserve() {
  if (reserve_ > 0 && reserved_to_ < file_.size() + reserve_ / 2) {
    reserved_to_ = file_.size() + reserve_;
    layer_.reserve(file_.path(), reserved_to_);
  }
}

void RetryFile::add(const std::string& lines) {
  if (waiting_.size() + lines.size() > waiting_max_) {
    lost_lines_ += lines_in(lines);
    return;
  }
  waiting_ += lines;
  waiting_lines_ += lines_in(lines);
}

Problem RetryFile::write(bool sync) {
  if (waiting_.empty()) {
    return std::nullopt;
  }
  if (Problem problem = file_.append(waiting_)) {
    return problem;
  }
  waiting_.clear();
  waiting_lines_ = 0;
  keep_reserve();
  return sync ? file_.sync() : Problem();
}

Problem RetryFile::close() {
  if (!file_.is_open()) {
    return std::nullopt;
  }
  if (reserved_to_ > file_.size()) {
    file_.give_back_reserve();
  }
  Problem problem = file_.sync();
  Problem closing = file_.close();
  return problem ? problem : closing;
}

}  // namespace cw
