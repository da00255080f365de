// What a source of input is: bytes of a file or device in, items out. One file pair a driver and one line in
// registry.cpp.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <span>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "items/item_buffer.hpp"

namespace cw {

struct DriverSettings {
  std::string name;   // of the file or device, for error lines
  bool live = false;  // true: what can't be read becomes a gap item and reading goes on; false: it is an error
  std::vector<std::pair<std::string, std::string>> channels;  // (name in the engine file, device's own name)
};

// Decodes one source. Fills kind, channel, code, source_ns and payload of items; the sequencer stamps source, host_ns
// and sequence. The items do not depend on how the bytes are cut into calls.
class Driver {
 public:
  Driver() = default;
  Driver(const Driver&) = delete;
  Driver& operator=(const Driver&) = delete;
  virtual ~Driver() = default;

  // The source has been opened: adds the link note that says so, if there is one before the first bytes.
  virtual void start(ItemBuffer& out) = 0;

  // Takes the next bytes and adds their items to `out`. False (never when live): the input is wrong and nothing after
  // the items added can be used; error() says why. Not to be called again then.
  virtual bool read(std::span<const char> bytes, ItemBuffer& out) = 0;

  // The input has ended: takes what is left and adds the end_of_input note. False as for read().
  virtual bool finish(ItemBuffer& out) = 0;

  // The latest error, one line "NAME:LINE: expected ..., found ..."; empty if there was none.
  virtual const std::string& error() const = 0;

  // Lines or frames that could not be read so far.
  virtual std::uint64_t bad_inputs() const = 0;
};

// One line of the registry.
struct DriverEntry {
  std::string_view name;   // as in `driver = "..."` of the engine file and in `--source NAME:ADDRESS`
  std::string_view title;  // in words, for help and error lines
  std::unique_ptr<Driver> (*make)(const DriverSettings& settings);
  // Whether a file that begins with `head` (up to 4096 bytes of it) is of this kind.
  bool (*recognises)(std::string_view head);
  // Opens an address of `run` for reading without blocking; -1 with errno set when it can't.
  int (*open)(const std::string& address);
};

// Opens a file, FIFO or character device by path; "-" is standard input. -1 with errno set when it can't.
int open_for_reading(const std::string& address);

}  // namespace cw
