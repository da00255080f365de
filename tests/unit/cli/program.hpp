// Runs the real program as a child process.
#pragma once

#include <fcntl.h>
#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <string>
#include <vector>

#include "tests/unit/record/scratch_folder.hpp"

namespace cw::test {

class Program {
 public:
  // Starts it with `arguments`; standard output and error go to files in `folder`.
  Program(const ScratchFolder& folder, const std::vector<std::string>& arguments,
          const std::string& input = "/dev/null")
      : out_(folder / "program.out"), err_(folder / "program.err") {
    std::vector<std::string> words = {CRANKWITNESS_PROGRAM};
    words.insert(words.end(), arguments.begin(), arguments.end());
    std::vector<char*> argv(words.size() + 1, nullptr);
    std::transform(words.begin(), words.end(), argv.begin(), [](std::string& word) { return word.data(); });
    pid_ = ::fork();
    if (pid_ == 0) {
      redirect(input, O_RDONLY, STDIN_FILENO);
      redirect(out_, O_WRONLY | O_CREAT | O_TRUNC, STDOUT_FILENO);
      redirect(err_, O_WRONLY | O_CREAT | O_TRUNC, STDERR_FILENO);
      ::execv(argv[0], argv.data());
      ::_exit(127);
    }
  }
  Program(const Program&) = delete;
  Program& operator=(const Program&) = delete;
  ~Program() {
    if (pid_ > 0) {
      send(SIGKILL);
      wait();
    }
  }

  int pid() const { return pid_; }
  void send(int signal) const { ::kill(pid_, signal); }

  // The exit code, or minus the signal that ended it.
  int wait() {
    int status = 0;
    ::waitpid(pid_, &status, 0);
    pid_ = -1;
    return WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status);
  }

  std::string out() const { return file_text(out_); }
  std::string err() const { return file_text(err_); }

 private:
  static void redirect(const std::string& path, int flags, int target) {
    constexpr int mode = 0644;
    const int descriptor = ::open(path.c_str(), flags, mode);
    ::dup2(descriptor, target);
    ::close(descriptor);
  }

  pid_t pid_ = -1;
  std::string out_;
  std::string err_;
};

struct Ended {
  int code = -1;
  std::string out;
  std::string err;
};

inline Ended run_program(const ScratchFolder& folder, const std::vector<std::string>& arguments,
                         const std::string& input = "/dev/null") {
  Program program(folder, arguments, input);
  const int code = program.wait();
  return {code, program.out(), program.err()};
}

}  // namespace cw::test
