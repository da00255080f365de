#include "serve/serve_address.hpp"

#include <algorithm>
#include <boost/algorithm/string/predicate.hpp>
#include <boost/asio/ip/address.hpp>
#include <charconv>

namespace cw {

namespace {

std::string expected(std::string_view text) {
  return std::string(text) + ": expected ADDRESS:PORT, for example 127.0.0.1:7200 or [::1]:7200";
}

}  // namespace

std::variant<ServeAddress, std::string> parse_serve_address(std::string_view text, bool allow_remote) {
  const std::size_t colon = text.rfind(':');
  if (colon == std::string_view::npos) {
    return expected(text);
  }
  std::string_view host = text.substr(0, colon);
  const bool bracketed = host.size() > 2 && host.front() == '[' && host.back() == ']';
  host = bracketed ? host.substr(1, host.size() - 2) : host;
  const std::string_view port = text.substr(colon + 1);
  ServeAddress address{std::string(host == "localhost" ? "127.0.0.1" : host), 0};
  const auto read = std::from_chars(port.data(), port.data() + port.size(), address.port);
  boost::system::error_code error;
  const auto numbers = boost::asio::ip::make_address(address.host, error);
  if (error || numbers.is_v6() != bracketed || read.ec != std::errc() || read.ptr != port.data() + port.size()) {
    return expected(text);
  }
  if (!numbers.is_loopback() && !allow_remote) {
    return std::string(text) +
           ": expected a loopback address (127.0.0.1, [::1]), or allow_remote = true in [serve], or --serve-remote";
  }
  return address;
}

std::string to_string(const ServeAddress& address) {
  const bool six = address.host.find(':') != std::string::npos;
  return (six ? "[" + address.host + "]" : address.host) + ":" + std::to_string(address.port);
}

std::string_view host_name(std::string_view host_header) {
  if (host_header.starts_with('[')) {
    const std::size_t end = host_header.find(']');
    return end == std::string_view::npos ? std::string_view() : host_header.substr(1, end - 1);
  }
  return host_header.substr(0, host_header.find(':'));
}

bool is_our_host(std::string_view host_header, const ServeSpec& serve) {
  const std::string name(host_name(host_header));
  boost::system::error_code error;
  boost::asio::ip::make_address(name, error);
  const auto same = [&](const std::string& known) { return boost::algorithm::iequals(name, known); };
  return !name.empty() && (!error || same("localhost") || std::any_of(serve.hosts.begin(), serve.hosts.end(), same));
}

}  // namespace cw
