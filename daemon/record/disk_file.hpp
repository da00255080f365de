// A file that is only ever appended to, with every write and sync checked.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>

#include "record/file_layer.hpp"

namespace cw {

// What went wrong, one line for a person with the path in it; nothing = all is well.
using Problem = std::optional<std::string>;

// "PATH: WHAT: " and the text of `error_number`.
std::string disk_problem(const std::string& path, std::string_view what, int error_number);

class DiskFile {
 public:
  explicit DiskFile(FileLayer layer = {});
  DiskFile(const DiskFile&) = delete;
  DiskFile& operator=(const DiskFile&) = delete;
  DiskFile(DiskFile&& other) noexcept;
  DiskFile& operator=(DiskFile&& other) noexcept;
  ~DiskFile();

  // Creates a file that must not exist yet, and opens it.
  Problem create(const std::string& path);
  // Opens a file of lines that exists, to be appended to; a last line without its LF is cut away.
  Problem reopen(const std::string& path);
  // Appends all of `bytes`, or on failure cuts the file back to what it was, so that no part of them stays. When even
  // that fails nothing more is appended until it has been done.
  Problem append(std::span<const std::byte> bytes);
  Problem append(std::string_view text);
  // Returns when the data is on the disk (fdatasync).
  Problem sync();
  // Room that was reserved behind the end is free for others again.
  void give_back_reserve() { layer_.cut(handle_, size_); }
  Problem close();
  bool is_open() const { return handle_ >= 0; }
  std::uint64_t size() const { return size_; }
  const std::string& path() const { return path_; }

 private:
  Problem cut_back();

  FileLayer layer_;
  int handle_ = -1;
  std::uint64_t size_ = 0;
  bool part_stays_ = false;  // behind size_ there is a part of what could not be written whole
  std::string path_;
};

// Makes the names in a folder durable: files created in it are found after a power cut.
Problem sync_folder(const FileLayer& layer, const std::string& path);
// Creates a folder and those above it that do not exist, each made durable in the one above. An existing one will do.
Problem make_folders(const FileLayer& layer, const std::string& path);

// As make_folders, and the folder must have nothing in it: an error line when it has, or is no folder.
Problem make_new_folder(const FileLayer& layer, const std::string& path);
// Writes a whole new file in such a way that its name never stands for a part of it, whenever the power is cut: under
// another name first, synced, then renamed, and the folder synced.
Problem write_whole_file(const FileLayer& layer, const std::string& path, std::string_view text);

// Whole content of a file of at most `size_max` bytes into `text`.
Problem read_file(const std::string& path, std::uint64_t size_max, std::string& text);

}  // namespace cw
