#include "record/disk_file.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <system_error>
#include <utility>

namespace cw {

std::string disk_problem(const std::string& path, std::string_view what, int error_number) {
  return path + ": " + std::string(what) + ": " + std::generic_category().message(error_number);
}

DiskFile::DiskFile(DiskFile&& other) noexcept
    : descriptor_(std::exchange(other.descriptor_, -1)), size_(other.size_), path_(std::move(other.path_)) {}

DiskFile& DiskFile::operator=(DiskFile&& other) noexcept {
  if (this != &other) {
    if (descriptor_ >= 0) {
      ::close(descriptor_);
    }
    descriptor_ = std::exchange(other.descriptor_, -1);
    size_ = other.size_;
    path_ = std::move(other.path_);
  }
  return *this;
}

DiskFile::~DiskFile() {
  if (descriptor_ >= 0) {
    ::close(descriptor_);
  }
}

Problem DiskFile::create(const std::string& path) {
  constexpr mode_t readable_by_all = 0644;
  path_ = path;
  size_ = 0;
  descriptor_ = ::open(path.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_APPEND, readable_by_all);
  return descriptor_ >= 0 ? Problem() : disk_problem(path, "cannot create", errno);
}

Problem DiskFile::append(std::span<const std::byte> bytes) {
  std::size_t done = 0;
  while (done < bytes.size()) {
    const ssize_t written = ::write(descriptor_, bytes.data() + done, bytes.size() - done);
    if (written > 0) {
      done += static_cast<std::size_t>(written);
      continue;
    }
    if (written < 0 && errno == EINTR) {
      continue;
    }
    const int cause = written < 0 ? errno : ENOSPC;
    Problem problem = disk_problem(path_, "cannot write", cause);
    if (done > 0 && ::ftruncate(descriptor_, static_cast<off_t>(size_)) != 0) {
      *problem += "; and cannot cut it back: " + std::generic_category().message(errno);
      size_ += done;
    }
    return problem;
  }
  size_ += bytes.size();
  return std::nullopt;
}

Problem DiskFile::append(std::string_view text) {
  return append(std::as_bytes(std::span(text)));
}

Problem DiskFile::sync() {
  return ::fdatasync(descriptor_) == 0 ? Problem() : disk_problem(path_, "cannot sync", errno);
}

Problem DiskFile::close() {
  if (descriptor_ < 0) {
    return std::nullopt;
  }
  const int result = ::close(std::exchange(descriptor_, -1));
  return result == 0 ? Problem() : disk_problem(path_, "cannot close", errno);
}

Problem sync_folder(const std::string& path) {
  const int descriptor = ::open(path.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  if (descriptor < 0) {
    return disk_problem(path, "cannot open", errno);
  }
  const int result = ::fsync(descriptor);
  const int cause = errno;
  ::close(descriptor);
  return result == 0 ? Problem() : disk_problem(path, "cannot sync", cause);
}

Problem read_file(const std::string& path, std::uint64_t size_max, std::string& text) {
  text.clear();
  const int descriptor = ::open(path.c_str(), O_RDONLY | O_CLOEXEC);
  if (descriptor < 0) {
    return disk_problem(path, "cannot open", errno);
  }
  constexpr std::size_t step = 64 * 1024;
  Problem problem;
  while (!problem) {
    const std::size_t before = text.size();
    text.resize(before + step);
    const ssize_t got = ::read(descriptor, text.data() + before, step);
    text.resize(before + (got > 0 ? static_cast<std::size_t>(got) : 0));
    if (got == 0) {
      break;
    }
    if (got < 0 && errno != EINTR) {
      problem = disk_problem(path, "cannot read", errno);
    } else if (text.size() > size_max) {
      problem = path + ": expected at most " + std::to_string(size_max) + " bytes, found more";
    }
  }
  ::close(descriptor);
  return problem;
}

}  // namespace cw
