// `crankwitness check` on signal maps and DBC files: what they mean, in words and drawings, and what they make of a frame.
#pragma once

#include <iosfwd>
#include <string_view>

#include "cli/check.hpp"
#include "config/dbc.hpp"
#include "items/can_frame.hpp"
#include "signals/signal_map.hpp"

namespace cw {

// Every message of a sound map: its identifiers, its bits drawn byte by byte, and each signal in words.
void explain_map(const SignalMap& map, std::string_view file_name, const CheckLook& look, std::ostream& out);

// What a frame says by the map: each signal of its messages with its value, or why there is none.
void explain_frame(const SignalMap& map, const CanFrame& frame, const CheckLook& look, std::ostream& out);

// What a DBC holds: messages and signals by name, to be used in a map.
void explain_dbc(const Dbc& dbc, std::string_view file_name, const CheckLook& look, std::ostream& out);
void explain_frame(const Dbc& dbc, const CanFrame& frame, const CheckLook& look, std::ostream& out);

// "2B0", or "18DAF100" for one of 29 bits.
std::string id_text(std::uint32_t id, bool extended);

}  // namespace cw
