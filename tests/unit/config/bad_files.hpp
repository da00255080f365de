// Engine files that must be refused, each a sound file with some lines replaced, and the one line that says why.
#pragma once

#include <string>
#include <vector>

namespace cw {

struct LineEdit {
  int line;          // of sound_file, from 1
  const char* text;  // put in its place; may be several lines, empty keeps an empty line
};

struct BadFile {
  const char* name;  // what is wrong, as a phrase with _ for spaces
  const char* key;   // "crank.teeth": the key whose bad value or absence this is; empty when it is about no known key
  std::vector<LineEdit> edits;
  const char* error;  // the whole error, for the file name bad.toml
};

extern const char* const sound_file;
const std::vector<BadFile>& bad_files();

}  // namespace cw
