// JSON, by nlohmann-json. Its parser and printer are templates that take the compiler ten seconds (with sanitizers): they
// are compiled once, here, and not in each file that calls parse() or dump().
#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <string_view>

namespace cw {

using Json = nlohmann::json;
using OrderedJson = nlohmann::ordered_json;  // keys stay in the order in which they were put in

// What is no JSON gives a value of which is_discarded() is true and is_object() false; at() of it throws.
Json parse_json(std::string_view text);
OrderedJson parse_ordered_json(std::string_view text);

// `indent_columns` < 0: on one line. What is not UTF-8 is replaced.
std::string dump_json(const Json& json, int indent_columns = -1);
std::string dump_json(const OrderedJson& json, int indent_columns = -1);

}  // namespace cw
