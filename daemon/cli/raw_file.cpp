#include "cli/raw_file.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <utility>

#include "drivers/registry.hpp"
#include "record/disk_file.hpp"

namespace cw {

namespace {

constexpr std::size_t chunk_bytes = 256 * 1024;
constexpr std::size_t head_bytes = 4096;

void close_descriptor(int* descriptor) {
  ::close(*descriptor);
  delete descriptor;
}

// read() that goes on after a signal.
ssize_t read_some(int descriptor, char* into, std::size_t size) {
  ssize_t got = 0;
  do {
    got = ::read(descriptor, into, size);
  } while (got < 0 && errno == EINTR);
  return got;
}

}  // namespace

std::variant<RawFile, std::string> RawFile::open(const std::string& path) {
  RawFile file;
  file.path_ = path;
  if (auto error = file.open_file()) {
    return *error;
  }
  return file;
}

std::optional<std::string> RawFile::open_file() {
  struct stat status {};
  const int descriptor = ::open(path_.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK);
  if (descriptor < 0) {
    return disk_problem(path_, "cannot open", errno);
  }
  descriptor_ = {new int(descriptor), close_descriptor};
  if (::fstat(descriptor, &status) != 0 || !S_ISREG(status.st_mode)) {
    return path_ + ": expected a session folder (with session.toml and capture/) or a file, found something else";
  }
  bytes_total_ = static_cast<std::uint64_t>(status.st_size);
  bytes_.resize(chunk_bytes);
  const ssize_t got = ::pread(descriptor, bytes_.data(), head_bytes, 0);
  if (got < 0) {
    return disk_problem(path_, "cannot read", errno);
  }
  entry_ = driver_for_file({bytes_.data(), static_cast<std::size_t>(got)});
  if (entry_ == nullptr) {
    entry_ = find_driver("csv");  // whose error line says what was expected
  }
  return std::nullopt;
}

void RawFile::begin(std::uint8_t number, std::int64_t shift_ns, ChannelNames channels) {
  number_ = number;
  shift_ns_ = shift_ns;
  stamper_ = FileStamper(number, shift_ns);
  channels_ = std::move(channels);
  driver_ = entry_->make({path_, false, channels_});
  driver_->start(items_);
}

void RawFile::read_chunk() {
  const ssize_t got = read_some(*descriptor_, bytes_.data(), bytes_.size());
  if (got < 0) {
    error_ = disk_problem(path_, "cannot read", errno);
    ended_ = true;
    return;
  }
  bytes_done_ += static_cast<std::uint64_t>(got);
  const bool sound =
      got > 0 ? driver_->read({bytes_.data(), static_cast<std::size_t>(got)}, items_) : driver_->finish(items_);
  error_ = sound ? "" : driver_->error();
  ended_ = got == 0 || !sound;
  stamper_.stamp(items_);
}

void RawFile::fill() {
  while (!has_next() && !ended_) {
    items_.clear();
    taken_ = 0;
    read_chunk();
  }
}

SourceInfo RawFile::info() const {
  return {number_, std::string(entry_->name), path_, channels_, shift_ns_};
}

}  // namespace cw
