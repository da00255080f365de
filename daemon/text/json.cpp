#include "text/json.hpp"

namespace cw {

Json parse_json(std::string_view text) {
  return Json::parse(text, nullptr, false);
}

OrderedJson parse_ordered_json(std::string_view text) {
  return OrderedJson::parse(text, nullptr, false);
}

std::string dump_json(const Json& json, int indent_columns) {
  return json.dump(indent_columns, ' ', false, Json::error_handler_t::replace);
}

std::string dump_json(const OrderedJson& json, int indent_columns) {
  return json.dump(indent_columns, ' ', false, OrderedJson::error_handler_t::replace);
}

}  // namespace cw
