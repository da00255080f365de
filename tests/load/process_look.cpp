#include "process_look.hpp"

#include <sched.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>
#include <sstream>

#include "tests/unit/record/scratch_folder.hpp"

namespace cw::load {

namespace {

namespace fs = std::filesystem;
using test::file_text;

std::string folder_of(pid_t process) {
  return "/proc/" + std::to_string(process);
}

// The number behind `key` in a file of lines "key: number ...".
std::uint64_t number_of(const std::string& text, const std::string& key) {
  const std::size_t at = text.find(key);
  return at == std::string::npos ? 0 : std::strtoull(text.c_str() + at + key.size(), nullptr, 10);
}

// utime and stime, the fields 14 and 15 of proc(5); the name in the second may hold spaces.
void add_times(const std::string& stat, ProcessLook& look) {
  std::istringstream fields(stat.substr(stat.rfind(')') + 1));
  constexpr int before = 11;
  std::string skipped;
  for (int i = 0; i < before; ++i) {
    fields >> skipped;
  }
  double user = 0;
  double system = 0;
  fields >> user >> system;
  const auto per_s = static_cast<double>(::sysconf(_SC_CLK_TCK));
  look.user_s = user / per_s;
  look.system_s = system / per_s;
}

// The name that the program gave the thread; the first one reads the input.
std::string thread_name(const fs::path& task, pid_t process) {
  if (task.filename() == std::to_string(process)) {
    return "input";
  }
  std::string name = file_text(task / "comm");
  name.resize(name.empty() ? 0 : name.size() - 1);
  return name == "crankwitness" ? "others" : name;
}

}  // namespace

ProcessLook look_at(pid_t process) {
  ProcessLook look;
  const std::string folder = folder_of(process);
  add_times(file_text(folder + "/stat"), look);
  std::error_code error;
  for (const auto& task : fs::directory_iterator(folder + "/task", error)) {
    constexpr double ns = 1e-9;
    look.thread_s[thread_name(task.path(), process)] +=
        static_cast<double>(std::strtoull(file_text(task.path() / "schedstat").c_str(), nullptr, 10)) * ns;
  }
  const std::string status = file_text(folder + "/status");
  look.resident_kib = number_of(status, "VmRSS:");
  look.resident_most_kib = number_of(status, "VmHWM:");
  for ([[maybe_unused]] const auto& open : fs::directory_iterator(folder + "/fd", error)) {
    ++look.descriptors;
  }
  return look;
}

std::uint64_t resident_kib(pid_t process) {
  return number_of(file_text(folder_of(process) + "/status"), "VmRSS:");
}

std::uint64_t read_position(pid_t process, const std::string& path) {
  std::error_code error;
  for (const auto& open : fs::directory_iterator(folder_of(process) + "/fd", error)) {
    if (fs::read_symlink(open.path(), error) == path) {
      return number_of(file_text(folder_of(process) + "/fdinfo/" + open.path().filename().string()), "pos:");
    }
  }
  return 0;
}

namespace {

bool set_priority(pid_t thread, int priority) {
  sched_param parameter{};
  parameter.sched_priority = priority;
  return ::sched_setscheduler(thread, SCHED_FIFO, &parameter) == 0;
}

}  // namespace

bool go_first() {
  constexpr int first = 10;
  return set_priority(0, first);
}

bool let_go_next(pid_t process) {
  constexpr int next = 5;
  bool all = true;
  std::error_code error;
  for (const auto& task : fs::directory_iterator(folder_of(process) + "/task", error)) {
    all = set_priority(static_cast<pid_t>(std::stol(task.path().filename())), next) && all;
  }
  return all && !error;
}

}  // namespace cw::load
