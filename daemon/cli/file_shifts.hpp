// How the clocks of several raw files that are replayed together hang together: --same-clock or --shift.
#pragma once

#include <cstdint>
#include <string>
#include <variant>
#include <vector>

namespace cw {

// What is added to the times of each of `files`, in ns, from `--shift NAME=SECONDS` (NAME: a file as given, or its last
// part, when no other file has it) or 0 with --same-clock. An error line when several files have neither, when both are
// given, or either with a single file, and for what is no such shift.
std::variant<std::vector<std::int64_t>, std::string> file_shifts(const std::vector<std::string>& files,
                                                                 const std::vector<std::string>& shifts,
                                                                 bool same_clock);

}  // namespace cw
