#include "cli/report_queue.hpp"

#include <fcntl.h>
#include <poll.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <csignal>
#include <cstring>
#include <utility>

#include "cli/exit_code.hpp"

namespace cw {

namespace {

constexpr std::size_t words_max = 2048;  // of what a child complains about

// In the child, after fork() in a program with threads: only what is async-signal-safe.
[[noreturn]] void become_report(const char* program, const char* folder, int error_pipe) {
  constexpr int lowest_priority = 19;
  constexpr int no_such_program = 127;
  ::setpgid(0, 0);  // Ctrl-C is for the recorder
  ::setpriority(PRIO_PROCESS, 0, lowest_priority);
  sigset_t none;
  ::sigemptyset(&none);
  ::pthread_sigmask(SIG_SETMASK, &none, nullptr);
  ::signal(SIGPIPE, SIG_DFL);
  const int nowhere = ::open("/dev/null", O_RDWR);
  ::dup2(nowhere, STDIN_FILENO);
  ::dup2(nowhere, STDOUT_FILENO);
  ::dup2(error_pipe, STDERR_FILENO);
  ::close_range(STDERR_FILENO + 1, ~0U, 0);  // ports, sockets and the session's lock are none of its business
  std::array<char*, 4> arguments = {const_cast<char*>("crankwitness"), const_cast<char*>("report"),
                                    const_cast<char*>(folder), nullptr};
  ::execv(program, arguments.data());
  ::_exit(no_such_program);
}

std::string first_line(const std::string& words) {
  return words.substr(0, std::min(words.find('\n'), words_max));
}

// How a child that is not well ended, in words; nothing when its page was written.
std::optional<std::string> ending(int status, const std::string& words) {
  if (WIFSIGNALED(status)) {
    return "it was ended by signal " + std::to_string(WTERMSIG(status));
  }
  const int code = WEXITSTATUS(status);
  if (code == static_cast<int>(ExitCode::done) || code == static_cast<int>(ExitCode::lossy)) {
    return std::nullopt;
  }
  return words.empty() ? "it ended with exit code " + std::to_string(code) : first_line(words);
}

}  // namespace

ReportQueue::ReportQueue(std::string program, std::chrono::seconds limit)
    : program_(std::move(program)), limit_(limit), thread_([this] { run(); }) {}

ReportQueue::~ReportQueue() {
  {
    const std::lock_guard lock(mutex_);
    stop_ = true;
    end_running_ = !leave_running_;
    waiting_.clear();
  }
  changed_.notify_all();
  thread_.join();
}

void ReportQueue::ask(Job job) {
  {
    const std::lock_guard lock(mutex_);
    const bool known =
        std::any_of(waiting_.begin(), waiting_.end(), [&](const Job& other) { return other.folder == job.folder; });
    if (known || stop_) {
      return;
    }
    waiting_.push_back(std::move(job));
  }
  changed_.notify_all();
}

void ReportQueue::drop(const std::string& folder) {
  std::unique_lock lock(mutex_);
  std::erase_if(waiting_, [&](const Job& job) { return job.folder == folder; });
  end_running_ = running_ == folder;
  changed_.notify_all();
  changed_.wait(lock, [&] { return running_ != folder; });
}

bool ReportQueue::finish(std::chrono::seconds most) {
  std::unique_lock lock(mutex_);
  const bool done = changed_.wait_for(lock, most, [&] { return waiting_.empty() && running_.empty(); });
  leave_running_ = !done;
  return done;
}

void ReportQueue::run() {
  ::pthread_setname_np(::pthread_self(), "reports");
  std::unique_lock lock(mutex_);
  while (!stop_) {
    const auto next =
        std::min_element(waiting_.begin(), waiting_.end(), [](const Job& a, const Job& b) { return a.due < b.due; });
    if (next == waiting_.end()) {
      changed_.wait(lock);
      continue;
    }
    if (Clock::now() < next->due) {
      changed_.wait_until(lock, next->due);
      continue;
    }
    const Job job = std::move(*next);
    waiting_.erase(next);
    running_ = job.folder;
    end_running_ = false;
    lock.unlock();
    const std::optional<std::string> problem = make(job.folder);
    lock.lock();
    const bool silent = end_running_ || leave_running_;
    lock.unlock();
    if (!silent && problem) {
      job.failed("no report of " + job.folder + ": " + *problem);
    } else if (!silent && job.done) {
      job.done(job.folder + "/report.html");
    }
    lock.lock();
    running_.clear();
    changed_.notify_all();
  }
}

// Starts the child, reads what it complains about, waits for its end. Nothing when the page was written, or when it was to
// be ended or left.
std::optional<std::string> ReportQueue::make(const std::string& folder) {
  std::array<int, 2> ends{};
  if (::pipe2(ends.data(), O_CLOEXEC) != 0) {
    return std::string("pipe: ") + std::strerror(errno);
  }
  const pid_t child = ::fork();
  if (child == 0) {
    become_report(program_.c_str(), folder.c_str(), ends[1]);
  }
  ::close(ends[1]);
  if (child < 0) {
    ::close(ends[0]);
    return std::string("fork: ") + std::strerror(errno);
  }
  constexpr int look_up_ms = 50;
  const Clock::time_point limit = Clock::now() + limit_;
  std::string words;
  bool open = true;
  bool too_long = false;
  int status = 0;
  for (bool ended = false; !ended;) {
    pollfd watched{open ? ends[0] : -1, POLLIN, 0};
    ::poll(&watched, 1, look_up_ms);
    std::array<char, 512> bytes{};
    if (watched.revents != 0) {
      const ssize_t got = ::read(ends[0], bytes.data(), bytes.size());
      open = got > 0;
      words.append(bytes.data(), got > 0 && words.size() < words_max ? static_cast<std::size_t>(got) : 0);
    }
    too_long = too_long || Clock::now() > limit;
    bool end_it = too_long;
    {
      const std::lock_guard lock(mutex_);
      if (leave_running_) {
        break;
      }
      end_it = end_it || end_running_;
    }
    if (end_it) {
      ::kill(child, SIGKILL);
    }
    ended = ::waitpid(child, &status, open && !end_it ? WNOHANG : 0) == child;
  }
  ::close(ends[0]);
  if (too_long) {
    return "it took longer than " + std::to_string(limit_.count()) + " s";
  }
  return ending(status, words);
}

void ReportOnLoss::on_finding(const Finding& finding) {
  if (finding.kind != FindingKind::sync_lost || finding.phase == FindingPhase::close) {
    return;
  }
  const auto now = ReportQueue::Clock::now();
  if (last_due_ && now < *last_due_) {
    return;  // one is still to come, and this loss will be in it
  }
  const auto due = std::max(now + after_loss, last_due_ ? *last_due_ + between : now);
  last_due_ = due;
  ask_(due);
}

}  // namespace cw
