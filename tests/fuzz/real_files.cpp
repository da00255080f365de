#include "real_files.hpp"

#include <zstd.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <memory>

namespace cw::fuzz {

namespace {

const std::filesystem::path& top() {
  static const std::filesystem::path path = CRANKWITNESS_SOURCE_DIR;
  return path;
}

std::string unpacked_head(const std::string& packed, std::size_t bytes) {
  std::string out(bytes, '\0');
  const std::unique_ptr<ZSTD_DCtx, std::size_t (*)(ZSTD_DCtx*)> context(ZSTD_createDCtx(), ZSTD_freeDCtx);
  ZSTD_inBuffer in = {packed.data(), packed.size(), 0};
  ZSTD_outBuffer to = {out.data(), out.size(), 0};
  while (to.pos < to.size && in.pos < in.size) {
    expect(ZSTD_isError(ZSTD_decompressStream(context.get(), &to, &in)) == 0U, "a replay log that unpacks");
  }
  out.resize(to.pos);
  return out.substr(0, out.rfind('\n') + 1);
}

}  // namespace

std::string file_of_tree(const std::string& path) {
  std::ifstream in(top() / path, std::ios::binary);
  expect(in.good(), "to find " + path);
  return {std::istreambuf_iterator<char>(in), {}};
}

std::vector<std::string> files_of_tree(const std::string& folder, const std::string& ending) {
  std::vector<std::string> paths;
  for (const auto& entry : std::filesystem::directory_iterator(top() / folder)) {
    if (entry.path().string().ends_with(ending)) {
      paths.push_back(entry.path().lexically_relative(top()).string());
    }
  }
  std::sort(paths.begin(), paths.end());
  expect(!paths.empty(), "files of the kind *" + ending + " in " + folder);
  return paths;
}

std::vector<std::string> replay_log_heads(std::size_t bytes) {
  std::vector<std::string> heads;
  for (const std::string& path : files_of_tree("replay-logs", ".csv.zst")) {
    heads.push_back(unpacked_head(file_of_tree(path), bytes));
  }
  return heads;
}

std::vector<std::string> fenced_blocks(const std::string& page, const std::string& kind) {
  const std::string fence = "```" + kind + "\n";
  std::vector<std::string> blocks;
  for (std::size_t at = page.find(fence); at != std::string::npos; at = page.find(fence, at + 1)) {
    const std::size_t begin = at + fence.size();
    blocks.push_back(page.substr(begin, page.find("```", begin) - begin));
  }
  expect(!blocks.empty(), "a block of " + kind);
  return blocks;
}

}  // namespace cw::fuzz
