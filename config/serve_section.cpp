#include <algorithm>
#include <string_view>

#include "config/sections.hpp"

namespace cw {

namespace {

// A host name as RFC 1123, 2.1 has it: letters, digits, hyphens and dots.
bool is_host_name(std::string_view name) {
  const auto fits = [](char letter) {
    return (letter >= 'a' && letter <= 'z') || (letter >= 'A' && letter <= 'Z') || (letter >= '0' && letter <= '9') ||
           letter == '-' || letter == '.';
  };
  return !name.empty() && name.size() <= name_bytes_max && std::all_of(name.begin(), name.end(), fits);
}

std::vector<std::string> read_hosts(const TableReader& in) {
  const toml::node* node = in.node("hosts");
  std::vector<std::string> hosts;
  if (node == nullptr) {
    return hosts;
  }
  const toml::array* array = node->as_array();
  if (array == nullptr || array->size() > serve_hosts_max) {
    in.complain("hosts", "up to " + std::to_string(serve_hosts_max) + " host names [\"cell-2.example\", ...]");
    return hosts;
  }
  for (std::size_t i = 0; i < array->size(); ++i) {
    const auto name = array->get(i)->value_exact<std::string_view>();
    if (!name || !is_host_name(*name)) {
      in.complain_at("hosts", i, "a host name without a port", found_text(array->get(i)));
      return hosts;
    }
    hosts.emplace_back(*name);
  }
  return hosts;
}

}  // namespace

// Whether the address is one, and this computer's own, is for serve/ to say.
ServeSpec read_serve_section(const TableReader& in) {
  ServeSpec serve;
  serve.address = in.text("address", name_bytes_max).value_or("127.0.0.1:7200");
  serve.allow_remote = in.flag("allow_remote").value_or(serve.allow_remote);
  serve.hosts = read_hosts(in);
  return serve;
}

}  // namespace cw
