// A text file that gets whole lines. What the disk does not take waits in memory, up to a limit.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>

#include "record/disk_file.hpp"

namespace cw {

class RetryFile {
 public:
  // Up to `waiting_max` bytes wait. `reserve` bytes of the disk are kept free for it, where the file system can: lines
  // can then be written when nothing else can.
  RetryFile(FileLayer layer, std::size_t waiting_max, std::uint64_t reserve);

  // `first_lines` stand before all that waits.
  Problem create(const std::string& path, const std::string& first_lines);
  Problem reopen(const std::string& path);  // in place of the one that is open
  // Adds one line or several, each with its LF. What finds no room is lost and counted: the oldest lines are the ones
  // that tell how trouble began, so they stay.
  void add(const std::string& lines);
  bool waits() const { return !waiting_.empty(); }
  // Writes all that waits and syncs it if asked to.
  Problem write(bool sync);
  // Syncs, gives the reserved room back, and closes.
  Problem close();
  std::uint64_t lost_lines() const { return lost_lines_; }
  std::uint64_t waiting_lines() const { return waiting_lines_; }

 private:
  void keep_reserve();

  FileLayer layer_;
  DiskFile file_;
  std::size_t waiting_max_;
  std::uint64_t reserve_;
  std::uint64_t reserved_to_ = 0;
  std::string waiting_;
  std::uint64_t waiting_lines_ = 0;
  std::uint64_t lost_lines_ = 0;
};

}  // namespace cw
