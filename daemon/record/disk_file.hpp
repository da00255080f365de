// A file that is only ever appended to, with every write and sync checked.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>

namespace cw {

// What went wrong, one line for a person with the path in it; nothing = all is well.
using Problem = std::optional<std::string>;

// "PATH: WHAT: " and the text of `error_number`.
std::string disk_problem(const std::string& path, std::string_view what, int error_number);

class DiskFile {
 public:
  DiskFile() = default;
  DiskFile(const DiskFile&) = delete;
  DiskFile& operator=(const DiskFile&) = delete;
  DiskFile(DiskFile&& other) noexcept;
  DiskFile& operator=(DiskFile&& other) noexcept;
  ~DiskFile();

  // Creates a file that must not exist yet, and opens it.
  Problem create(const std::string& path);
  // Appends all of `bytes`, or on failure cuts the file back to what it was, so that no part of them stays.
  Problem append(std::span<const std::byte> bytes);
  Problem append(std::string_view text);
  // Returns when the data is on the disk (fdatasync).
  Problem sync();
  Problem close();
  bool is_open() const { return descriptor_ >= 0; }
  std::uint64_t size() const { return size_; }
  const std::string& path() const { return path_; }

 private:
  int descriptor_ = -1;
  std::uint64_t size_ = 0;
  std::string path_;
};

// Makes the names in a folder durable: files created in it are found after a power cut.
Problem sync_folder(const std::string& path);

// Whole content of a file of at most `size_max` bytes into `text`.
Problem read_file(const std::string& path, std::uint64_t size_max, std::string& text);

}  // namespace cw
