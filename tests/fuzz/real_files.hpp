// Files of this repository as seeds.
#pragma once

#include <string>
#include <vector>

#include "target.hpp"

namespace cw::fuzz {

// The whole file; `path` from the top of the repository.
std::string file_of_tree(const std::string& path);

// Paths of the files in a folder whose names end so, sorted.
std::vector<std::string> files_of_tree(const std::string& folder, const std::string& ending);

// The first lines of each replay log, unpacked: about `bytes` of each.
std::vector<std::string> replay_log_heads(std::size_t bytes);

// The text of every block of a Markdown page that is fenced as ```KIND.
std::vector<std::string> fenced_blocks(const std::string& page, const std::string& kind);

}  // namespace cw::fuzz
