#include "serve/status_client.hpp"

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/beast/core/flat_buffer.hpp>
#include <boost/beast/core/tcp_stream.hpp>
#include <boost/beast/http.hpp>

namespace cw {

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = boost::beast::http;
using Error = boost::system::error_code;

namespace {

constexpr std::uint64_t answer_bytes_max = 1024 * 1024;

// The steps of one request, each begun when the one before is done; the first error ends them.
class Fetch {
 public:
  Fetch(const ServeAddress& address, std::chrono::milliseconds within)
      : endpoint_(asio::ip::make_address(address.host), address.port),
        stream_(context_),
        request_(http::verb::get, "/status.json", 11) {
    parser_.body_limit(answer_bytes_max);
    request_.set(http::field::host, to_string(address));
    stream_.expires_after(within);
  }

  Error run() {
    stream_.async_connect(endpoint_, [this](const Error& error) { connected(error); });
    context_.run();
    return error_;
  }
  const http::response<http::string_body>& response() const { return parser_.get(); }

 private:
  void connected(const Error& error) {
    error_ = error;
    if (!error) {
      http::async_write(stream_, request_, [this](const Error& failed, std::size_t /*bytes*/) { sent(failed); });
    }
  }
  void sent(const Error& error) {
    error_ = error;
    if (!error) {
      http::async_read(stream_, buffer_, parser_,
                       [this](const Error& failed, std::size_t /*bytes*/) { error_ = failed; });
    }
  }

  asio::io_context context_{1};
  asio::ip::tcp::endpoint endpoint_;
  beast::tcp_stream stream_;
  http::request<http::empty_body> request_;
  beast::flat_buffer buffer_;
  http::response_parser<http::string_body> parser_;
  Error error_;
};

}  // namespace

std::variant<StatusText, std::string> fetch_status(const ServeAddress& address, std::chrono::milliseconds within) {
  Fetch fetch(address, within);
  if (const Error error = fetch.run()) {
    return to_string(address) + ": expected a crankwitness that serves its status (run --serve): " + error.message();
  }
  const auto& response = fetch.response();
  if (response.result() != http::status::ok) {
    return to_string(address) + ": expected the status of a crankwitness, found an answer with " +
           std::to_string(response.result_int());
  }
  return StatusText{response.body()};
}

}  // namespace cw
