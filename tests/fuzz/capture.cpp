// Captures: the reader against a plain reading of CAPTURE_FORMAT.md, block by block; every whole block and nothing else.
// Most inputs would die at a checksum, so the choices may ask for right ones.
#include <fcntl.h>
#include <unistd.h>

#include <array>
#include <filesystem>

#include "monitor_rules.hpp"
#include "record/byte_order.hpp"
#include "record/capture_reader.hpp"
#include "record/capture_writer.hpp"
#include "record/crc32c.hpp"
#include "record/session_reader.hpp"
#include "tests/unit/record/edge_maker.hpp"

namespace cw::fuzz {

namespace {

using Bytes = std::vector<std::byte>;

// A folder in memory that goes away with the process.
class Folder {
 public:
  Folder() : path_("/dev/shm/crankwitness-fuzz-" + std::to_string(::getpid())) {
    std::filesystem::create_directories(path_ / "capture");
  }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  ~Folder() { std::filesystem::remove_all(path_); }

  std::string path() const { return path_.string(); }

  void write(std::uint32_t segment, std::span<const std::byte> bytes) const {
    const std::string path = (path_ / "capture" / segment_name(segment)).string();
    const int descriptor = ::open(path.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
    const ssize_t put = ::write(descriptor, bytes.data(), bytes.size());
    ::close(descriptor);
    expect(put == static_cast<ssize_t>(bytes.size()), "room in /dev/shm");
  }

 private:
  std::filesystem::path path_;
};

const Folder& folder() {
  static const Folder one;
  return one;
}

constexpr std::uint32_t magic = 0x4357424BU;  // "KBWC"

// Where a block may begin.
bool is_magic(const Bytes& bytes, std::size_t at) {
  return bytes.size() >= block_header_size && at <= bytes.size() - block_header_size &&
         load_le<std::uint32_t>(bytes.data() + at) == magic;
}

// Makes place and checksum of every block right, and of the file header.
void mend(Bytes& bytes, std::uint32_t segment) {
  if (bytes.size() >= file_header_size) {
    const auto header = make_file_header(segment);
    std::copy(header.begin(), header.end(), bytes.begin());
  }
  for (std::size_t at = file_header_size; at < bytes.size(); ++at) {
    if (!is_magic(bytes, at)) {
      continue;
    }
    const std::size_t size = block_header_size + load_le<std::uint32_t>(bytes.data() + at + 8);
    if (size > bytes.size() - at) {
      continue;
    }
    store_le(bytes.data() + at + 56, segment);
    store_le(bytes.data() + at + 60, static_cast<std::uint32_t>(at));
    store_le(bytes.data() + at + 4, crc32c(std::span(bytes).subspan(at + 8, size - 8)));
    at += size - 1;
  }
}

struct Block {
  ItemBuffer items;
  std::vector<ChannelName> names;
};

// What the page says a reader gives out, read as plainly as can be.
class PlainReader {
 public:
  void read(const Bytes& bytes, std::uint32_t segment) {
    std::size_t at = parse_file_header(bytes) ? file_header_size : 0;
    while (at < bytes.size()) {
      const std::size_t size = whole_block(bytes, at, segment);
      used_ += size;
      at += std::max<std::size_t>(size, 1);
    }
    used_ += parse_file_header(bytes) ? file_header_size : 0;
  }

  const std::vector<Block>& blocks() const { return blocks_; }
  std::uint64_t used() const { return used_; }
  std::uint64_t missing() const { return missing_; }

 private:
  std::size_t whole_block(const Bytes& bytes, std::size_t at, std::uint32_t segment) {
    const auto header = parse_block_header(std::span(bytes).subspan(at));
    if (!header || block_header_size + header->stored_size > bytes.size() - at || header->segment != segment ||
        header->position != at || (session_ && *session_ != header->session_id) ||
        header->first_sequence < next_sequence_) {
      return 0;
    }
    const std::size_t size = block_header_size + header->stored_size;
    Block block;
    if (decoder_.decode(std::span(bytes).subspan(at, size), block.items, block.names)) {
      return 0;
    }
    expect(block.items.items.size() == header->item_count, "as many items as the header says");
    expect(block.items.items.front().sequence == header->first_sequence, "items numbered from the header's first");
    missing_ += header->first_sequence - next_sequence_;
    next_sequence_ = header->first_sequence + header->item_count;
    session_ = header->session_id;
    blocks_.push_back(std::move(block));
    return size;
  }

