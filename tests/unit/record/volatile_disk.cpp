#include "tests/unit/record/volatile_disk.hpp"

#include <algorithm>
#include <array>
#include <cerrno>
#include <filesystem>

#include "tests/unit/record/scratch_folder.hpp"

namespace cw::test {

namespace {

constexpr std::size_t sector_bytes = 512;

std::string folder_of(const std::string& path) {
  return path.substr(0, path.rfind('/'));
}
std::string name_of(const std::string& path) {
  return path.substr(path.rfind('/') + 1);
}

bool chance(std::mt19937_64& random, std::uint64_t in, std::uint64_t of) {
  return random() % of < in;
}

}  // namespace

int VolatileDisk::node_at(const std::string& path) const {
  const auto found = paths_.find(path);
  return found == paths_.end() ? -ENOENT : found->second;
}

int VolatileDisk::add_node(const std::string& path, Kind kind) {
  if (paths_.contains(path)) {
    return -EEXIST;
  }
  const auto parent = paths_.find(folder_of(path));
  if (parent == paths_.end()) {
    return -ENOENT;
  }
  const int node = static_cast<int>(is_folder_.size());
  is_folder_.push_back(kind == Kind::make_folder);
  paths_[path] = node;
  Call call;
  call.kind = kind;
  call.node = node;
  call.path = path;
  journal_.push_back(std::move(call));
  return node;
}

void VolatileDisk::note_time(std::int64_t host_ns) {
  Call call;
  call.time_ns = host_ns;
  journal_.push_back(std::move(call));
}

std::string VolatileDisk::text(const std::string& path) const {
  const auto content = contents_.find(node_at(path));
  return content == contents_.end() ? "" : content->second;
}

void VolatileDisk::apply(const Change& change, std::string& content) {
  if (change.is_cut) {
    content.resize(change.at);
    return;
  }
  content.resize(std::max<std::size_t>(content.size(), change.at + change.bytes.size()));
  std::copy(change.bytes.begin(), change.bytes.end(), content.begin() + static_cast<std::ptrdiff_t>(change.at));
}

FileLayer VolatileDisk::layer() {
  FileLayer layer;
  const auto note = [this](Kind kind, int node, const auto& fill) {
    Call call;
    call.kind = kind;
    call.node = node;
    fill(call);
    journal_.push_back(std::move(call));
    return 0;
  };
  const auto nothing = [](Call&) {};
  layer.create = [this](const std::string& path) { return add_node(path, Kind::create); };
  layer.lock = [this](const std::string& path) {
    const int node = add_node(path, Kind::create);
    return node == -EEXIST ? node_at(path) : node;
  };
  layer.append = [this, note](int file, std::span<const std::byte> bytes) -> std::int64_t {
    const std::string text(reinterpret_cast<const char*>(bytes.data()), bytes.size());
    contents_[file] += text;
    note(Kind::append, file, [&](Call& call) { call.bytes = text; });
    return static_cast<std::int64_t>(bytes.size());
  };
  layer.cut = [this, note](int file, std::uint64_t size) {
    contents_[file].resize(size);
    return note(Kind::cut, file, [&](Call& call) { call.size = size; });
  };
  layer.sync = [note, nothing](int file) { return note(Kind::sync, file, nothing); };
  layer.close = [](int) { return 0; };
  layer.rename = [this, note](const std::string& from, const std::string& to) {
    const int node = node_at(from);
    if (node < 0) {
      return node;
    }
    paths_.erase(from);
    paths_[to] = node;
    return note(Kind::rename, node, [&](Call& call) {
      call.from = from;
      call.path = to;
    });
  };
  layer.make_folder = [this](const std::string& path) { return std::min(add_node(path, Kind::make_folder), 0); };
  layer.sync_folder = [this, note](const std::string& path) {
    const int node = node_at(path);
    return node < 0 ? node : note(Kind::sync_folder, node, [&](Call& call) { call.path = path; });
  };
  layer.list = [this](const std::string& path, std::vector<std::string>& names) {
    names.clear();
    for (const auto& [other, node] : paths_) {
      if (other != root && folder_of(other) == path) {
        names.push_back(name_of(other));
      }
    }
    return std::min(node_at(path), 0);
  };
  return layer;
}

void VolatileDisk::replay_names(const Call& call, Nodes& nodes, std::map<std::string, int>& paths) {
  nodes.at(static_cast<std::size_t>(paths.at(folder_of(call.path)))).entry_changes.push_back(call);
  if (call.kind == Kind::rename) {
    paths.erase(call.from);
  } else {
    Node node;
    node.folder = call.kind == Kind::make_folder;
    node.name = name_of(call.path);
    nodes.push_back(std::move(node));
  }
  paths[call.path] = call.node;
}

namespace {

// A change of names, on a folder's entries.
template <typename Call>
void apply_name(const Call& call, bool is_rename, std::map<std::string, int>& entries) {
  if (is_rename) {
    entries.erase(name_of(call.from));
  }
  entries[name_of(call.path)] = call.node;
}

}  // namespace

// The state before call number `at`: what is durable, and what is not synced.
void VolatileDisk::replay(std::size_t at, Nodes& nodes, std::int64_t& time_ns) const {
  std::map<std::string, int> paths = {{root, 0}};
  std::map<int, std::uint64_t> sizes;
  nodes.assign(1, {});
  nodes[0].folder = true;
  for (std::size_t i = 0; i < at; ++i) {
    const Call& call = journal_[i];
    Node* node = call.node >= 0 && static_cast<std::size_t>(call.node) < nodes.size()
                     ? &nodes[static_cast<std::size_t>(call.node)]
                     : nullptr;
    switch (call.kind) {
      case Kind::time:
        time_ns = call.time_ns;
        break;
      case Kind::make_folder:
      case Kind::create:
      case Kind::rename:
        replay_names(call, nodes, paths);
        break;
      case Kind::append:
        node->changes.push_back({false, sizes[call.node], call.bytes});
        sizes[call.node] += call.bytes.size();
        break;
      case Kind::cut:
        node->changes.push_back({true, call.size, {}});
        sizes[call.node] = call.size;
        break;
      case Kind::sync:
        for (const Change& change : node->changes) {
          apply(change, node->durable);
        }
        node->changes.clear();
        break;
      case Kind::sync_folder:
        for (const Call& change : node->entry_changes) {
          apply_name(change, change.kind == Kind::rename, node->entries);
        }
        node->entry_changes.clear();
        break;
    }
  }
}

// What a sector holds that a file has gained without its content ever being written.
std::string VolatileDisk::lost_sector(const Node& file, std::size_t sector, std::mt19937_64& random) const {
  std::string bytes(sector_bytes, '\0');
  const auto old = stale_.find(file.name);
  const std::uint64_t draw = random() % 4;
  if (draw == 0) {
    std::generate(bytes.begin(), bytes.end(), [&] { return static_cast<char>(random()); });
  } else if (draw < 3 && old != stale_.end() && old->second.size() >= (sector + 1) * sector_bytes) {
    bytes = old->second.substr(sector * sector_bytes, sector_bytes);
  }
  return bytes;
}

std::string VolatileDisk::content_after_cut(const Node& file, std::mt19937_64& random) const {
  if (file.changes.empty()) {
    return file.durable;
  }
  // Each sector as it was at some time since the last sync, and so the size.
  std::vector<std::string> versions = {file.durable};
  for (const Change& change : file.changes) {
    versions.push_back(versions.back());
    apply(change, versions.back());
  }
  std::size_t size = versions[random() % versions.size()].size();
  if (chance(random, 1, 4) && versions.back().size() > file.durable.size()) {
    size = file.durable.size() + random() % (versions.back().size() - file.durable.size());
  }
  const std::uint64_t reached = random() % 5;  // of 4: how much of the cache had reached the disk
  std::string content(size, '\0');
  for (std::size_t sector = 0; sector * sector_bytes < size; ++sector) {
    const std::size_t at = sector * sector_bytes;
    const std::string& version = chance(random, reached, 4) ? versions.back() : versions[random() % versions.size()];
    std::string bytes = lost_sector(file, sector, random);
    if (version.size() > at) {
      // The end of a file's last sector is written as zeros with it.
      bytes.assign(sector_bytes, '\0');
      version.copy(bytes.data(), sector_bytes, at);
    }
    content.replace(at, std::min(sector_bytes, size - at), bytes, 0, std::min(sector_bytes, size - at));
  }
  return content;
}

void VolatileDisk::write_folder(const Nodes& nodes, int folder, std::mt19937_64& random,
                                const std::string& path) const {
  std::filesystem::create_directories(path);
  const Node& node = nodes.at(static_cast<std::size_t>(folder));
  std::map<std::string, int> entries = node.entries;
  for (const Call& change : node.entry_changes) {
    if (chance(random, 1, 2)) {
      apply_name(change, change.kind == Kind::rename, entries);
    }
  }
  for (const auto& [name, child] : entries) {
    const Node& entry = nodes.at(static_cast<std::size_t>(child));
    if (entry.folder) {
      write_folder(nodes, child, random, path + "/" + name);
    } else {
      write_text(path + "/" + name, content_after_cut(entry, random));
    }
  }
}

std::int64_t VolatileDisk::cut(std::size_t at, std::uint64_t seed, const std::string& folder) const {
  Nodes nodes;
  std::int64_t time_ns = never;
  replay(at, nodes, time_ns);
  std::mt19937_64 random(seed);
  write_folder(nodes, 0, random, folder);
  return time_ns;
}

}  // namespace cw::test
