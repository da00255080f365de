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

#include "record/disk_file.hpp"

namespace cw {

namespace {

struct SegmentFile {
  std::uint32_t number = 0;
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
    return descriptor_ >= 0;
  }

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
      at_end_ = got == 0 || (got < 0 && errno != EINTR);
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
  std::uint64_t begin_ = 0;
  std::vector<std::byte> bytes_;
};

std::optional<std::uint32_t> segment_number(const std::filesystem::path& path) {
  const std::string stem = path.stem().string();
  std::uint32_t number = 0;
  const auto [end, problem] = std::from_chars(stem.data(), stem.data() + stem.size(), number);
  const bool sound = path.extension() == ".cwr" && problem == std::errc() && end == stem.data() + stem.size();
  return sound ? std::optional(number) : std::nullopt;
}

std::variant<std::vector<SegmentFile>, std::string> find_segments(const std::string& folder) {
  std::vector<SegmentFile> segments;
  std::error_code error;
  for (auto entry = std::filesystem::directory_iterator(folder, error);
       !error && entry != std::filesystem::directory_iterator(); entry.increment(error)) {
    const auto number = segment_number(entry->path());
    if (number) {
      std::error_code size_error;
      const std::uint64_t size = entry->file_size(size_error);
      segments.push_back({*number, entry->path().string(), size_error ? 0 : size});
    }
  }
  if (error) {
    return folder + ": cannot read the folder: " + error.message();
  }
  if (segments.empty()) {
    return folder + ": expected capture segments (000001.cwr ...), found none";
  }
  std::sort(segments.begin(), segments.end(), [](const auto& a, const auto& b) { return a.number < b.number; });
  return segments;
}

}  // namespace

class CaptureReader::Scan {
 public:
  explicit Scan(std::vector<SegmentFile> segments) : segments_(std::move(segments)) {}

  std::optional<std::string> check_versions();
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
  std::optional<std::uint64_t> session_id_;
  std::uint64_t next_sequence_ = 0;
  std::optional<std::int64_t> last_host_ns_;
};

std::optional<std::string> CaptureReader::Scan::check_versions() {
  for (const SegmentFile& file : segments_) {
    Window window(file_header_size);
    if (!window.open(file.path)) {
      return disk_problem(file.path, "cannot open", errno);
    }
    const auto header = parse_file_header(window.at(0, file_header_size));
    if (header && header->version > capture_version) {
      return file.path + ": expected capture version " + std::to_string(capture_version) + ", found " +
             std::to_string(header->version);
    }
  }
  return std::nullopt;
}

bool CaptureReader::Scan::open_segment() {
  if (!window_.open(segment().path)) {
    damage_ = CaptureDamage{segment().path, 0, segment().size, "cannot be opened"};
    end_damage();
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
  if (damage_->bytes > 0) {
    report_.bytes_dropped += damage_->bytes;
    ++report_.damage_count;
    if (report_.damage.size() < CaptureReport::listed_max) {
      report_.damage.push_back(*damage_);
    }
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
  if (session_id_ && header.session_id != *session_id_) {
    return "block of another session";
  }
  if (header.first_sequence < next_sequence_) {
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
  if (header->segment != segment().number || header->position != position_) {
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

void CaptureReader::Scan::accept(const BlockHeader& header, CaptureBlock& block) {
  block.hole_before.reset();
  if (header.first_sequence > next_sequence_) {
    const Item& first = block.items.items.front();
    CaptureHole hole;
    hole.first_sequence = next_sequence_;
    hole.items = header.first_sequence - next_sequence_;
    hole.before_host_ns = last_host_ns_;
    hole.after_host_ns = header.first_host_ns;
    hole.marked = first.kind == ItemKind::gap && first.code == static_cast<std::uint8_t>(GapReason::recorder_behind);
    block.hole_before = hole;
    report_.missing_items += hole.items;
    ++report_.hole_count;
    if (report_.holes.size() < CaptureReport::listed_max) {
      report_.holes.push_back(hole);
    }
  }
  session_id_ = header.session_id;
  next_sequence_ = header.first_sequence + header.item_count;
  last_host_ns_ = header.last_host_ns;
  ++report_.blocks;
  report_.items += header.item_count;
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
  return false;
}

CaptureReader::CaptureReader(std::unique_ptr<Scan> scan) : scan_(std::move(scan)) {}
CaptureReader::CaptureReader(CaptureReader&& other) noexcept = default;
CaptureReader& CaptureReader::operator=(CaptureReader&& other) noexcept = default;
CaptureReader::~CaptureReader() = default;

std::variant<CaptureReader, std::string> CaptureReader::open(const std::string& folder) {
  auto segments = find_segments(folder);
  if (auto* error = std::get_if<std::string>(&segments)) {
    return std::move(*error);
  }
  auto scan = std::make_unique<Scan>(std::move(std::get<std::vector<SegmentFile>>(segments)));
  if (auto error = scan->check_versions()) {
    return std::move(*error);
  }
  return CaptureReader(std::move(scan));
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
