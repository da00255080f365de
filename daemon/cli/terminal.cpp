#include "cli/terminal.hpp"

#include <unistd.h>

#include <algorithm>
#include <cstdint>
#include <cstdio>
#include <utility>

namespace cw {

Terminal::Terminal() : shows_status_(::isatty(STDERR_FILENO) == 1) {}

Terminal::~Terminal() {
  const std::lock_guard lock(mutex_);
  wipe();
}

void Terminal::wipe() {
  if (!status_.empty()) {
    std::fputs("\r\x1b[K", stderr);
  }
}

void Terminal::draw() {
  if (!status_.empty()) {
    std::fputs(status_.c_str(), stderr);
    std::fflush(stderr);
  }
}

void Terminal::print(std::string_view text) {
  const std::lock_guard lock(mutex_);
  wipe();
  std::fwrite(text.data(), 1, text.size(), stdout);
  std::fflush(stdout);
  draw();
}

void Terminal::complain(std::string_view line) {
  const std::lock_guard lock(mutex_);
  wipe();
  std::fwrite(line.data(), 1, line.size(), stderr);
  std::fputc('\n', stderr);
  draw();
}

void Terminal::status(std::string_view line) {
  if (!shows_status_) {
    return;
  }
  const std::lock_guard lock(mutex_);
  wipe();
  status_ = line;
  draw();
}

Progress::Progress(Terminal& terminal, std::string what, std::uint64_t total)
    : terminal_(terminal), what_(std::move(what)), total_(total), begin_(std::chrono::steady_clock::now()) {}

Progress::~Progress() {
  terminal_.status("");
}

void Progress::show(std::uint64_t done) {
  constexpr std::chrono::milliseconds redraw_after{200};
  const auto now = std::chrono::steady_clock::now();
  if (!terminal_.shows_status() || total_ == 0 || now - last_ < redraw_after) {
    return;
  }
  last_ = now;
  constexpr std::size_t width = 30;
  const double share = std::min(1.0, static_cast<double>(done) / static_cast<double>(total_));
  const double seconds = std::chrono::duration<double>(now - begin_).count();
  const auto filled = static_cast<std::size_t>(share * width);
  std::string line = what_ + " [" + std::string(filled, '#') + std::string(width - filled, '.') + "] ";
  line += std::to_string(static_cast<int>(share * 100)) + " %";
  if (share > 0.01 && seconds > 1) {
    line += ", " + std::to_string(static_cast<long>(seconds / share - seconds) + 1) + " s to go";
  }
  terminal_.status(line);
}

}  // namespace cw
