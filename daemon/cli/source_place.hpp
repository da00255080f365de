// Keeps commands from writing into what they read.
#pragma once

#include <string>

namespace cw {

// Whether `inner` is `outer` or lies in it, links followed as far as they exist.
bool lies_in(const std::string& inner, const std::string& outer);

// Whether `target` is or lies in the source that `input` names: a folder or file, and for the capture folder or a
// segment of a session, that session.
bool would_write_into(const std::string& target, const std::string& input);

}  // namespace cw
