// A capture device: the project's C encoder as firmware uses it, with a UART behind it that does so many baud.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <deque>
#include <vector>

#include "edges.hpp"
#include "tests/unit/drivers/encoder_object.h"

namespace cw::load {

struct DeviceSettings {
  std::uint32_t rate_hz = 1'000'000;
  std::size_t ring_bytes = 4096;  // waiting for the line; what finds no room is dropped and counted
  std::uint32_t baud = 921'600;   // ten bits a byte; 0: the line takes what it is given at once
  bool keep_sent = true;          // remember each edge that was sent
};

struct SentEdge {
  Edge edge;  // its time as the device tells it: whole ticks
  std::int64_t wire_ns =
      0;  // host time just before the write() that put the last byte of its frame on the line; 0: never
};

class CaptureDevice {
 public:
  // Writes to `line`, which must not block, and never reads from it.
  CaptureDevice(int line, const DeviceSettings& settings);
  CaptureDevice(const CaptureDevice&) = delete;
  CaptureDevice& operator=(const CaptureDevice&) = delete;

  void edge(const Edge& edge);
  // The firmware's main loop, at least every 5 ms: the time now on the device's clock, and on the host's.
  void poll(std::int64_t device_ns, std::int64_t host_ns);
  // What the encoder holds back is sent with the next poll().
  void flush();
  // Whether nothing waits for the line.
  bool idle() const;

  std::uint64_t made() const { return made_; }                // edges that the engine gave
  std::uint64_t dropped() const { return encoder_.dropped; }  // of these, counted as dropped
  std::uint64_t sent() const { return made_ - encoder_.dropped; }
  std::uint64_t bytes_written() const { return written_; }
  const std::vector<SentEdge>& sent_edges() const { return sent_; }

 private:
  // Edges up to number `edges` are on the line once `bytes` are.
  struct FrameEnd {
    std::uint64_t bytes;
    std::uint64_t edges;
  };
  std::uint64_t ticks_of(std::int64_t device_ns) const;
  void note_frame_end();
  std::size_t line_allows(std::int64_t host_ns) const;
  void send(std::int64_t host_ns);
  void note_written(std::size_t bytes, std::int64_t host_ns);

  int line_;
  DeviceSettings settings_;
  std::vector<std::uint8_t> ring_;
  cwes_encoder encoder_{};
  std::uint64_t made_ = 0;
  std::array<std::uint8_t, 64> uart_{};  // taken from the encoder; from uart_begin_ to uart_end_ not on the line yet
  std::size_t uart_begin_ = 0;
  std::size_t uart_end_ = 0;
  std::uint64_t taken_ = 0;  // bytes
  std::uint64_t written_ = 0;
  std::int64_t last_send_ns_ = 0;
  std::uint16_t edges_seen_ = 0;
  std::uint64_t closed_ = 0;  // edges in closed frames
  std::uint64_t wired_ = 0;   // edges on the line
  std::deque<FrameEnd> frame_ends_;
  std::vector<SentEdge> sent_;
};

}  // namespace cw::load
