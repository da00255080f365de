#include "cli/dropped_items.hpp"

#include <algorithm>
#include <map>
#include <optional>
#include <set>
#include <utility>
#include <vector>

namespace cw {

namespace {

bool is_data(const Item& item) {
  return item.kind != ItemKind::link_note && item.kind != ItemKind::gap;
}

std::optional<std::uint64_t> count_of(const Item& gap, const ItemBuffer& items) {
  return gap_count(payload_of(gap, items.payload));
}

// Those of known count apart from those without.
void add_gaps(const ItemBuffer& items, ItemBuffer& kept) {
  struct Sum {
    Item first;
    std::optional<std::uint64_t> count;
  };
  std::map<std::pair<std::uint8_t, bool>, Sum> sums;
  for (const Item& item : items.items) {
    if (item.kind != ItemKind::gap) {
      continue;
    }
    const auto count = count_of(item, items);
    const auto [at, is_new] = sums.try_emplace({item.code, count.has_value()}, Sum{item, count});
    if (!is_new && count) {
      *at->second.count += *count;
    }
  }
  for (const auto& [reason, sum] : sums) {
    kept.add_gap(static_cast<GapReason>(reason.first), sum.count, sum.first.source_ns);
  }
}

void add_latest_notes(const ItemBuffer& items, ItemBuffer& kept) {
  std::set<std::pair<std::uint8_t, std::uint8_t>> seen;  // kind and channel
  std::vector<const Item*> latest;
  for (auto item = items.items.rbegin(); item != items.items.rend(); ++item) {
    if (item->kind == ItemKind::link_note && seen.insert({item->code, item->channel}).second) {
      latest.push_back(&*item);
    }
  }
  std::for_each(latest.rbegin(), latest.rend(), [&](const Item* item) { kept.add_copy(*item, items.payload); });
}

}  // namespace

std::uint64_t drop_data(ItemBuffer& items) {
  ItemBuffer kept;
  add_gaps(items, kept);  // a new epoch comes after what was lost before it
  add_latest_notes(items, kept);
  const auto dropped = std::count_if(items.items.begin(), items.items.end(), is_data);
  items = std::move(kept);
  return static_cast<std::uint64_t>(dropped);
}

std::uint64_t data_and_losses(const ItemBuffer& items) {
  std::uint64_t sum = 0;
  for (const Item& item : items.items) {
    sum += is_data(item) ? 1 : item.kind == ItemKind::gap ? count_of(item, items).value_or(0) : 0;
  }
  return sum;
}

}  // namespace cw
