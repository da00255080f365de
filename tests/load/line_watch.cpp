#include "line_watch.hpp"

#include <fcntl.h>
#include <poll.h>
#include <sys/inotify.h>
#include <unistd.h>

#include <algorithm>
#include <array>

#include "cli/live_input.hpp"
#include "process_look.hpp"

namespace cw::load {

LineWatch::LineWatch(const std::vector<std::string>& paths)
    : notices_(::inotify_init1(IN_NONBLOCK | IN_CLOEXEC)), seen_(paths.size()) {
  for (const std::string& path : paths) {
    ::inotify_add_watch(notices_, path.c_str(), IN_MODIFY);
    const int descriptor = ::open(path.c_str(), O_RDONLY | O_CLOEXEC);
    files_.push_back({descriptor, ::lseek(descriptor, 0, SEEK_END)});
  }
  thread_ = std::thread([this] { watch(); });
}

LineWatch::~LineWatch() {
  stop();
  for (const File& file : files_) {
    ::close(file.descriptor);
  }
  ::close(notices_);
}

std::vector<std::vector<std::int64_t>> LineWatch::stop() {
  stopping_ = true;
  if (thread_.joinable()) {
    thread_.join();
  }
  return seen_;
}

void LineWatch::watch() {
  go_first();
  constexpr int look_up_ms = 50;
  while (!stopping_) {
    pollfd wanted = {notices_, POLLIN, 0};
    if (::poll(&wanted, 1, look_up_ms) > 0) {
      std::array<char, 4096> notices{};
      while (::read(notices_, notices.data(), notices.size()) > 0) {
      }
    }
    take_new_lines();
  }
}

void LineWatch::take_new_lines() {
  std::array<char, 65536> bytes{};
  for (std::size_t i = 0; i < files_.size(); ++i) {
    for (ssize_t got = 1; got > 0;) {
      got = ::pread(files_[i].descriptor, bytes.data(), bytes.size(), files_[i].read_to);
      const std::int64_t now_ns = host_now_ns();
      const auto count = std::count(bytes.begin(), bytes.begin() + std::max<ssize_t>(got, 0), '\n');
      seen_[i].insert(seen_[i].end(), static_cast<std::size_t>(count), now_ns);
      files_[i].read_to += std::max<ssize_t>(got, 0);
    }
  }
}

}  // namespace cw::load
