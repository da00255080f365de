#include "cli/replay_source.hpp"

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

ReplaySource::~ReplaySource() = default;

std::variant<ReplaySource, std::string> ReplaySource::open(const std::string& path) {
  ReplaySource source;
  source.path_ = path;
  if (is_session(path)) {
    auto session = SessionReader::open(path);
    if (auto* error = std::get_if<std::string>(&session)) {
      return std::move(*error);
    }
    source.session_ = std::move(std::get<SessionReader>(session));
    source.bytes_total_ = source.session_->capture().bytes_total();
    return source;
  }
  if (auto error = source.open_file()) {
    return *error;
  }
  return source;
}

std::optional<std::string> ReplaySource::open_file() {
  struct stat status {};
  const int descriptor = ::open(path_.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK);
  if (descriptor < 0) {
    return disk_problem(path_, "cannot open", errno);
  }
  file_ = {new int(descriptor), close_descriptor};
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
  use_channels({});
  return std::nullopt;
}

void ReplaySource::use_channels(ChannelNames channels) {
  channels_ = std::move(channels);
  if (entry_ != nullptr) {
    items_.clear();
    driver_ = entry_->make({path_, false, channels_});
    driver_->start(items_);
  }
}

bool ReplaySource::fail(const FileSequencer::Sink& sink, const std::string& why) {
  error_ = why;
  ended_ = true;
  sequencer_.sequence(items_, sink);
  return false;
}

bool ReplaySource::next_of_file(const FileSequencer::Sink& sink) {
  const ssize_t got = read_some(*file_, bytes_.data(), bytes_.size());
  if (got < 0) {
    return fail(sink, disk_problem(path_, "cannot read", errno));
  }
  bytes_done_ += static_cast<std::uint64_t>(got);
  const bool sound =
      got > 0 ? driver_->read({bytes_.data(), static_cast<std::size_t>(got)}, items_) : driver_->finish(items_);
  if (!sound) {
    return fail(sink, driver_->error());
  }
  sequencer_.sequence(items_, sink);
  items_.clear();
  ended_ = got == 0;
  return true;
}

bool ReplaySource::next(const FileSequencer::Sink& sink) {
  if (ended_) {
    return false;
  }
  if (!session_) {
    return next_of_file(sink);
  }
  ItemBuffer items;
  if (!session_->next(items)) {
    ended_ = true;
    return false;
  }
  sink(std::move(items));
  return true;
}

SourceInfo ReplaySource::source_info() const {
  return {0, std::string(entry_->name), path_, channels_};
}

std::vector<std::string> ReplaySource::files() const {
  return session_ ? session_->capture().files() : std::vector<std::string>{path_};
}

}  // namespace cw
