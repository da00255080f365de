#include "record/capture_reader.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <charconv>
#include <cstring>
#include <filesystem>
#include <limits>
#include <map>
#include <system_error>

#include "record/disk_file.hpp"
#include "record/removed_ranges.hpp"

namespace cw {

namespace {

struct SegmentFile {
  std::optional<std::uint32_t> number;  // not known: that of its first whole block
  std::string path;
  std::uint64_t size = 0;
};

// A window on a file: the bytes from a position on, read ahead in large steps.
class Window {
 public:
  explicit Window(std::size_t step = 1024 * 1024) : step_(step) {}
  Window(const Window&) = delete;
  Window& operator=(const Window&) = delete;
  ~Window() { close(); }

  bool open(const std::string& path) {
    close();
    descriptor_ = ::open(path.c_str(), O_RDONLY | O_CLOEXEC);
    begin_ = 0;
    bytes_.clear();
    at_end_ = descriptor_ < 0;
    read_error_ = 0;
    return descriptor_ >= 0;
  }
  // Why the file could not be read to its end, as an error number; 0: it could.
  int read_error() const { return read_error_; }

  // Up to `size` bytes from `position` on, fewer only at the end of the file. Positions only rise.
  std::span<const std::byte> at(std::uint64_t position, std::size_t size) {
    fill(position, size);
    const std::size_t skip = std::min(static_cast<std::size_t>(position - begin_), bytes_.size());
    return std::span<const std::byte>(bytes_).subspan(skip, std::min(size, bytes_.size() - skip));
  }

 private:
  void fill(std::uint64_t position, std::size_t size) {
    while (!at_end_ && begin_ + bytes_.size() < position + size) {
      const std::size_t passed = std::min(static_cast<std::size_t>(position - begin_), bytes_.size());
      bytes_.erase(bytes_.begin(), bytes_.begin() + static_cast<std::ptrdiff_t>(passed));
      begin_ += passed;
      const std::size_t before = bytes_.size();
      bytes_.resize(before + step_);
      const ssize_t got = ::read(descriptor_, bytes_.data() + before, step_);
      bytes_.resize(before + (got > 0 ? static_cast<std::size_t>(got) : 0));
      if (got < 0 && errno != EINTR) {
        read_error_ = errno;
      }
      at_end_ = got == 0 || read_error_ != 0;
    }
  }

  void close() {
    if (descriptor_ >= 0) {
      ::close(descriptor_);
      descriptor_ = -1;
    }
  }

