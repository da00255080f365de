// `crankwitness check FILE`: says in words and in drawings on the terminal what an engine file, a signal map or a DBC
// file means.
#pragma once

#include <iosfwd>
#include <string>
#include <string_view>
#include <vector>

#include "geometry/engine.hpp"

namespace cw {

inline constexpr int check_width_min = 72;
inline constexpr int check_width_max = 120;

// How the text is set. `width` in columns, check_width_min to check_width_max; without `utf8` only ASCII is used for
// what the program itself writes (names from the file are shown as they are).
struct CheckLook {
  int width = 80;
  bool utf8 = true;
};

// The look that fits the terminal on standard output: its width (COLUMNS, else the terminal's own, else 80, kept within
// the bounds above) and whether the locale's character set is UTF-8 (LC_ALL, LC_CTYPE, LANG, the first that is set).
CheckLook terminal_look();

// Reads an engine file with its signal maps, a signal map or a DBC file, explains it on `out`, and says what the maps
// make of each of `frames` (ID#DATA, items/can_frame_text.hpp); with frames the explanation is left out. A bad file or
// frame gives one line on `err`. Returns the exit code: 0, or 1 when something was bad.
int check_command(const std::string& path, const std::vector<std::string>& frames, std::ostream& out,
                  std::ostream& err);

// The whole explanation of a sound engine. `file_name` is shown in the headline.
void explain_engine(const Engine& engine, std::string_view file_name, const CheckLook& look, std::ostream& out);

// The drawing alone, lines ended by newlines, at most look.width columns: one block of rows for each turn of the cycle,
// from crank angle 0; teeth, the windows and edges of each cam, top dead centres and the expected reference pulse.
std::string draw_cycle(const Engine& engine, const CheckLook& look);

}  // namespace cw
