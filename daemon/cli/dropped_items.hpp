// What stays of items that find no room.
#pragma once

#include <cstdint>

#include "items/item_buffer.hpp"

namespace cw {

// Takes edges and frames out of `items` and returns how many they were. What tells of the source stays: the latest note
// of each kind and channel, so that channels keep their names, and for each reason one gap that adds up what those
// before it had counted. So what stays is small, however often more is added to it and dropped.
std::uint64_t drop_data(ItemBuffer& items);

// Edges and frames among `items`, and what their gaps say was lost before them.
std::uint64_t data_and_losses(const ItemBuffer& items);

}  // namespace cw
