// The real disk with trouble that a test turns on and off: calls that are refused, that stall, or that find no room.
#pragma once

#include <atomic>
#include <cerrno>
#include <chrono>
#include <cstdint>
#include <string>
#include <thread>

#include "record/file_layer.hpp"

namespace cw::test {

class TroubledDisk {
 public:
  // What is told to whoever writes, syncs, creates or renames; 0: nothing is refused.
  std::atomic<int> refuse{0};
  std::atomic<bool> refuse_cut{false};
  std::atomic<bool> stalled{false};    // syncs wait until it is false again
  std::atomic<int> sync_ms{0};         // each sync takes so long
  std::atomic<std::int64_t> free{-1};  // free bytes as told; -1: as they are
  std::atomic<int> part_first{0};      // the next append writes so many bytes and then refuses

  FileLayer layer() {
    const FileLayer real;
    FileLayer layer;
    layer.append = [this, real](int file, std::span<const std::byte> bytes) -> std::int64_t {
      if (const int part = part_first.exchange(0); part > 0) {
        refuse = ENOSPC;
        return real.append(file, bytes.first(static_cast<std::size_t>(part)));
      }
      return refuse != 0 ? -refuse : real.append(file, bytes);
    };
    layer.create = [this, real](const std::string& path) { return refuse != 0 ? -refuse : real.create(path); };
    layer.rename = [this, real](const std::string& from, const std::string& to) {
      return refuse != 0 ? -refuse : real.rename(from, to);
    };
    layer.cut = [this, real](int file, std::uint64_t size) { return refuse_cut ? -EIO : real.cut(file, size); };
    layer.sync = [this, real](int file) {
      while (stalled) {
        std::this_thread::sleep_for(std::chrono::milliseconds(2));
      }
      std::this_thread::sleep_for(std::chrono::milliseconds(sync_ms));
      return refuse != 0 ? -refuse : real.sync(file);
    };
    layer.free_bytes = [this, real](const std::string& path) {
      return free >= 0 ? free.load() : real.free_bytes(path);
    };
    return layer;
  }
};

}  // namespace cw::test
