// One block of the capture format (CAPTURE_FORMAT.md): items to bytes and back. No file, no clock.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "items/item_buffer.hpp"

namespace cw {

inline constexpr std::size_t file_header_size = 24;
inline constexpr std::size_t block_header_size = 64;
inline constexpr std::uint32_t capture_version = 1;
inline constexpr std::size_t block_close_bytes = 64 * 1024;
inline constexpr std::int64_t block_close_ns = 500'000'000;
inline constexpr std::uint32_t block_items_max = 65536;
inline constexpr std::uint32_t stored_size_max = 2 * 1024 * 1024;
inline constexpr std::uint32_t raw_size_max = 1024 * 1024;

enum class BlockCodec : std::uint32_t { stored = 0, zstd = 1 };

struct BlockHeader {
  std::uint32_t checksum = 0;
  std::uint32_t stored_size = 0;
  std::uint32_t raw_size = 0;
  std::uint32_t item_count = 0;
  BlockCodec codec = BlockCodec::stored;
  std::uint64_t first_sequence = 0;
  std::int64_t first_host_ns = 0;
  std::int64_t last_host_ns = 0;
  std::uint64_t session_id = 0;
  std::uint32_t segment = 0;
  std::uint32_t position = 0;
};

struct ChannelName {
  std::uint8_t source = 0;
  std::uint8_t channel = 0;
  std::string name;
  friend bool operator==(const ChannelName&, const ChannelName&) = default;
};

// Whether `item` is the recorder's mark at the end of a hole: a gap of reason recorder_behind.
inline bool is_marker(const Item& item) {
  return item.kind == ItemKind::gap && item.code == static_cast<std::uint8_t>(GapReason::recorder_behind);
}

std::array<std::byte, file_header_size> make_file_header(std::uint32_t segment);

struct FileHeader {
  std::uint32_t version = 0;
  std::uint32_t segment = 0;
};
// Nothing when the magic or the checksum is wrong. `bytes` must hold file_header_size.
std::optional<FileHeader> parse_file_header(std::span<const std::byte> bytes);

// The header of a block, when the magic stands there and the sizes are within the limits; the checksum is not looked
// at. `bytes` must hold block_header_size.
std::optional<BlockHeader> parse_block_header(std::span<const std::byte> bytes);

// Where a block is written: goes into its header.
struct BlockPlace {
  std::uint64_t session_id = 0;
  std::uint32_t segment = 0;
  std::uint32_t position = 0;
};

// Gathers the items of one block.
class BlockEncoder {
 public:
  explicit BlockEncoder(BlockCodec codec = BlockCodec::zstd);
  BlockEncoder(const BlockEncoder&) = delete;
  BlockEncoder& operator=(const BlockEncoder&) = delete;
  ~BlockEncoder();

  // Whether `item` may join the block: it follows in sequence, and no limit has been reached.
  bool takes(const Item& item) const;
  // Adds an item that takes() accepts; `payload` are the payload bytes of its batch.
  void add(const Item& item, std::span<const std::byte> payload);
  // The name of a channel from now on; add() sees the notes in the stream itself.
  void know_name(const ChannelName& name);
  bool empty() const { return count_ == 0; }
  std::uint64_t first_sequence() const { return first_sequence_; }
  std::uint64_t next_sequence() const { return first_sequence_ + count_; }
  std::uint32_t item_count() const { return count_; }
  std::int64_t first_host_ns() const { return first_host_ns_; }  // of the first item; meaningless without one
  std::int64_t last_host_ns() const { return last_host_ns_; }

  // The finished block, header and body, to be written at `place`. Starts a new, empty block; channel names are kept.
  // Valid until the next call.
  std::span<const std::byte> finish(const BlockPlace& place);

 private:
  struct Key;
  struct Lane;
  struct State;
  std::uint8_t key_for(const Item& item, std::uint8_t flags);
  void add_key(std::uint64_t packed, std::size_t slot);
  void note_name(const Item& item, std::span<const std::byte> payload);
  void build_body();
  void restart();

  std::unique_ptr<State> state_;
  BlockCodec codec_;
  std::uint32_t count_ = 0;
  std::uint64_t first_sequence_ = 0;
  std::int64_t first_host_ns_ = 0;
  std::int64_t last_host_ns_ = 0;
};

// Unpacks blocks; keeps its working memory from one to the next.
class BlockDecoder {
 public:
  BlockDecoder();
  BlockDecoder(const BlockDecoder&) = delete;
  BlockDecoder& operator=(const BlockDecoder&) = delete;
  ~BlockDecoder();

  // Checks the checksum of `block` (header and stored body, exactly) and unpacks it. On success `out` and `names` are
  // replaced; on failure they are left empty and the reason is returned.
  std::optional<std::string> decode(std::span<const std::byte> block, ItemBuffer& out, std::vector<ChannelName>& names);

 private:
  struct State;
  std::unique_ptr<State> state_;
};

}  // namespace cw
