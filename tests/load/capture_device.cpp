#include "capture_device.hpp"

#include <unistd.h>

#include <algorithm>
#include <array>
#include <cstdlib>

namespace cw::load {

namespace {

constexpr std::array<const char*, 3> channel_names = {"crank", "cam1", "ref"};
constexpr std::int64_t ns_per_s = 1'000'000'000;

}  // namespace

CaptureDevice::CaptureDevice(int line, const DeviceSettings& settings)
    : line_(line), settings_(settings), ring_(settings.ring_bytes) {
  if (encoder_init(&encoder_, CWES_BINARY, settings.rate_hz, 32, channel_names.data(), channel_names.size(),
                   ring_.data(), ring_.size()) != 1) {
    std::abort();  // settings out of range: a mistake in this program
  }
}

std::uint64_t CaptureDevice::ticks_of(std::int64_t device_ns) const {
  return static_cast<std::uint64_t>(device_ns / (ns_per_s / settings_.rate_hz));
}

void CaptureDevice::edge(const Edge& edge) {
  const std::uint64_t ticks = ticks_of(edge.t_ns);
  ++made_;
  const bool taken = encoder_edge(&encoder_, edge.channel, edge.rising ? 1 : 0, ticks) == 1;
  note_frame_end();
  if (taken && settings_.keep_sent) {
    const auto told_ns = static_cast<std::int64_t>(ticks) * (ns_per_s / settings_.rate_hz);
    sent_.push_back({{told_ns, edge.channel, edge.rising}, 0});
  }
}

// An edge that just came opens a new frame, so it is not among those counted here.
void CaptureDevice::note_frame_end() {
  const auto more = static_cast<std::uint16_t>(encoder_.edges - edges_seen_);
  if (more > 0) {
    edges_seen_ = encoder_.edges;
    closed_ += more;
    frame_ends_.push_back({taken_ + cwes_waiting(&encoder_), closed_});
  }
}

void CaptureDevice::poll(std::int64_t device_ns, std::int64_t host_ns) {
  encoder_poll(&encoder_, ticks_of(device_ns));
  note_frame_end();
  send(host_ns);
}

void CaptureDevice::flush() {
  encoder_flush(&encoder_);
  note_frame_end();
}

bool CaptureDevice::idle() const {
  return uart_begin_ == uart_end_ && cwes_waiting(&encoder_) == 0 && encoder_.open_edges == 0;
}

// Bytes that the line could have carried since the last send.
std::size_t CaptureDevice::line_allows(std::int64_t host_ns) const {
  constexpr std::int64_t bits_per_byte = 10;  // 8N1
  if (settings_.baud == 0) {
    return SIZE_MAX;
  }
  const std::int64_t since_ns = std::clamp<std::int64_t>(host_ns - last_send_ns_, 0, ns_per_s);
  return static_cast<std::size_t>(since_ns * settings_.baud / (bits_per_byte * ns_per_s));
}

void CaptureDevice::send(std::int64_t host_ns) {
  std::size_t allowed = line_allows(host_ns);
  if (allowed > 0) {
    last_send_ns_ = host_ns;
  }
  while (allowed > 0) {
    if (uart_begin_ == uart_end_) {
      uart_begin_ = 0;
      uart_end_ = encoder_take(&encoder_, uart_.data(), std::min(allowed, uart_.size()));
      taken_ += uart_end_;
    }
    const std::size_t size = std::min(allowed, uart_end_ - uart_begin_);
    const ssize_t put = size > 0 ? ::write(line_, uart_.data() + uart_begin_, size) : 0;
    if (put <= 0) {
      return;  // nothing waits, or the line takes no more at present
    }
    uart_begin_ += static_cast<std::size_t>(put);
    allowed -= static_cast<std::size_t>(put);
    note_written(static_cast<std::size_t>(put), host_ns);
  }
}

void CaptureDevice::note_written(std::size_t bytes, std::int64_t host_ns) {
  written_ += bytes;
  for (; !frame_ends_.empty() && frame_ends_.front().bytes <= written_; frame_ends_.pop_front()) {
    for (; wired_ < frame_ends_.front().edges; ++wired_) {
      if (settings_.keep_sent) {
        sent_[wired_].wire_ns = host_ns;
      }
    }
  }
}

}  // namespace cw::load
