#include "record/file_layer.hpp"

#include <dirent.h>
#include <fcntl.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include <cerrno>
#include <cstdio>

namespace cw {

namespace {

constexpr mode_t file_readable_by_all = 0644;
constexpr mode_t folder_readable_by_all = 0755;

// The result of `call()`, tried again while a signal breaks it off; an error as -errno.
template <typename Call>
auto result_of(Call call) {
  auto result = call();
  while (result < 0 && errno == EINTR) {
    result = call();
  }
  return result < 0 ? static_cast<decltype(result)>(-errno) : result;
}

int system_create(const std::string& path) {
  return result_of(
      [&] { return ::open(path.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_APPEND, file_readable_by_all); });
}

std::int64_t system_append(int file, std::span<const std::byte> bytes) {
  return result_of([&] { return ::write(file, bytes.data(), bytes.size()); });
}

int system_cut(int file, std::uint64_t size) {
  return result_of([&] { return ::ftruncate(file, static_cast<off_t>(size)); });
}

int system_sync(int file) {
  return result_of([&] { return ::fdatasync(file); });
}

// After a signal the descriptor is closed all the same (Linux, close(2)): never tried again.
int system_close(int file) {
  return ::close(file) == 0 || errno == EINTR ? 0 : -errno;
}

int system_lock(const std::string& path) {
  const int file = result_of([&] { return ::open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, file_readable_by_all); });
  if (file < 0) {
    return file;
  }
  const int locked = result_of([&] { return ::flock(file, LOCK_EX | LOCK_NB); });
  if (locked < 0) {
    ::close(file);
    return locked;
  }
  return file;
}

int system_rename(const std::string& from, const std::string& to) {
  return result_of([&] { return std::rename(from.c_str(), to.c_str()); });
}

int system_make_folder(const std::string& path) {
  return result_of([&] { return ::mkdir(path.c_str(), folder_readable_by_all); });
}

int system_sync_folder(const std::string& path) {
  const int folder = result_of([&] { return ::open(path.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC); });
  if (folder < 0) {
    return folder;
  }
  const int synced = result_of([&] { return ::fsync(folder); });
  ::close(folder);
  return synced;
}

int system_list(const std::string& path, std::vector<std::string>& names) {
  names.clear();
  DIR* folder = ::opendir(path.c_str());
  if (folder == nullptr) {
    return -errno;
  }
  errno = 0;
  while (const dirent* entry = ::readdir(folder)) {  // NOLINT(concurrency-mt-unsafe): the stream is ours alone
    const std::string name = static_cast<const char*>(entry->d_name);
    if (name != "." && name != "..") {
      names.push_back(name);
    }
    errno = 0;
  }
  const int cause = errno;
  ::closedir(folder);
  return -cause;
}

int system_remove(const std::string& path) {
  return result_of([&] { return std::remove(path.c_str()); });
}

int system_reopen(const std::string& path) {
  return result_of([&] { return ::open(path.c_str(), O_WRONLY | O_CLOEXEC | O_APPEND); });
}

int system_reserve(const std::string& path, std::uint64_t size) {
  const int file = result_of([&] { return ::open(path.c_str(), O_WRONLY | O_CLOEXEC); });
  if (file < 0) {
    return file;
  }
  const int reserved = result_of([&] { return ::fallocate(file, FALLOC_FL_KEEP_SIZE, 0, static_cast<off_t>(size)); });
  ::close(file);
  return reserved;
}

std::int64_t system_free_bytes(const std::string& path) {
  struct statvfs room {};
  const int result = result_of([&] { return ::statvfs(path.c_str(), &room); });
  return result < 0 ? result : static_cast<std::int64_t>(room.f_bavail * room.f_frsize);
}

std::optional<FileIdentity> system_identity(const std::string& path) {
  struct stat status {};
  if (::stat(path.c_str(), &status) != 0) {
    return std::nullopt;
  }
  return FileIdentity{status.st_dev, status.st_ino};
}

}  // namespace

FileLayer::FileLayer()
    : create(system_create),
      append(system_append),
      cut(system_cut),
      sync(system_sync),
      close(system_close),
      lock(system_lock),
      rename(system_rename),
      make_folder(system_make_folder),
      sync_folder(system_sync_folder),
      list(system_list),
      remove(system_remove),
      reopen(system_reopen),
      reserve(system_reserve),
      free_bytes(system_free_bytes),
      identity(system_identity) {}

}  // namespace cw
