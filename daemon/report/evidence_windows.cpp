#include "report/evidence_windows.hpp"

#include <algorithm>
#include <limits>
#include <span>

namespace cw {

EvidenceWindows::EvidenceWindows(const Engine& engine, const std::vector<ListedFinding>& findings)
    : engine_(engine), closed_(findings.size(), false), open_(findings.size()) {
  // A turn and a bit of both edges, and what else comes in that time.
  constexpr std::uint64_t items_per_tooth = 4;
  constexpr std::uint64_t others = 100;
  tail_items_ = items_per_tooth * engine.crank.teeth.size() + others;
  for (const ListedFinding& finding : findings) {
    drawn_.push_back({finding, {}, false});
  }
}

void EvidenceWindows::take(const ItemBatch& batch) {
  for (const Item& item : batch.items) {
    if (item.sequence >= next_close_) {
      close_due(item.sequence);
    }
    if (item.kind == ItemKind::tick || item.kind == ItemKind::can_frame) {
      continue;
    }
    if (item.kind == ItemKind::link_note && item.code == static_cast<std::uint8_t>(LinkNote::channel_named)) {
      std::string& name = names_[{item.source, item.channel}];
      name.clear();
      for (const std::byte byte : payload_of(item, batch.payload)) {
        name.push_back(static_cast<char>(byte));
      }
      continue;
    }
    kept_.push_back(item);
    kept_.back().payload_at = Item::no_payload;
    if (kept_.size() > kept_max) {
      kept_.pop_front();
    }
  }
}

void EvidenceWindows::close_due(std::uint64_t sequence) {
  next_close_ = std::numeric_limits<std::uint64_t>::max();
  for (std::size_t i = 0; i < drawn_.size(); ++i) {
    if (closed_[i]) {
      continue;
    }
    const std::uint64_t due = drawn_[i].listed.finding.evidence_last + tail_items_;
    if (sequence >= due) {
      close(drawn_[i]);
      closed_[i] = true;
      --open_;
    } else {
      next_close_ = std::min(next_close_, due);
    }
  }
}

ItemBuffer EvidenceWindows::window() const {
  ItemBuffer out;
  for (const auto& [channel, name] : names_) {
    Item note = kept_.front();
    note.kind = ItemKind::link_note;
    note.code = static_cast<std::uint8_t>(LinkNote::channel_named);
    note.source = channel.first;
    note.channel = channel.second;
    out.add_with_payload(note, std::as_bytes(std::span(name)));
  }
  out.items.insert(out.items.end(), kept_.begin(), kept_.end());
  return out;
}

void EvidenceWindows::close(DrawnFinding& drawn) {
  const Finding& finding = drawn.listed.finding;
  drawn.has_edges = std::any_of(kept_.begin(), kept_.end(), [&](const Item& item) {
    return item.kind == ItemKind::edge && item.sequence >= finding.evidence_first &&
           item.sequence <= finding.evidence_last;
  });
  if (drawn.has_edges) {
    drawn.picture = evidence_picture(engine_, finding, window());
  }
}

std::vector<DrawnFinding> EvidenceWindows::finish() {
  for (std::size_t i = 0; i < drawn_.size(); ++i) {
    if (!closed_[i]) {
      close(drawn_[i]);
      closed_[i] = true;
    }
  }
  open_ = 0;
  return std::move(drawn_);
}

}  // namespace cw
