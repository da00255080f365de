// What the program answers to whoever started it.
#pragma once

namespace cw {

enum class ExitCode : int {
  done = 0,          // finished; findings or none, unless --fail-on says otherwise
  findings = 1,      // finished, and found something at least as grave as --fail-on names
  usage = 2,         // the command line or the engine file is wrong; nothing was done
  bad_input = 3,     // the input could not be opened or read to its end; what came before was processed
  lossy = 4,         // finished, but a part of the input or of the recording is missing
  cannot_write = 5,  // a part of the output could not be written
  stopped = 6,       // a replay was stopped by a signal before its end
  nothing = 7,       // recover: nothing could be read; learn, tdc: nothing convincing was found. Nothing was written
};

}  // namespace cw
