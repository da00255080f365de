#include "record/capture_block.hpp"

#include <zstd.h>

#include <algorithm>
#include <map>

#include "record/byte_order.hpp"
#include "record/crc32c.hpp"

namespace cw {

namespace {

constexpr std::array<std::byte, 8> file_magic = {std::byte{0x89}, std::byte{'C'},  std::byte{'W'},  std::byte{'R'},
                                                 std::byte{'\r'}, std::byte{'\n'}, std::byte{0x1A}, std::byte{'\n'}};
constexpr std::uint32_t block_magic = 0x4357424BU;  // "KBWC" in the file

// Places of the fields in the block header, CAPTURE_FORMAT.md.
constexpr std::size_t checksum_at = 4;
constexpr std::size_t checked_from = 8;

constexpr std::size_t keys_max = 255;
constexpr int zstd_level = 1;

enum HostMode : std::uint8_t { host_as_before = 0, host_is_source = 1, host_in_column = 2, host_mode_mask = 3 };
constexpr std::uint8_t payload_flag = 4;

struct KeyFields {
  std::uint8_t kind = 0;
  std::uint8_t source = 0;
  std::uint8_t channel = 0;
  std::uint8_t code = 0;
  std::uint8_t flags = 0;
};

constexpr std::uint64_t pack(const KeyFields& key) {
  return std::uint64_t{key.kind} | (std::uint64_t{key.source} << 8U) | (std::uint64_t{key.channel} << 16U) |
         (std::uint64_t{key.code} << 24U) | (std::uint64_t{key.flags} << 32U);
}
constexpr std::uint64_t lane_mask = 0xFFFFFFFFU;  // the packed key without its flags

// The order of channel names in a block is not that of a map by accident: it follows the keys (first use).
constexpr std::uint16_t channel_id(std::uint8_t source, std::uint8_t channel) {
  return static_cast<std::uint16_t>((source << 8U) | channel);
}

}  // namespace

std::array<std::byte, file_header_size> make_file_header(std::uint32_t segment) {
  std::array<std::byte, file_header_size> bytes{};
  std::copy(file_magic.begin(), file_magic.end(), bytes.begin());
  store_le(bytes.data() + 8, capture_version);
  store_le(bytes.data() + 12, segment);
  store_le(bytes.data() + 16, crc32c(std::span(bytes).first(16)));
  return bytes;
}

std::optional<FileHeader> parse_file_header(std::span<const std::byte> bytes) {
  if (bytes.size() < file_header_size || !std::equal(file_magic.begin(), file_magic.end(), bytes.begin()) ||
      load_le<std::uint32_t>(bytes.data() + 16) != crc32c(bytes.first(16))) {
    return std::nullopt;
  }
  return FileHeader{load_le<std::uint32_t>(bytes.data() + 8), load_le<std::uint32_t>(bytes.data() + 12)};
}

std::optional<BlockHeader> parse_block_header(std::span<const std::byte> bytes) {
  if (bytes.size() < block_header_size || load_le<std::uint32_t>(bytes.data()) != block_magic) {
    return std::nullopt;
  }
  const std::byte* at = bytes.data();
  BlockHeader header;
  header.checksum = load_le<std::uint32_t>(at + checksum_at);
  header.stored_size = load_le<std::uint32_t>(at + 8);
  header.raw_size = load_le<std::uint32_t>(at + 12);
  header.item_count = load_le<std::uint32_t>(at + 16);
  header.codec = static_cast<BlockCodec>(load_le<std::uint32_t>(at + 20));
  header.first_sequence = load_le<std::uint64_t>(at + 24);
  header.first_host_ns = load_le<std::int64_t>(at + 32);
  header.last_host_ns = load_le<std::int64_t>(at + 40);
  header.session_id = load_le<std::uint64_t>(at + 48);
  header.segment = load_le<std::uint32_t>(at + 56);
  header.position = load_le<std::uint32_t>(at + 60);
  const bool sound = header.stored_size > 0 && header.stored_size <= stored_size_max && header.raw_size > 0 &&
                     header.raw_size <= raw_size_max && header.item_count > 0 && header.item_count <= block_items_max &&
                     (header.codec == BlockCodec::zstd || header.stored_size == header.raw_size) &&
                     header.codec <= BlockCodec::zstd && header.first_sequence <= UINT64_MAX - header.item_count;
  return sound ? std::optional(header) : std::nullopt;
}

// ---- encoding ----

struct BlockEncoder::Lane {
  std::uint64_t last = 0;
  std::uint64_t step = 0;
};

struct BlockEncoder::Key {
  KeyFields fields;
  std::uint8_t lane = 0;
};

struct BlockEncoder::State {
  static constexpr std::size_t slots = 1024;  // more than twice keys_max, a power of two
  struct Slot {
    std::uint64_t packed = 0;
    std::uint16_t key = 0xFFFF;
  };
  std::array<Slot, slots> table;
  std::vector<Key> keys;
  std::vector<Lane> lanes;
  std::map<std::uint16_t, std::string> names;  // all that are known, by channel_id
  std::uint64_t last_packed = UINT64_MAX;
  std::uint8_t last_key = 0;
  std::int64_t base_source_ns = 0;
  std::vector<std::byte> key_column;
  std::vector<std::byte> time_column;
  std::vector<std::byte> host_column;
  std::vector<std::byte> payload_column;
  std::vector<std::byte> body;
  std::vector<std::byte> block;
  ZSTD_CCtx* packer = ZSTD_createCCtx();