  std::size_t step_;
  int descriptor_ = -1;
  bool at_end_ = true;
  int read_error_ = 0;
  std::uint64_t begin_ = 0;
  std::vector<std::byte> bytes_;
};

std::optional<std::uint32_t> number_in_name(const std::filesystem::path& path) {
  const std::string stem = path.stem().string();
  std::uint32_t number = 0;
  const auto [end, problem] = std::from_chars(stem.data(), stem.data() + stem.size(), number);
  const bool sound = problem == std::errc() && end == stem.data() + stem.size();
  return sound ? std::optional(number) : std::nullopt;
}

// The files that may be segments: `path` itself, or those in it whose name ends in .cwr.
std::variant<std::vector<SegmentFile>, std::string> find_files(const std::string& path) {
  std::vector<SegmentFile> files;
  std::error_code error;
  const auto add = [&](const std::filesystem::directory_entry& entry) {
    std::error_code size_error;
    const std::uint64_t size = entry.file_size(size_error);
    files.push_back({number_in_name(entry.path()), entry.path().string(), size_error ? 0 : size});
  };
  if (std::filesystem::is_regular_file(path, error)) {
    add(std::filesystem::directory_entry(path, error));
    return files;
  }
  error.clear();
  for (auto entry = std::filesystem::directory_iterator(path, error);
       !error && entry != std::filesystem::directory_iterator(); entry.increment(error)) {
    if (entry->path().extension() == ".cwr") {
      add(*entry);
    }
  }
  if (error) {
    return path + ": cannot read the folder: " + error.message();
  }
  if (files.empty()) {
    return path + ": expected capture segments (000001.cwr ...), found none";
  }
  return files;
}

// Takes the number of each from its header, where that is sound. An error line for a version that is not known.
std::optional<std::string> look_at_headers(std::vector<SegmentFile>& files) {
  for (SegmentFile& file : files) {
    Window window(file_header_size);
    if (!window.open(file.path)) {
      return disk_problem(file.path, "cannot open", errno);
    }
    const auto header = parse_file_header(window.at(0, file_header_size));
    if (header && header->version > capture_version) {
      return file.path + ": expected capture version " + std::to_string(capture_version) + ", found " +
             std::to_string(header->version);
    }
    file.number = header ? std::optional(header->segment) : file.number;
  }
  return std::nullopt;
}

std::variant<std::vector<SegmentFile>, std::string> find_segments(const std::string& path) {
  auto found = find_files(path);
  if (auto* files = std::get_if<std::vector<SegmentFile>>(&found)) {
    if (auto error = look_at_headers(*files)) {
      return std::move(*error);
    }
    // Those without a number last.
    std::sort(files->begin(), files->end(), [](const auto& a, const auto& b) {
      constexpr std::uint64_t last = UINT64_MAX;
      const std::uint64_t a_number = a.number ? *a.number : last;
      const std::uint64_t b_number = b.number ? *b.number : last;
      return a_number != b_number ? a_number < b_number : a.path < b.path;
    });
  }
  return found;
}

}  // namespace

class CaptureReader::Scan {
 public:
  explicit Scan(std::vector<SegmentFile> segments) : segments_(std::move(segments)) {}

  static std::optional<std::uint64_t> find_session(std::vector<SegmentFile> segments,
                                                   std::optional<std::uint64_t> wanted);
  void use_session(std::optional<std::uint64_t> id) { session_id_ = id; }
  void use_removed(RemovedRanges removed) { removed_ = std::move(removed); }
  void expect_end(std::uint64_t next_sequence) { expected_end_ = next_sequence; }
  bool next(CaptureBlock& block);

  const CaptureReport& report() const { return report_; }
  const std::vector<SegmentFile>& segments() const { return segments_; }
  std::uint64_t bytes_done() const { return done_before_ + position_; }

 private:
  bool open_segment();
  void leave_segment();
  void skip_to_next_magic(std::string_view reason);
  void end_damage();
  std::string try_block(CaptureBlock& block, std::uint64_t& size);
  std::string check_order(const BlockHeader& header) const;
  void accept(const BlockHeader& header, CaptureBlock& block);
  void add_hole(const CaptureHole& hole);
  void end();
  const SegmentFile& segment() const { return segments_[index_]; }

