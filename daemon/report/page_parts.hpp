// Parts of the report that are the same words for every session, or nearly.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "geometry/engine.hpp"
#include "items/item.hpp"
#include "record/session_info.hpp"

namespace cw {

// From the doctype to the opening of the body.
std::string page_head(const std::string& title);
// Links to the parts.
std::string contents(bool with_wheel);
// What strokes and shapes of the drawings of edges mean.
std::string evidence_key();
// The usual cautions, as a list.
std::string caution_html();
// What of this session can't be known at all.
std::vector<std::string> limits_of_knowledge(const Engine& engine);

std::string_view basis_word(const Engine& engine);     // "verified mark"
std::string offset_basis_words(const Engine& engine);  // what the trigger offset rests on, in sentences
std::string gap_reason_words(GapReason reason);
std::string session_id_words(std::uint64_t id);  // 16 hexadecimal digits
std::string source_words(const SourceInfo& source);

}  // namespace cw
