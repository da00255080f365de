// One raw file (edge CSV, VCD, CAN log ...) that is replayed: its items with the host times they get.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "cli/sequencer.hpp"
#include "drivers/driver.hpp"
#include "record/session_info.hpp"

namespace cw {

class RawFile {
 public:
  // An error line when there is no such file.
  static std::variant<RawFile, std::string> open(const std::string& path);

  // Before the first fill(): its number among the files, how much is added to its times, and how its channels are
  // called: (name in the engine file, the file's own).
  void begin(std::uint8_t number, std::int64_t shift_ns, ChannelNames channels);

  // Reads on until there is an item to take, the file ends, or it is wrong: then error() says why.
  void fill();
  const std::string& error() const { return error_; }

  bool at_end() const { return ended_ && !has_next(); }
  bool has_next() const { return taken_ < items_.items.size(); }
  // When the next item happened, by the one clock of the replay. Only when there is one.
  std::int64_t next_ns() const { return items_.items[taken_].host_ns; }
  void take_next(ItemBuffer& out) { out.add_copy(items_.items[taken_++], items_.payload); }
  // All that has been read at once, when none of it has been taken; valid until the next fill().
  const ItemBuffer& take_all() {
    taken_ = items_.items.size();
    return items_;
  }

  const std::string& path() const { return path_; }
  SourceInfo info() const;
  std::uint64_t bytes_total() const { return bytes_total_; }
  std::uint64_t bytes_done() const { return bytes_done_; }

 private:
  RawFile() = default;
  std::optional<std::string> open_file();
  void read_chunk();

  std::string path_;
  const DriverEntry* entry_ = nullptr;
  std::unique_ptr<Driver> driver_;
  std::uint8_t number_ = 0;
  ChannelNames channels_;
  std::int64_t shift_ns_ = 0;
  FileStamper stamper_;
  std::unique_ptr<int, void (*)(int*)> descriptor_{nullptr, nullptr};
  std::vector<char> bytes_;
  ItemBuffer items_;
  std::size_t taken_ = 0;
  std::uint64_t bytes_total_ = 0;
  std::uint64_t bytes_done_ = 0;
  bool ended_ = false;
  std::string error_;
};

}  // namespace cw