  State() = default;
  State(const State&) = delete;
  State& operator=(const State&) = delete;
  ~State() { ZSTD_freeCCtx(packer); }
};

BlockEncoder::BlockEncoder(BlockCodec codec) : state_(std::make_unique<State>()), codec_(codec) {}
BlockEncoder::~BlockEncoder() = default;

bool BlockEncoder::takes(const Item& item) const {
  if (count_ == 0) {
    return true;
  }
  const State& s = *state_;
  const std::size_t size = s.key_column.size() + s.time_column.size() + s.host_column.size() + s.payload_column.size();
  const auto elapsed = static_cast<std::uint64_t>(item.host_ns) - static_cast<std::uint64_t>(first_host_ns_);
  return item.sequence == next_sequence() && size < block_close_bytes && s.keys.size() < keys_max &&
         count_ < block_items_max && elapsed < static_cast<std::uint64_t>(block_close_ns);
}

std::uint8_t BlockEncoder::key_for(const Item& item, std::uint8_t flags) {
  State& s = *state_;
  const std::uint64_t packed =
      pack({static_cast<std::uint8_t>(item.kind), item.source, item.channel, item.code, flags});
  if (packed == s.last_packed) {
    return s.last_key;
  }
  constexpr std::uint64_t spread = 0x9E3779B97F4A7C15ULL;
  std::size_t slot = (packed * spread) >> 54U;  // the top 10 bits: 0 to slots - 1
  while (s.table[slot].key != 0xFFFF && s.table[slot].packed != packed) {
    slot = (slot + 1) % State::slots;
  }
  if (s.table[slot].key == 0xFFFF) {
    add_key(packed, slot);
  }
  s.last_packed = packed;
  s.last_key = static_cast<std::uint8_t>(s.table[slot].key);
  return s.last_key;
}

void BlockEncoder::add_key(std::uint64_t packed, std::size_t slot) {
  State& s = *state_;
  Key key;
  key.fields = {static_cast<std::uint8_t>(packed), static_cast<std::uint8_t>(packed >> 8U),
                static_cast<std::uint8_t>(packed >> 16U), static_cast<std::uint8_t>(packed >> 24U),
                static_cast<std::uint8_t>(packed >> 32U)};
  const auto same_lane = std::find_if(s.keys.begin(), s.keys.end(), [&](const Key& other) {
    return (pack(other.fields) & lane_mask) == (packed & lane_mask);
  });
  if (same_lane != s.keys.end()) {
    key.lane = same_lane->lane;
  } else {
    key.lane = static_cast<std::uint8_t>(s.lanes.size());
    s.lanes.push_back({static_cast<std::uint64_t>(s.base_source_ns), 0});
  }
  s.table[slot] = {packed, static_cast<std::uint16_t>(s.keys.size())};
  s.keys.push_back(key);
}

void BlockEncoder::note_name(const Item& item, std::span<const std::byte> payload) {
  const auto bytes = payload_of(item, payload);
  const std::size_t length = std::min<std::size_t>(bytes.size(), 255);
  state_->names[channel_id(item.source, item.channel)] =
      std::string(reinterpret_cast<const char*>(bytes.data()), length);
}

void BlockEncoder::know_name(const ChannelName& name) {
  state_->names[channel_id(name.source, name.channel)] = name.name;
}

void BlockEncoder::add(const Item& item, std::span<const std::byte> payload) {
  State& s = *state_;
  if (count_ == 0) {
    first_sequence_ = item.sequence;
    first_host_ns_ = item.host_ns;
    last_host_ns_ = item.host_ns;
    s.base_source_ns = item.source_ns;
  }
  std::uint8_t flags = host_in_column;
  if (item.host_ns == last_host_ns_) {
    flags = host_as_before;
  } else if (item.host_ns == item.source_ns) {
    flags = host_is_source;
  }
  const bool has_payload = item.payload_at != Item::no_payload;
  const std::uint8_t index = key_for(item, has_payload ? flags | payload_flag : flags);
  s.key_column.push_back(static_cast<std::byte>(index));

  Lane& lane = s.lanes[s.keys[index].lane];
  const auto time = static_cast<std::uint64_t>(item.source_ns);
  const std::uint64_t step = time - lane.last;
  append_varint(s.time_column, fold_sign(step - lane.step));
  lane = {time, step};

  if (flags == host_in_column) {
    append_varint(s.host_column,
                  fold_sign(static_cast<std::uint64_t>(item.host_ns) - static_cast<std::uint64_t>(last_host_ns_)));
  }
  if (has_payload) {
    const auto bytes = payload_of(item, payload);
    append_le(s.payload_column, static_cast<std::uint16_t>(bytes.size()));
    s.payload_column.insert(s.payload_column.end(), bytes.begin(), bytes.end());
    if (item.kind == ItemKind::link_note && item.code == static_cast<std::uint8_t>(LinkNote::channel_named)) {
      note_name(item, payload);
    }
  }
  last_host_ns_ = item.host_ns;
  ++count_;
}

void BlockEncoder::build_body() {
  State& s = *state_;
  s.body.clear();
  append_le(s.body, s.base_source_ns);
  append_le(s.body, static_cast<std::uint8_t>(s.keys.size()));
  std::vector<std::uint16_t> channels;
  for (const Key& key : s.keys) {
    for (const std::uint8_t field :
         {key.fields.kind, key.fields.source, key.fields.channel, key.fields.code, key.fields.flags}) {
      append_le(s.body, field);
    }
    const std::uint16_t id = channel_id(key.fields.source, key.fields.channel);
    const bool on_a_channel = key.fields.kind == static_cast<std::uint8_t>(ItemKind::edge) ||
                              key.fields.kind == static_cast<std::uint8_t>(ItemKind::can_frame);
    if (on_a_channel && s.names.contains(id) && std::find(channels.begin(), channels.end(), id) == channels.end()) {
      channels.push_back(id);
    }
  }
  append_le(s.body, static_cast<std::uint8_t>(channels.size()));
  for (const std::uint16_t id : channels) {
    const std::string& name = s.names.at(id);
    append_le(s.body, static_cast<std::uint8_t>(id >> 8U));
    append_le(s.body, static_cast<std::uint8_t>(id));
    append_le(s.body, static_cast<std::uint8_t>(name.size()));
    const auto bytes = std::as_bytes(std::span(name));
    s.body.insert(s.body.end(), bytes.begin(), bytes.end());
  }
  append_le(s.body, static_cast<std::uint32_t>(s.time_column.size()));
  append_le(s.body, static_cast<std::uint32_t>(s.host_column.size()));
  for (const auto* column : {&s.key_column, &s.time_column, &s.host_column, &s.payload_column}) {
    s.body.insert(s.body.end(), column->begin(), column->end());
  }
}

void BlockEncoder::restart() {
  State& s = *state_;
  s.table.fill({});
  s.keys.clear();
  s.lanes.clear();
  s.last_packed = UINT64_MAX;
  s.key_column.clear();
  s.time_column.clear();
  s.host_column.clear();
  s.payload_column.clear();
  count_ = 0;
}

std::span<const std::byte> BlockEncoder::finish(const BlockPlace& place) {
  State& s = *state_;
  build_body();
  s.block.resize(block_header_size + ZSTD_compressBound(s.body.size()));
  std::size_t stored = 0;
  BlockCodec codec = codec_;
  if (codec == BlockCodec::zstd) {
    stored = ZSTD_compressCCtx(s.packer, s.block.data() + block_header_size, s.block.size() - block_header_size,
                               s.body.data(), s.body.size(), zstd_level);
    if (ZSTD_isError(stored) != 0U || stored >= s.body.size()) {
      codec = BlockCodec::stored;
    }
  }
  if (codec == BlockCodec::stored) {
    std::copy(s.body.begin(), s.body.end(), s.block.begin() + block_header_size);
    stored = s.body.size();
  }
  std::byte* at = s.block.data();
  store_le(at, block_magic);
  store_le(at + 8, static_cast<std::uint32_t>(stored));
  store_le(at + 12, static_cast<std::uint32_t>(s.body.size()));
  store_le(at + 16, count_);
  store_le(at + 20, static_cast<std::uint32_t>(codec));
  store_le(at + 24, first_sequence_);
  store_le(at + 32, first_host_ns_);
  store_le(at + 40, last_host_ns_);
  store_le(at + 48, place.session_id);
  store_le(at + 56, place.segment);
  store_le(at + 60, place.position);
  s.block.resize(block_header_size + stored);
  store_le(at + checksum_at, crc32c(std::span(s.block).subspan(checked_from)));
  restart();
  return s.block;
}

// ---- decoding ----

namespace {

// A key as the decoder wants it: the fields of an item ready to copy, and what to do for host time and payload.
struct DecodedKey {
  Item item;
  std::uint8_t lane = 0;
  std::uint8_t host_mode = 0;
  bool has_payload = false;
};

struct DecodedLane {
  std::uint64_t last = 0;
  std::uint64_t step = 0;
};

struct Columns {
  const std::byte* keys = nullptr;
  const std::byte* time = nullptr;
  const std::byte* time_end = nullptr;
  const std::byte* host = nullptr;
  const std::byte* host_end = nullptr;
  const std::byte* payload = nullptr;
  const std::byte* payload_end = nullptr;
};

struct Cursor {
  const std::byte* at;
  const std::byte* end;
  std::size_t left() const { return static_cast<std::size_t>(end - at); }
  template <typename Integer>
  bool take(Integer& value) {
    if (left() < sizeof(Integer)) {
      return false;
    }
    value = load_le<Integer>(at);
    at += sizeof(Integer);
    return true;
  }
};

}  // namespace

struct BlockDecoder::State {
  std::vector<std::byte> body;
  std::array<DecodedKey, keys_max> keys;
  std::array<DecodedLane, keys_max> lanes;
  std::size_t key_count = 0;
  Columns columns;
  ZSTD_DCtx* unpacker = ZSTD_createDCtx();

