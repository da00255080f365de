// A disk with a volatile cache, for tests of power cuts. What was written and not synced is kept apart; a cut discards,
// reorders and mixes it by 512-byte sectors, at random by seed. That is stronger than a killed process, and than most
// file systems: a file's size, each of its sectors, each name in a folder and each renaming that was not synced comes
// through or does not, whatever the others do; sectors that a file has gained without their content hold zeros, noise or
// what an older session left there.
// Kept whole, as disks promise and as the writer relies on: a sector, and a renaming.
#pragma once

#include <cstddef>
#include <cstdint>
#include <map>
#include <random>
#include <string>
#include <vector>

#include "record/file_layer.hpp"

namespace cw::test {

class VolatileDisk {
 public:
  // The folder that is there from the start, durable.
  static constexpr const char* root = "/disk";

  // Must not outlive the disk. Everything called through it is noted, call by call.
  FileLayer layer();
  std::size_t calls() const { return journal_.size(); }
  // Host time of the newest item that the writer has been given; goes into the journal.
  void note_time(std::int64_t host_ns);
  // Content of a file by its present name, as a program would read it without a cut; empty when there is none.
  std::string text(const std::string& path) const;

  // Old content of the files of an earlier session, by the last part of their path.
  void leave_behind(const std::string& name, const std::string& bytes) { stale_[name] = bytes; }

  // What is on the disk when the power is cut before call number `at`, as real files below `folder`, which takes the
  // place of `root`. Returns the time noted last before, or `never`.
  static constexpr std::int64_t never = INT64_MIN;
  std::int64_t cut(std::size_t at, std::uint64_t seed, const std::string& folder) const;

 private:
  enum class Kind : std::uint8_t { make_folder, create, append, cut, sync, rename, sync_folder, time };
  struct Call {
    Kind kind = Kind::time;
    int node = -1;
    std::string path;  // of a folder, or of a file's new name
    std::string from;  // old name
    std::string bytes;
    std::uint64_t size = 0;
    std::int64_t time_ns = 0;
  };
  struct Change {  // of a file: bytes put at `at`, or cut to `at`
    bool is_cut = false;
    std::uint64_t at = 0;
    std::string bytes;
  };
  struct Node {
    bool folder = false;
    std::string name;                    // last part of the path it was created under
    std::string durable;                 // content of a file
    std::vector<Change> changes;         // not synced
    std::map<std::string, int> entries;  // of a folder, durable
    std::vector<Call> entry_changes;     // not synced
  };
  using Nodes = std::vector<Node>;

  int node_at(const std::string& path) const;
  int add_node(const std::string& path, Kind kind);
  static void apply(const Change& change, std::string& content);
  void replay(std::size_t at, Nodes& nodes, std::int64_t& time_ns) const;
  static void replay_names(const Call& call, Nodes& nodes, std::map<std::string, int>& paths);
  void write_folder(const Nodes& nodes, int folder, std::mt19937_64& random, const std::string& path) const;
  std::string content_after_cut(const Node& file, std::mt19937_64& random) const;
  std::string lost_sector(const Node& file, std::size_t sector, std::mt19937_64& random) const;

  std::vector<Call> journal_;
  std::map<std::string, int> paths_ = {{root, 0}};
  std::vector<bool> is_folder_ = {true};
  std::map<int, std::string> contents_;
  std::map<std::string, std::string> stale_;
};

}  // namespace cw::test