  std::vector<SegmentFile> segments_;
  std::size_t index_ = 0;
  bool open_ = false;
  std::uint64_t done_before_ = 0;  // bytes of the segments that are done
  std::uint64_t position_ = 0;
  Window window_;
  BlockDecoder decoder_;
  CaptureReport report_;
  std::optional<CaptureDamage> damage_;  // being passed over
  bool any_session_ = false;             // all blocks are given out, in whatever order
  RemovedRanges removed_;
  std::optional<std::uint64_t> session_id_;
  std::optional<std::uint64_t> expected_end_;
};

// The session whose blocks are to be given out: `wanted` when there is a block of it, else that with the most items;
// nothing when there is no whole block at all.
std::optional<std::uint64_t> CaptureReader::Scan::find_session(std::vector<SegmentFile> segments,
                                                               std::optional<std::uint64_t> wanted) {
  Scan scan(std::move(segments));
  scan.any_session_ = true;
  std::map<std::uint64_t, std::uint64_t> items;
  CaptureBlock block;
  while (scan.next(block)) {
    if (scan.session_id_ == wanted) {
      return wanted;
    }
    items[*scan.session_id_] += block.items.items.size();
  }
  const auto most =
      std::max_element(items.begin(), items.end(), [](const auto& a, const auto& b) { return a.second < b.second; });
  return most == items.end() ? std::nullopt : std::optional(most->first);
}

bool CaptureReader::Scan::open_segment() {
  if (!window_.open(segment().path)) {
    damage_ = CaptureDamage{segment().path, 0, segment().size, "cannot be opened"};
    return false;
  }
  open_ = true;
  position_ = 0;
  const auto header = parse_file_header(window_.at(0, file_header_size));
  if (header) {
    position_ = file_header_size;
  } else {
    skip_to_next_magic("file header is damaged");
  }
  return true;
}

void CaptureReader::Scan::leave_segment() {
  if (open_ && window_.read_error() != 0) {
    end_damage();
    const std::uint64_t rest = segment().size > position_ ? segment().size - position_ : 0;
    damage_ = CaptureDamage{segment().path, position_, rest,
                            "cannot be read: " + std::generic_category().message(window_.read_error())};
  }
  end_damage();
  done_before_ += segment().size;
  position_ = 0;
  open_ = false;
  ++index_;
}

void CaptureReader::Scan::end_damage() {
  if (!damage_) {
    return;
  }
  report_.bytes_dropped += damage_->bytes;
  ++report_.damage_count;
  if (report_.damage.size() < CaptureReport::listed_max) {
    report_.damage.push_back(*damage_);
  }
  damage_.reset();
}

// Passes over at least one byte, up to the next place where a block could begin or to the end of the file.
void CaptureReader::Scan::skip_to_next_magic(std::string_view reason) {
  if (window_.at(position_, 1).empty()) {
    return;
  }
  if (!damage_) {
    damage_ = CaptureDamage{segment().path, position_, 0, std::string(reason)};
  }
  constexpr std::string_view magic = "KBWC";
  constexpr std::size_t look_ahead = 64 * 1024;
  std::uint64_t from = position_ + 1;
  while (true) {
    const auto bytes = window_.at(from, look_ahead);
    const auto found = std::search(bytes.begin(), bytes.end(), magic.begin(), magic.end(),
                                   [](std::byte a, char b) { return a == static_cast<std::byte>(b); });
    if (found != bytes.end()) {
      from += static_cast<std::uint64_t>(found - bytes.begin());
      break;
    }
    if (bytes.size() < look_ahead) {
      from += bytes.size();
      break;
    }
    from += bytes.size() - (magic.size() - 1);
  }
  damage_->bytes += from - position_;
  position_ = from;
}

std::string CaptureReader::Scan::check_order(const BlockHeader& header) const {
  if (any_session_) {
    return {};
  }
  if (session_id_ && header.session_id != *session_id_) {
    return "block of another session";
  }
  if (header.first_sequence < report_.next_sequence) {
    return "block repeats items that were read before";
  }
  return {};
}

// Tries the block at the present position: empty when `block` has been filled, or why not.
std::string CaptureReader::Scan::try_block(CaptureBlock& block, std::uint64_t& size) {
  const auto head = window_.at(position_, block_header_size);
  if (head.size() < block_header_size) {
    return "cut off in a block header";
  }
  const auto header = parse_block_header(head);
  if (!header) {
    return "no sound block header";
  }
  if ((segment().number && header->segment != *segment().number) || header->position != position_) {
    return "block that was written to another place";
  }
  size = block_header_size + header->stored_size;
  const auto bytes = window_.at(position_, size);
  if (bytes.size() < size) {
    return "block is cut off";
  }
  if (auto reason = decoder_.decode(bytes, block.items, block.names)) {
    return *reason;
  }
  if (std::string reason = check_order(*header); !reason.empty()) {
    return reason;
  }
  accept(*header, block);
  return {};
}

void CaptureReader::Scan::add_hole(const CaptureHole& hole) {
  report_.missing_items += hole.items;
  report_.not_kept_items += hole.not_kept ? hole.items : 0;
  ++report_.hole_count;
  if (report_.holes.size() < CaptureReport::listed_max) {
    report_.holes.push_back(hole);
  }
}

void CaptureReader::Scan::accept(const BlockHeader& header, CaptureBlock& block) {
  block.hole_before.reset();
  if (header.first_sequence > report_.next_sequence) {
    CaptureHole hole;
    hole.first_sequence = report_.next_sequence;
    hole.items = header.first_sequence - report_.next_sequence;
    hole.before_host_ns = report_.last_host_ns;
    hole.after_host_ns = header.first_host_ns;
    hole.marked = is_marker(block.items.items.front());
    hole.not_kept = !hole.marked && removed_.covers({hole.first_sequence, header.first_sequence - 1});
    block.hole_before = hole;
    add_hole(hole);
  }
  segments_[index_].number = header.segment;
  session_id_ = header.session_id;
  if (!report_.first_host_ns) {
    report_.first_host_ns = header.first_host_ns;
  }
  report_.next_sequence = header.first_sequence + header.item_count;
  report_.last_host_ns = header.last_host_ns;
  ++report_.blocks;
  report_.items += header.item_count;
}

void CaptureReader::Scan::end() {
  if (expected_end_ && report_.next_sequence < *expected_end_) {
    CaptureHole hole;
    hole.first_sequence = report_.next_sequence;
    hole.items = *expected_end_ - report_.next_sequence;
    hole.not_kept = removed_.covers({hole.first_sequence, *expected_end_ - 1});
    hole.before_host_ns = report_.last_host_ns;
    add_hole(hole);
  }
  expected_end_.reset();
}

bool CaptureReader::Scan::next(CaptureBlock& block) {
  while (index_ < segments_.size()) {
    if (!open_ && !open_segment()) {
      leave_segment();
      continue;
    }
    if (window_.at(position_, 1).empty()) {
      leave_segment();
      continue;
    }
    std::uint64_t size = 0;
    const std::string reason = try_block(block, size);
    if (reason.empty()) {
      end_damage();
      position_ += size;
      return true;
    }
    skip_to_next_magic(reason);
  }
  end();
  return false;
}

CaptureReader::CaptureReader(std::unique_ptr<Scan> scan) : scan_(std::move(scan)) {}
CaptureReader::CaptureReader(CaptureReader&& other) noexcept = default;
CaptureReader& CaptureReader::operator=(CaptureReader&& other) noexcept = default;
CaptureReader::~CaptureReader() = default;

std::variant<CaptureReader, std::string> CaptureReader::open(const std::string& path,
                                                             std::optional<std::uint64_t> session_id) {
  auto found = find_segments(path);
  if (auto* error = std::get_if<std::string>(&found)) {
    return std::move(*error);
  }
  auto& segments = std::get<std::vector<SegmentFile>>(found);
  const auto session = Scan::find_session(segments, session_id);
  auto scan = std::make_unique<Scan>(std::move(segments));
  scan->use_session(session);
  scan->use_removed(read_removed_ranges(path));
  return CaptureReader(std::move(scan));
}

void CaptureReader::expect_end(std::uint64_t next_sequence) {
  scan_->expect_end(next_sequence);
}

bool CaptureReader::next(CaptureBlock& block) {
  return scan_->next(block);
}
const CaptureReport& CaptureReader::report() const {
  return scan_->report();
}
std::uint64_t CaptureReader::bytes_done() const {
  return scan_->bytes_done();
}

std::uint64_t CaptureReader::bytes_total() const {
  std::uint64_t total = 0;
  for (const SegmentFile& file : scan_->segments()) {
    total += file.size;
  }
  return total;
}

std::vector<std::string> CaptureReader::files() const {
  std::vector<std::string> paths;
  for (const SegmentFile& file : scan_->segments()) {
    paths.push_back(file.path);
  }
  return paths;
}

}  // namespace cw
