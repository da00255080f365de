#include "cli/output_thread.hpp"

#include <poll.h>
#include <pthread.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <climits>

namespace cw {

OutputThread::OutputThread(std::size_t bytes_max, std::chrono::milliseconds patience_at_end)
    : patience_(patience_at_end), queue_(bytes_max), thread_([this] { run(); }) {}

OutputThread::~OutputThread() {
  finish();
}

void OutputThread::push(OutputPiece piece) {
  std::size_t bytes = 0;
  for (const auto& [descriptor, text] : piece.parts) {
    bytes += text.size();
  }
  ++waiting_;
  if (finishing_ || !queue_.try_push(piece, bytes)) {
    --waiting_;
    left_out_ += piece.lines;
  }
}

std::uint64_t OutputThread::take_left_out() {
  return waiting_ == 0 ? left_out_.exchange(0) : 0;
}

std::uint64_t OutputThread::finish() {
  if (thread_.joinable()) {
    last_progress_ = std::chrono::steady_clock::now();
    finishing_ = true;
    queue_.close();
    thread_.join();
  }
  return left_out_.exchange(0);
}

void OutputThread::run() {
  ::pthread_setname_np(::pthread_self(), "output");
  while (const auto piece = queue_.pop()) {
    write(*piece);
    left_out_ += given_up_ ? piece->lines : 0;
    --waiting_;
  }
}

void OutputThread::write(const OutputPiece& piece) {
  for (const auto& [descriptor, text] : piece.parts) {
    write(descriptor, text);
  }
}

bool OutputThread::out_of_patience() const {
  return finishing_ && std::chrono::steady_clock::now() - last_progress_.load() >= patience_;
}

// Asked first whether there is room, and then no more than surely fits is written: a write that waits could not be given
// up, and making the descriptor not wait would do so to others who have it open.
void OutputThread::write(int descriptor, std::string_view text) {
  constexpr int look_up_ms = 100;
  while (!text.empty() && !given_up_) {
    pollfd wanted = {descriptor, POLLOUT, 0};
    if (::poll(&wanted, 1, look_up_ms) <= 0) {
      given_up_ = out_of_patience();
      continue;
    }
    const ssize_t put = ::write(descriptor, text.data(), std::min<std::size_t>(text.size(), PIPE_BUF));
    if (put < 0 && errno != EINTR && errno != EAGAIN) {
      return;  // no one is there to read it
    }
    if (put > 0) {
      text.remove_prefix(static_cast<std::size_t>(put));
      last_progress_ = std::chrono::steady_clock::now();
    }
  }
}

}  // namespace cw
