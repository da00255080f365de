// When lines come to stand in files that another process writes (inotify).
#pragma once

#include <atomic>
#include <cstdint>
#include <string>
#include <thread>
#include <vector>

namespace cw::load {

class LineWatch {
 public:
  // Watches files that exist, from their present end on.
  explicit LineWatch(const std::vector<std::string>& paths);
  LineWatch(const LineWatch&) = delete;
  LineWatch& operator=(const LineWatch&) = delete;
  ~LineWatch();

  // For each file and each new line of it, the host time at which it was seen: never before the write() that ended the
  // line had returned to the kernel's file system, and later by as long as this thread takes to wake up.
  // Call once.
  std::vector<std::vector<std::int64_t>> stop();

 private:
  struct File {
    int descriptor = -1;
    std::int64_t read_to = 0;
  };
  void watch();
  void take_new_lines();

  int notices_;
  std::vector<File> files_;
  std::vector<std::vector<std::int64_t>> seen_;
  std::atomic<bool> stopping_{false};
  std::thread thread_;
};

}  // namespace cw::load
