// Where the live page is served: an address of this computer and a port, and who may ask.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <variant>

#include "geometry/engine.hpp"

namespace cw {

struct ServeAddress {
  std::string host;  // an address as numbers, IPv6 without brackets
  std::uint16_t port = 0;
};

// "127.0.0.1:7200", "[::1]:7200" or "localhost:7200"; port 0 is any that is free. No name is looked up. An error line
// when it is anything else, or an address that is not this computer's own (loopback) without `allow_remote`.
std::variant<ServeAddress, std::string> parse_serve_address(std::string_view text, bool allow_remote);

// As parse_serve_address takes it.
std::string to_string(const ServeAddress& address);

// The part of a Host header (RFC 9110, 7.2) before the port, without brackets.
std::string_view host_name(std::string_view host_header);

// Whether a request that names `host_header` may be answered. Addresses as numbers and localhost always; other names only
// when `serve.hosts` lists them: a page from elsewhere that had its own name point here (DNS rebinding) comes with that
// name.
bool is_our_host(std::string_view host_header, const ServeSpec& serve);

}  // namespace cw
