// What a running process has used so far, as /proc tells it.
#pragma once

#include <sys/types.h>

#include <cstdint>
#include <map>
#include <string>

namespace cw::load {

struct ProcessLook {
  double user_s = 0;  // in steps of 10 ms
  double system_s = 0;
  std::map<std::string, double> thread_s;  // on a processor, by the thread's name, to the nanosecond
  std::uint64_t resident_kib = 0;
  std::uint64_t resident_most_kib = 0;  // since it began
  std::uint64_t descriptors = 0;        // open
};

ProcessLook look_at(pid_t process);

// The two parts of it that are cheap enough to be asked often. 0 when the process is gone.
std::uint64_t resident_kib(pid_t process);
// How far the process has read in the open file `path`.
std::uint64_t read_position(pid_t process, const std::string& path);

// Runs the calling thread before all others, where that is allowed: it stands for hardware, or takes the time.
bool go_first();
// The same for all threads of a process, behind those that go first.
bool let_go_next(pid_t process);

}  // namespace cw::load
