#include "cli/terminal.hpp"

#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <utility>

namespace cw {

namespace {

constexpr std::size_t waiting_bytes_max = std::size_t{16} * 1024 * 1024;  // of findings some 13,000
constexpr const char* wiped = "\r\x1b[K";

void write_whole(int descriptor, std::string_view text) {
  while (!text.empty()) {
    const ssize_t put = ::write(descriptor, text.data(), text.size());
    if (put < 0 && errno != EINTR) {
      return;  // no one is there to read it
    }
    text.remove_prefix(static_cast<std::size_t>(std::max<ssize_t>(put, 0)));
  }
}

std::uint64_t lines_in(std::string_view text) {
  return static_cast<std::uint64_t>(std::count(text.begin(), text.end(), '\n'));
}

}  // namespace

Terminal::Terminal(Reader reader)
    : shows_status_(::isatty(STDERR_FILENO) == 1), one_screen_(shows_status_ && ::isatty(STDOUT_FILENO) == 1) {
  if (reader == Reader::never_waited_for) {
    output_ = std::make_unique<OutputThread>(waiting_bytes_max);
    errors_ = one_screen_ ? nullptr : std::make_unique<OutputThread>(waiting_bytes_max, std::chrono::seconds(2));
  }
}

Terminal::~Terminal() {
  status("");
}

void Terminal::put(OutputThread* thread, OutputPiece piece) {
  if (thread != nullptr) {
    thread->push(std::move(piece));
    return;
  }
  for (const auto& [descriptor, text] : piece.parts) {
    write_whole(descriptor, text);
  }
}

void Terminal::print(std::string_view text) {
  const std::lock_guard lock(mutex_);
  OutputPiece piece;
  piece.lines = lines_in(text);
  const bool status_stands_there = one_screen_ && !status_.empty();
  if (status_stands_there) {
    piece.parts.emplace_back(STDERR_FILENO, wiped);
  }
  piece.parts.emplace_back(STDOUT_FILENO, text);
  if (status_stands_there) {
    piece.parts.emplace_back(STDERR_FILENO, status_);
  }
  put(output_.get(), std::move(piece));
}

void Terminal::complain(std::string_view line) {
  const std::lock_guard lock(mutex_);
  std::string text = status_.empty() ? "" : wiped;
  text.append(line).append("\n").append(status_);
  put(errors_ ? errors_.get() : output_.get(), {{{STDERR_FILENO, std::move(text)}}, 1});
}

void Terminal::status(std::string_view line) {
  const std::lock_guard lock(mutex_);
  if (!shows_status_ || line == status_) {
    return;
  }
  std::string text = status_.empty() ? "" : wiped;
  status_ = line;
  put(errors_ ? errors_.get() : output_.get(), {{{STDERR_FILENO, text + status_}}, 0});
}

std::uint64_t Terminal::take_left_out() {
  return output_ ? output_->take_left_out() : 0;
}

std::uint64_t Terminal::finish_output() {
  return output_ ? output_->finish() : 0;
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