  State() = default;
  State(const State&) = delete;
  State& operator=(const State&) = delete;
  ~State() { ZSTD_freeDCtx(unpacker); }

  bool unpack(const BlockHeader& header, std::span<const std::byte> stored);
  bool take_keys(Cursor& cursor);
  static bool take_names(Cursor& cursor, std::vector<ChannelName>& names);
  bool take_columns(Cursor& cursor, std::uint32_t item_count);
  bool take_items(const BlockHeader& header, ItemBuffer& out);
  bool take_payload(ItemBuffer& out, Item& item);
};

BlockDecoder::BlockDecoder() : state_(std::make_unique<State>()) {}
BlockDecoder::~BlockDecoder() = default;

bool BlockDecoder::State::unpack(const BlockHeader& header, std::span<const std::byte> stored) {
  body.resize(header.raw_size);
  if (header.codec == BlockCodec::stored) {
    std::copy(stored.begin(), stored.end(), body.begin());
    return true;
  }
  const std::size_t size = ZSTD_decompressDCtx(unpacker, body.data(), body.size(), stored.data(), stored.size());
  return ZSTD_isError(size) == 0U && size == body.size();
}

bool BlockDecoder::State::take_keys(Cursor& cursor) {
  std::int64_t base_source_ns = 0;
  std::uint8_t count = 0;
  if (!cursor.take(base_source_ns) || !cursor.take(count) || count == 0) {
    return false;
  }
  key_count = count;
  std::array<std::uint64_t, keys_max> packed{};
  std::size_t lane_count = 0;
  for (std::size_t i = 0; i < key_count; ++i) {
    KeyFields f;
    if (!cursor.take(f.kind) || !cursor.take(f.source) || !cursor.take(f.channel) || !cursor.take(f.code) ||
        !cursor.take(f.flags)) {
      return false;
    }
    const auto mode = static_cast<std::uint8_t>(f.flags & host_mode_mask);
    if (f.kind > static_cast<std::uint8_t>(ItemKind::gap) || mode > host_in_column ||
        (f.flags & ~(host_mode_mask | payload_flag)) != 0) {
      return false;
    }
    packed[i] = pack(f) & lane_mask;
    std::size_t same = 0;
    while (packed[same] != packed[i]) {
      ++same;
    }
    DecodedKey& key = keys[i];
    key.lane = same < i ? keys[same].lane : static_cast<std::uint8_t>(lane_count++);
    key.host_mode = mode;
    key.has_payload = (f.flags & payload_flag) != 0;
    key.item = Item{0, 0, 0, static_cast<ItemKind>(f.kind), f.source, f.channel, f.code, Item::no_payload};
  }
  lanes.fill({static_cast<std::uint64_t>(base_source_ns), 0});
  return true;
}

bool BlockDecoder::State::take_names(Cursor& cursor, std::vector<ChannelName>& names) {
  std::uint8_t count = 0;
  if (!cursor.take(count)) {
    return false;
  }
  for (int i = 0; i < count; ++i) {
    ChannelName name;
    std::uint8_t size = 0;
    if (!cursor.take(name.source) || !cursor.take(name.channel) || !cursor.take(size) || cursor.left() < size) {
      return false;
    }
    name.name.assign(reinterpret_cast<const char*>(cursor.at), size);
    cursor.at += size;
    names.push_back(std::move(name));
  }
  return true;
}

bool BlockDecoder::State::take_columns(Cursor& cursor, std::uint32_t item_count) {
  std::uint32_t time_size = 0;
  std::uint32_t host_size = 0;
  if (!cursor.take(time_size) || !cursor.take(host_size) ||
      cursor.left() < std::uint64_t{item_count} + time_size + host_size) {
    return false;
  }
  columns.keys = cursor.at;
  columns.time = columns.keys + item_count;
  columns.time_end = columns.time + time_size;
  columns.host = columns.time_end;
  columns.host_end = columns.host + host_size;
  columns.payload = columns.host_end;
  columns.payload_end = cursor.end;
  return true;
}

bool BlockDecoder::State::take_payload(ItemBuffer& out, Item& item) {
  Cursor cursor{columns.payload, columns.payload_end};
  std::uint16_t size = 0;
  if (!cursor.take(size) || cursor.left() < size) {
    return false;
  }
  item.payload_at = static_cast<std::uint32_t>(out.payload.size());
  out.payload.insert(out.payload.end(), columns.payload, cursor.at + size);
  columns.payload = cursor.at + size;
  return true;
}

bool BlockDecoder::State::take_items(const BlockHeader& header, ItemBuffer& out) {
  out.items.resize(header.item_count);
  Item* item = out.items.data();
  const std::byte* time = columns.time;
  std::int64_t host_ns = header.first_host_ns;
  for (std::uint32_t i = 0; i < header.item_count; ++i, ++item) {
    const auto index = std::to_integer<std::size_t>(columns.keys[i]);
    std::uint64_t folded = 0;
    if (index >= key_count || !read_varint(time, columns.time_end, folded)) {
      return false;
    }
    const DecodedKey& key = keys[index];
    DecodedLane& lane = lanes[key.lane];
    lane.step += unfold_sign(folded);
    lane.last += lane.step;
    *item = key.item;
    item->source_ns = static_cast<std::int64_t>(lane.last);
    item->sequence = header.first_sequence + i;
    if (key.host_mode == host_is_source) {
      host_ns = item->source_ns;
    } else if (key.host_mode == host_in_column) {
      if (!read_varint(columns.host, columns.host_end, folded)) {
        return false;
      }
      host_ns = static_cast<std::int64_t>(static_cast<std::uint64_t>(host_ns) + unfold_sign(folded));
    }
    item->host_ns = host_ns;
    if (key.has_payload && !take_payload(out, *item)) {
      return false;
    }
  }
  return time == columns.time_end && columns.host == columns.host_end && columns.payload == columns.payload_end &&
         out.items.front().host_ns == header.first_host_ns && host_ns == header.last_host_ns;
}

std::optional<std::string> BlockDecoder::decode(std::span<const std::byte> block, ItemBuffer& out,
                                                std::vector<ChannelName>& names) {
  out.clear();
  names.clear();
  const auto header = parse_block_header(block);
  if (!header || block.size() != block_header_size + header->stored_size) {
    return "no sound block header";
  }
  if (crc32c(block.subspan(checked_from)) != header->checksum) {
    return "checksum does not fit";
  }
  State& s = *state_;
  if (!s.unpack(*header, block.subspan(block_header_size))) {
    return "does not unpack";
  }
  Cursor cursor{s.body.data(), s.body.data() + s.body.size()};
  if (!s.take_keys(cursor) || !State::take_names(cursor, names) || !s.take_columns(cursor, header->item_count) ||
      !s.take_items(*header, out)) {
    out.clear();
    names.clear();
    return "body contradicts its header";
  }
  return std::nullopt;
}

}  // namespace cw
