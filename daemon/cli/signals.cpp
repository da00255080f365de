#include "cli/signals.hpp"

#include <poll.h>
#include <sys/signalfd.h>
#include <unistd.h>

#include <array>

namespace cw {

namespace {

bool is_ignored(int signal) {
  struct sigaction action {};
  return ::sigaction(signal, nullptr, &action) == 0 && action.sa_handler == SIG_IGN;
}

// A descriptor of a terminal that was closed is no terminal any more (EIO).
bool has_terminal() {
  return ::isatty(STDIN_FILENO) == 1 || ::isatty(STDOUT_FILENO) == 1 || ::isatty(STDERR_FILENO) == 1;
}

sigset_t ending_signals() {
  sigset_t set;
  sigemptyset(&set);
  sigaddset(&set, SIGINT);
  sigaddset(&set, SIGTERM);
  return set;
}

void answer_once(int /*signal*/) {
  static constexpr char line[] =
      "crankwitness: still writing the session; once more ends it at once, what is on disk stays readable\n";
  // What can't be written can't be told, nor waited for; poll(2), write(2) and signal(2) are what a handler may call.
  pollfd wanted = {STDERR_FILENO, POLLOUT, 0};
  [[maybe_unused]] const ssize_t put = ::poll(&wanted, 1, 0) > 0 ? ::write(STDERR_FILENO, line, sizeof line - 1) : 0;
  ::signal(SIGINT, SIG_DFL);
  ::signal(SIGTERM, SIG_DFL);
}

}  // namespace

Signals::Signals() : had_terminal_(has_terminal()) {
  sigset_t set = ending_signals();
  if (!is_ignored(SIGHUP)) {
    sigaddset(&set, SIGHUP);
  }
  ::pthread_sigmask(SIG_BLOCK, &set, &before_);
  descriptor_ = ::signalfd(-1, &set, SFD_NONBLOCK | SFD_CLOEXEC);
}

Signals::~Signals() {
  while (next()) {
  }
  ::close(descriptor_);
  ::pthread_sigmask(SIG_SETMASK, &before_, nullptr);
}

std::optional<int> Signals::next() const {
  signalfd_siginfo info{};
  if (::read(descriptor_, &info, sizeof info) != static_cast<ssize_t>(sizeof info)) {
    return std::nullopt;
  }
  const int signal = static_cast<int>(info.ssi_signo);
  return signal == SIGHUP && had_terminal_ && !has_terminal() ? SIGTERM : signal;
}

void Signals::end_at_once_when_asked_twice() {
  struct sigaction action {};
  action.sa_handler = answer_once;
  action.sa_flags = SA_RESTART;  // what is being written is written to its end
  ::sigaction(SIGINT, &action, nullptr);
  ::sigaction(SIGTERM, &action, nullptr);
  const sigset_t set = ending_signals();
  ::pthread_sigmask(SIG_UNBLOCK, &set, nullptr);
}

}  // namespace cw
