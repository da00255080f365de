// How a session reaches the disk: every call that creates, writes, syncs, locks or names a file or a folder of a session
// goes through one of these functions. Tests and tools put others in their place, to play a disk that loses what was not
// synced, is full, stalls or goes away. Reading does not go through here.
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <optional>
#include <span>
#include <string>
#include <vector>

namespace cw {

// Two paths with the same identity are the same file or folder.
struct FileIdentity {
  std::uint64_t disk = 0;
  std::uint64_t file = 0;
  friend bool operator==(const FileIdentity&, const FileIdentity&) = default;
};

// A value: copy it freely. The default is the real system (file_layer.cpp: one system call each, tried again after a
// signal). Functions return 0, a handle or a count; below 0 it is an error number with its sign turned (-ENOSPC). A
// handle is any number from 0 on that `close` ends. Called from the writing thread, but for `append` to service.jsonl,
// which may come from another thread at the same time.
struct FileLayer {
  // Creates a file that must not exist yet (else -EEXIST), to be appended to. A handle.
  std::function<int(const std::string& path)> create;
  // Appends; how many bytes it took: all, or fewer when there is no room for the rest (as write(2)).
  std::function<std::int64_t(int file, std::span<const std::byte> bytes)> append;
  // Cuts the file to its first `size` bytes.
  std::function<int(int file, std::uint64_t size)> cut;
  // Returns when the file's content and size are on the disk (fdatasync(2)). Its name need not be.
  std::function<int(int file)> sync;
  std::function<int(int file)> close;
  // Opens or creates a file and takes the one exclusive lock on it, held until it is closed or the program ends.
  // -EWOULDBLOCK when another holds it. A handle.
  std::function<int(const std::string& path)> lock;
  // Gives a file another name in the same folder, in place of what has that name.
  std::function<int(const std::string& from, const std::string& to)> rename;
  // Creates one folder, whose parent exists.
  std::function<int(const std::string& path)> make_folder;
  // Returns when the names in a folder are on the disk: created, renamed (fsync(2) of the folder).
  std::function<int(const std::string& path)> sync_folder;
  // The names in a folder, in no order and without "." and "..", into `names` (replaced).
  std::function<int(const std::string& path, std::vector<std::string>& names)> list;

  // What follows looks at the disk by path, so that a layer of a test that has no such files may leave it alone.
  // Removes a file, or an empty folder.
  std::function<int(const std::string& path)> remove;
  // Opens a file that exists, to be appended to. A handle.
  std::function<int(const std::string& path)> reopen;
  // Keeps room on the disk so that the file can grow to `size` bytes when nothing else can; its size stays. Not every
  // file system can.
  std::function<int(const std::string& path, std::uint64_t size)> reserve;
  // Bytes that may still be written to the disk that holds `path`.
  std::function<std::int64_t(const std::string& path)> free_bytes;
  // Which disk and which file the path names now; nothing when there is none.
  std::function<std::optional<FileIdentity>(const std::string& path)> identity;

  FileLayer();
};

}  // namespace cw