  BlockDecoder decoder_;
  std::vector<Block> blocks_;
  std::optional<std::uint64_t> session_;
  std::uint64_t next_sequence_ = 0;
  std::uint64_t missing_ = 0;
  std::uint64_t used_ = 0;
};

// What is read can be written, and reads as the same.
void try_again(const Block& block) {
  BlockEncoder encoder;
  for (const Item& item : block.items.items) {
    if (!encoder.takes(item)) {
      return;
    }
    encoder.add(item, block.items.payload);
  }
  BlockDecoder decoder;
  Block again;
  const auto problem = decoder.decode(encoder.finish({1, 1, 24}), again.items, again.names);
  expect(!problem, "a block that was just written to be read");
  expect(test::same_items(block.items.batch(), again.items.batch()), "the same items after writing and reading");
}

void try_reader(const PlainReader& plain, std::uint64_t bytes) {
  auto opened = CaptureReader::open(folder().path() + "/capture");
  auto* reader = std::get_if<CaptureReader>(&opened);
  if (reader == nullptr) {
    return;  // a version that is not known
  }
  std::size_t count = 0;
  for (CaptureBlock block; reader->next(block); ++count) {
    expect(count < plain.blocks().size(), "no block that is not whole");
    const Block& known = plain.blocks()[count];
    expect(test::same_items(known.items.batch(), block.items.batch()), "the items of the block and no others");
    expect(known.names == block.names, "the names of the block");
  }
  expect(count == plain.blocks().size(), "every whole block");
  const CaptureReport& report = reader->report();
  expect(report.bytes_dropped + plain.used() == bytes, "every byte in a block or told as dropped");
  expect(report.missing_items == plain.missing(), "every missing item told");
}

// The session as a source: numbers rise, and the monitor bears it.
void try_session(Choices& choices) {
  constexpr unsigned seldom = 3;  // one in eight: a monitor is much slower than a reader
  if (choices.take(seldom) != 0) {
    return;
  }
  auto opened = SessionReader::open(folder().path());
  auto* reader = std::get_if<SessionReader>(&opened);
  if (reader == nullptr) {
    return;
  }
  ItemBuffer all;
  for (ItemBuffer some; reader->next(some);) {
    for (const Item& item : some.items) {
      expect(all.items.empty() || item.sequence >= all.items.back().sequence, "numbers that do not fall");
      all.add_copy(item, some.payload);
    }
  }
  const std::vector<Engine>& engines = ready_engines();
  try_monitor(engines[choices.take(4) % engines.size()], all);
}

Bytes file_of(std::string_view text) {
  const auto bytes = std::as_bytes(std::span(text));
  return {bytes.begin(), bytes.end()};
}

}  // namespace

void run(std::string_view input) {
  Choices choices(input);
  const bool mended = choices.flag();
  const bool two_segments = choices.flag();
  const std::string_view rest = choices.rest();
  const std::size_t first = two_segments ? rest.size() / 2 : rest.size();
  PlainReader plain;
  std::uint32_t segment = 0;
  for (const std::string_view text : {rest.substr(0, first), rest.substr(first)}) {
    Bytes bytes = file_of(text);
    if (mended) {
      mend(bytes, ++segment);
    } else {
      ++segment;
    }
    folder().write(segment, bytes);
    plain.read(bytes, segment);
  }
  for (const Block& block : plain.blocks()) {
    try_again(block);
  }
  try_reader(plain, rest.size());
  try_session(choices);
}

void seeds(const AddSeed& add) {
  for (const BlockCodec codec : {BlockCodec::stored, BlockCodec::zstd}) {
    for (const int turns : {1, 4, 30}) {
      BlockEncoder encoder(codec);
      const ItemBuffer items = test::wheel_items(turns);
      const auto header = make_file_header(1);
      Bytes file(header.begin(), header.end());
      const auto close = [&] {
        const auto block = encoder.finish({7, 1, static_cast<std::uint32_t>(file.size())});
        file.insert(file.end(), block.begin(), block.end());
      };
      for (const Item& item : items.items) {
        if (!encoder.takes(item)) {
          close();
        }
        encoder.add(item, items.payload);
      }
      close();
      add({reinterpret_cast<const char*>(file.data()), file.size()});
    }
  }
}

std::span<const std::string_view> words() {
  using std::string_view_literals::operator""sv;
  static constexpr std::string_view all[] = {"KBWC"sv,
                                             "\x89"
                                             "CWR\r\n\x1A\n"sv,
                                             "\x28\xB5\x2F\xFD"sv,
                                             "crank"sv,
                                             "\0\0\0\0"sv,
                                             "\xFF\xFF\xFF\xFF"sv};
  return all;
}

}  // namespace cw::fuzz
