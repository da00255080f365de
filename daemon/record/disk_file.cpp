#include "record/disk_file.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <cerrno>
#include <filesystem>
#include <system_error>
#include <utility>

namespace cw {

std::string disk_problem(const std::string& path, std::string_view what, int error_number) {
  return path + ": " + std::string(what) + ": " + std::generic_category().message(error_number);
}

DiskFile::DiskFile(FileLayer layer) : layer_(std::move(layer)) {}

DiskFile::DiskFile(DiskFile&& other) noexcept
    : layer_(std::move(other.layer_)),
      handle_(std::exchange(other.handle_, -1)),
      size_(other.size_),
      part_stays_(other.part_stays_),
      path_(std::move(other.path_)) {}

DiskFile& DiskFile::operator=(DiskFile&& other) noexcept {
  if (this != &other) {
    if (handle_ >= 0) {
      layer_.close(handle_);
    }
    layer_ = std::move(other.layer_);
    handle_ = std::exchange(other.handle_, -1);
    size_ = other.size_;
    part_stays_ = other.part_stays_;
    path_ = std::move(other.path_);
  }
  return *this;
}

DiskFile::~DiskFile() {
  if (handle_ >= 0) {
    layer_.close(handle_);
  }
}

Problem DiskFile::create(const std::string& path) {
  path_ = path;
  size_ = 0;
  part_stays_ = false;
  handle_ = layer_.create(path);
  return handle_ >= 0 ? Problem() : disk_problem(path, "cannot create", -handle_);
}

Problem DiskFile::reopen(const std::string& path) {
  constexpr std::uint64_t size_max = 1ULL << 32U;
  std::string text;
  if (Problem problem = read_file(path, size_max, text)) {
    return problem;
  }
  path_ = path;
  size_ = text.rfind('\n') == std::string::npos ? 0 : text.rfind('\n') + 1;
  part_stays_ = size_ < text.size();
  handle_ = layer_.reopen(path);
  return handle_ >= 0 ? Problem() : disk_problem(path, "cannot open", -handle_);
}

Problem DiskFile::cut_back() {
  const int cut = part_stays_ ? layer_.cut(handle_, size_) : 0;
  part_stays_ = cut < 0;
  return cut < 0 ? disk_problem(path_, "cannot cut back what was written in part", -cut) : Problem();
}

Problem DiskFile::append(std::span<const std::byte> bytes) {
  if (Problem problem = cut_back()) {
    return problem;
  }
  std::size_t done = 0;
  while (done < bytes.size()) {
    const std::int64_t written = layer_.append(handle_, bytes.subspan(done));
    if (written > 0) {
      done += static_cast<std::size_t>(written);
      continue;
    }
    const int cause = written < 0 ? static_cast<int>(-written) : ENOSPC;
    Problem problem = disk_problem(path_, "cannot write", cause);
    part_stays_ = done > 0;
    cut_back();  // if that fails too, it is tried again before the next append
    return problem;
  }
  size_ += bytes.size();
  return std::nullopt;
}

Problem DiskFile::append(std::string_view text) {
  return append(std::as_bytes(std::span(text)));
}

Problem DiskFile::sync() {
  const int result = layer_.sync(handle_);
  return result >= 0 ? Problem() : disk_problem(path_, "cannot sync", -result);
}

Problem DiskFile::close() {
  if (handle_ < 0) {
    return std::nullopt;
  }
  const int result = layer_.close(std::exchange(handle_, -1));
  return result >= 0 ? Problem() : disk_problem(path_, "cannot close", -result);
}

Problem sync_folder(const FileLayer& layer, const std::string& path) {
  const int result = layer.sync_folder(path);
  return result >= 0 ? Problem() : disk_problem(path, "cannot sync", -result);
}

Problem make_folders(const FileLayer& layer, const std::string& path) {
  std::filesystem::path folder(path);
  if (!folder.has_filename()) {
    folder = folder.parent_path();  // "a/b/" is a/b
  }
  const std::string above = folder.has_parent_path() ? folder.parent_path().string() : std::string(".");
  int result = layer.make_folder(path);
  if (result == -ENOENT && above != path) {
    if (Problem problem = make_folders(layer, above)) {
      return problem;
    }
    result = layer.make_folder(path);
  }
  if (result == -EEXIST) {
    return std::nullopt;
  }
  return result < 0 ? disk_problem(path, "cannot create the folder", -result) : sync_folder(layer, above);
}

Problem make_new_folder(const FileLayer& layer, const std::string& path) {
  if (Problem problem = make_folders(layer, path)) {
    return problem;
  }
  std::vector<std::string> names;
  const int listed = layer.list(path, names);
  if (listed < 0 && listed != -ENOTDIR) {
    return disk_problem(path, "cannot read the folder", -listed);
  }
  if (listed < 0 || !names.empty()) {
    return path + ": expected a new or empty folder, found one with something in it";
  }
  return std::nullopt;
}

Problem write_whole_file(const FileLayer& layer, const std::string& path, std::string_view text) {
  DiskFile file(layer);
  const std::string unfinished = path + ".part";
  Problem problem = file.create(unfinished);
  problem = problem ? problem : file.append(text);
  problem = problem ? problem : file.sync();
  problem = problem ? problem : file.close();
  if (problem) {
    return problem;
  }
  const int renamed = layer.rename(unfinished, path);
  if (renamed < 0) {
    return disk_problem(path, "cannot name", -renamed);
  }
  return sync_folder(layer, std::filesystem::path(path).parent_path().string());
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
