// The style rules of DEVELOPERS.md that a program can check. Each takes one file and returns one line for each offence,
// "path:line: what is wrong", none when the file is in order.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

namespace cw::tidy {

struct SourceFile {
  std::string path;  // from the top of the tree, for example daemon/sync/sync.cpp
  std::string text;
};

using Offences = std::vector<std::string>;

// The text with comments and the insides of string and character literals turned into blanks; lines stay where they are.
std::string code_only(std::string_view text);

// The folder that the arrows speak of: "sync" for daemon/sync/sync.cpp, "drivers" for drivers/driver.cpp.
std::string folder_of(std::string_view path);

// Functions longer than `lines_max` lines, from the first line of the head to the closing brace. Functions that are
// one table are named in the source, each with its reason.
Offences long_functions(const SourceFile& file, std::size_t lines_max);

// Includes against the arrows between folders.
Offences wrong_arrows(const SourceFile& file);

// In a pure folder: includes of files, clocks, threads, logs or sockets; calls of clocks; sources of true randomness;
// exceptions thrown.
Offences impurities(const SourceFile& file);

// Bases other than the driver interface, the observer, and what the log library asks for.
Offences foreign_bases(const SourceFile& file);

// Compiler flags with which two machines or two builds could print different bytes.
Offences unsafe_flags(const SourceFile& file);

}  // namespace cw::tidy
