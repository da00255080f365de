// What a source of input is: bytes of a file or device in, items out. One file pair a driver and one line in
// registry.cpp.
#pragma once

#include <sys/types.h>

#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "items/can_frame.hpp"
#include "items/item_buffer.hpp"

namespace cw {

using ChannelNames = std::vector<std::pair<std::string, std::string>>;  // (name in the engine file, device's own name)

// What the engine file calls a channel that the device calls `theirs`: the same where nothing else is said.
std::string_view our_name(const ChannelNames& names, std::string_view theirs);

struct DriverSettings {
  std::string name;   // of the file or device, for error lines
  bool live = false;  // true: what can't be read becomes a gap item and reading goes on; false: it is an error
  ChannelNames channels;
};

// Decodes one source. Fills kind, channel, code, source_ns and payload of items; the sequencer stamps source, host_ns
// and sequence. The items do not depend on how the bytes are cut into calls.
class Driver {
 public:
  Driver() = default;
  Driver(const Driver&) = delete;
  Driver& operator=(const Driver&) = delete;
  virtual ~Driver() = default;

  // The source has been opened: adds the link note that says so, if there is one before the first bytes. Called again
  // for each new connection of an entry that `reconnects`: what is left of the old one (a part of a line or frame) is
  // forgotten without an item, clocks start afresh, the first bytes may come from the middle of a line or frame.
  // Channels that were named keep their numbers.
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

// Where `run` finds a source: of a [[source]] of the engine file, or of `--source` and the options beside it.
struct SourceAddress {
  std::string address;
  int baud = 115200;          // bits a second; serial ports only
  bool allow_remote = false;  // network: hosts other than this computer
  // CAN interfaces only: what the kernel lets through, error frames always. Empty, or more than 512: everything.
  std::vector<CanIdMatch> can_filters = {};
};

// What opening came to.
struct Opened {
  int descriptor = -1;       // non-blocking, for reading; -1 when it could not be opened
  std::string problem = {};  // then why, one line that begins with the address
  std::string remark = {};   // of one that was opened: what its user should know, one line; mostly empty
};

// One line of the registry.
struct DriverEntry {
  std::string_view name;   // as in `driver = "..."` of the engine file and in `--source NAME:ADDRESS`
  std::string_view title;  // in words, for help and error lines
  std::unique_ptr<Driver> (*make)(const DriverSettings& settings);
  // Whether a file that begins with `head` (up to 4096 bytes of it) is of this kind; nullptr: no file is.
  bool (*recognises)(std::string_view head);
  // Opens a source of `run`. Never waits for its data; may take a few seconds where `reconnects` (it is called on a
  // thread of its own then).
  Opened (*open)(const SourceAddress& where);

  // The rest may be left out by a driver of files and pipes.

  // True: a link, which comes and goes. That it ends or can't be opened does not end the run: it is opened again, with
  // growing delays, for ever. Closed first, so that a device that is plugged in again gets its old name.
  bool reconnects = false;
  // What is wrong with an address whatever is plugged in, one line; empty: nothing. Such a run is refused.
  std::string (*address_problem)(const SourceAddress& where) = nullptr;
  // Bytes that the kernel says it lost on this port since it counts; nothing where it does not say.
  std::optional<std::uint64_t> (*lost_bytes)(int descriptor) = nullptr;
  // In place of read(2), for what is no stream of bytes: like it, but as the driver's read() wants the bytes.
  ssize_t (*receive)(int descriptor, std::span<char> into) = nullptr;
};

// Opens a file, FIFO or character device by path; "-" is standard input.
Opened open_for_reading(const SourceAddress& where);

// "ADDRESS: cannot open: No such file or directory", from an errno value.
std::string open_problem(const std::string& address, int error);

}  // namespace cw
