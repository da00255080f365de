// Cuts the raw edges around findings out of a stream of items, in bounded memory.
#pragma once

#include <cstddef>
#include <cstdint>
#include <deque>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "geometry/engine.hpp"
#include "items/item_buffer.hpp"
#include "report/report_page.hpp"

namespace cw {

class EvidenceWindows {
 public:
  // So many items before the end of a window are kept: dozens of cycles, so that sync has found the place long before the
  // finding.
  static constexpr std::size_t kept_max = 40'000;

  EvidenceWindows(const Engine& engine, const std::vector<ListedFinding>& findings);

  // The next items of the recording, in order.
  void take(const ItemBatch& batch);
  // Whether all windows are complete.
  bool done() const { return open_ == 0; }
  // The stream has ended: each finding with its picture, in the order given.
  std::vector<DrawnFinding> finish();

 private:
  void close_due(std::uint64_t sequence);
  void close(DrawnFinding& drawn);
  ItemBuffer window() const;

  const Engine& engine_;
  std::uint64_t tail_items_ = 0;
  std::vector<DrawnFinding> drawn_;
  std::vector<bool> closed_;
  std::size_t open_ = 0;
  std::uint64_t next_close_ = 0;  // sequence at which the next window is complete
  std::deque<Item> kept_;
  std::map<std::pair<std::uint8_t, std::uint8_t>, std::string> names_;  // of channels, by (source, number)
};

}  // namespace cw
