#include "serve/page_server.hpp"

#include <pthread.h>

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/read.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/write.hpp>
#include <boost/beast/core/flat_buffer.hpp>
#include <boost/beast/core/tcp_stream.hpp>
#include <boost/beast/http.hpp>
#include <optional>
#include <thread>
#include <utility>

#include "serve/answer.hpp"
#include "serve/status_json.hpp"

namespace cw {

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = boost::beast::http;
using asio::ip::tcp;
using Error = boost::system::error_code;

namespace {

struct Connection {
  Connection(tcp::socket socket, std::size_t header_bytes_max)
      : stream(std::move(socket)), buffer(2 * header_bytes_max) {}

  beast::tcp_stream stream;
  beast::flat_buffer buffer;
  std::optional<http::request_parser<http::empty_body>> parser;
  http::response<http::string_body> response;
  // Of a live page. One message is on its way at most, so that a slow page costs no memory: it gets the latest when it
  // has taken the last.
  bool is_page = false;
  bool sending = false;
  std::string message;
  std::uint64_t next_row = 0;
  std::optional<std::uint64_t> findings_version;
};
using ConnectionPtr = std::shared_ptr<Connection>;

std::string event(std::string_view name, const std::string& data) {
  return "event: " + std::string(name) + "\ndata: " + data + "\n\n";
}

}  // namespace

class PageServer::Loop {
 public:
  Loop(const ServeSpec& serve, const LiveState& state, const ServeLimits& limits)
      : serve_(serve), state_(state), limits_(limits) {}
  Loop(const Loop&) = delete;
  Loop& operator=(const Loop&) = delete;
  ~Loop() {
    context_.stop();
    if (thread_.joinable()) {
      thread_.join();
    }
  }

  std::string listen(const ServeAddress& address);
  void start() {
    thread_ = std::thread([this] {
      ::pthread_setname_np(::pthread_self(), "serve");
      accept();
      wait_for_events();
      context_.run();
    });
  }
  const ServeAddress& address() const { return address_; }

 private:
  void accept();
  void take(tcp::socket socket);
  void read(const ConnectionPtr& connection);
  void asked(const ConnectionPtr& connection, const Error& error);
  Answer answer_to(const ConnectionPtr& connection, const Error& error);
  void send(const ConnectionPtr& connection, Answer answer, bool keep_open);
  void finish(const ConnectionPtr& connection);
  void close(const ConnectionPtr& connection);
  void begin_page(const ConnectionPtr& connection);
  void end_page(const ConnectionPtr& connection);
  void wait_for_events();
  void push_all();
  void push(const ConnectionPtr& connection, const LiveStatus& status, const std::string& status_event);

  ServeSpec serve_;
  const LiveState& state_;
  ServeLimits limits_;
  ServeAddress address_;
  std::size_t connections_ = 0;  // before the context, whose end is theirs
  asio::io_context context_{1};
  tcp::acceptor acceptor_{context_};
  asio::steady_timer accept_again_{context_};
  asio::steady_timer event_timer_{context_};
  std::vector<ConnectionPtr> pages_;
  ServeCounts counts_;
  std::thread thread_;
};

std::string PageServer::Loop::listen(const ServeAddress& address) {
  const tcp::endpoint endpoint(asio::ip::make_address(address.host), address.port);
  Error error;
  const auto step = [&](auto&& action) {
    if (!error) {
      action();
    }
  };
  acceptor_.open(endpoint.protocol(), error);
  step([&] { acceptor_.set_option(tcp::acceptor::reuse_address(true), error); });
  step([&] { acceptor_.bind(endpoint, error); });
  step([&] { acceptor_.listen(static_cast<int>(limits_.connections_max), error); });
  if (error) {
    return "cannot serve the page at " + to_string(address) + ": " + error.message();
  }
  address_ = {address.host, acceptor_.local_endpoint().port()};
  return {};
}

void PageServer::Loop::accept() {
  acceptor_.async_accept([this](const Error& error, tcp::socket socket) {
    if (!error) {
      take(std::move(socket));
      accept();
      return;
    }
    // No descriptor is left, or the like: the others go on.
    constexpr std::chrono::milliseconds rest{100};
    accept_again_.expires_after(rest);
    accept_again_.async_wait([this](const Error& /*error*/) { accept(); });
  });
}

void PageServer::Loop::take(tcp::socket socket) {
  Error ignored;
  if (connections_ >= limits_.connections_max) {
    ++counts_.refused;
    socket.close(ignored);
    return;
  }
  socket.set_option(asio::socket_base::send_buffer_size(limits_.send_buffer_bytes), ignored);
  socket.set_option(tcp::no_delay(true), ignored);
  ++connections_;
  // Counted as long as anything holds it.
  const ConnectionPtr connection(new Connection(std::move(socket), limits_.header_bytes_max), [this](Connection* gone) {
    delete gone;
    --connections_;
  });
  read(connection);
}

void PageServer::Loop::read(const ConnectionPtr& connection) {
  connection->parser.emplace();
  connection->parser->header_limit(static_cast<std::uint32_t>(limits_.header_bytes_max));
  connection->stream.expires_after(limits_.request_within);
  http::async_read_header(connection->stream, connection->buffer, *connection->parser,
                          [this, connection](const Error& error, std::size_t /*bytes*/) { asked(connection, error); });
}

Answer PageServer::Loop::answer_to(const ConnectionPtr& connection, const Error& error) {
  Answer refused;
  if (error) {
    refused.status = error == http::error::header_limit ? 431 : 400;
    refused.body = "expected a request of HTTP/1.1: " + error.message() + "\n";
    return refused;
  }
  const auto& request = connection->parser->get();
  const auto text = [](beast::string_view view) { return std::string_view(view.data(), view.size()); };
  Asked asked;
  asked.method = text(request.method_string());
  asked.target = text(request.target());
  asked.host = text(request[http::field::host]);
  asked.if_none_match = text(request[http::field::if_none_match]);
  asked.has_body = connection->parser->chunked() || connection->parser->content_length().value_or(0) > 0;
  asked.header_lines = static_cast<std::size_t>(std::distance(request.begin(), request.end()));
  counts_.pages_open = pages_.size();
  Answer found = answer(asked, serve_, state_, counts_);
  if (found.events && pages_.size() >= limits_.pages_max) {
    found = {};
    found.status = 503;
    found.body = "as many pages are open as may be (" + std::to_string(limits_.pages_max) + ")\n";
  }
  return found;
}

void PageServer::Loop::asked(const ConnectionPtr& connection, const Error& error) {
  const bool malformed = error && error.category() == http::make_error_code(http::error::bad_method).category() &&
                         error != http::error::end_of_stream && error != http::error::partial_message;
  if (error && !malformed) {
    close(connection);  // gone, or too slow
    return;
  }
  ++counts_.requests;
  Answer found = answer_to(connection, error);
  counts_.refused += found.status >= 400 ? 1 : 0;
  // After an answer with an error nothing is read on: what follows may be the body of what was refused.
  const bool keep_open = !error && found.status < 400 && !found.events && connection->parser->get().keep_alive();
  send(connection, std::move(found), keep_open);
}

void PageServer::Loop::send(const ConnectionPtr& connection, Answer answer, bool keep_open) {
  auto& response = connection->response;
  response = {static_cast<http::status>(answer.status), 11};
  for (const auto& [name, value] : common_headers()) {
    response.set(beast::string_view(name.data(), name.size()), beast::string_view(value.data(), value.size()));
  }
  response.set(http::field::content_type, beast::string_view(answer.content_type.data(), answer.content_type.size()));
  for (const auto& [name, value] : answer.headers) {
    response.set(beast::string_view(name.data(), name.size()), value);
  }
  response.keep_alive(keep_open);
  const bool head = connection->parser->get().method() == http::verb::head;
  const bool events = answer.events && !head;
  if (!events && answer.status != 304) {
    response.content_length(answer.body.size());
  }
  if (!head) {
    response.body() = std::move(answer.body);
  }
  connection->stream.expires_after(limits_.request_within);
  http::async_write(connection->stream, response,
                    [this, connection, keep_open, events](const Error& error, std::size_t /*bytes*/) {
                      if (error) {
                        close(connection);
                      } else if (!keep_open && !events) {
                        finish(connection);
                      } else if (events) {
                        begin_page(connection);
                      } else {
                        read(connection);
                      }
                    });
}

// Says that nothing more comes, and waits a moment for the peer to say so too: closed with something unread, the kernel
// would take the answer back.
void PageServer::Loop::finish(const ConnectionPtr& connection) {
  constexpr std::chrono::seconds at_most{1};
  constexpr std::size_t unread_max = 65'536;
  Error ignored;
  connection->stream.socket().shutdown(tcp::socket::shutdown_send, ignored);
  connection->stream.expires_after(at_most);
  connection->buffer.clear();
  connection->message.resize(unread_max);
  asio::async_read(connection->stream, asio::buffer(connection->message),
                   [this, connection](const Error& /*error*/, std::size_t /*bytes*/) { close(connection); });
}

void PageServer::Loop::close(const ConnectionPtr& connection) {
  Error ignored;
  connection->stream.socket().shutdown(tcp::socket::shutdown_both, ignored);
  connection->stream.socket().close(ignored);
}

// From here on the page only listens: whatever comes from it, its end as well, ends it.
void PageServer::Loop::begin_page(const ConnectionPtr& connection) {
  connection->is_page = true;
  connection->stream.expires_never();
  pages_.push_back(connection);
  connection->stream.socket().async_wait(tcp::socket::wait_read,
                                         [this, connection](const Error& /*error*/) { end_page(connection); });
  push(connection, state_.status(), {});
}

void PageServer::Loop::end_page(const ConnectionPtr& connection) {
  std::erase(pages_, connection);
  close(connection);
}

void PageServer::Loop::wait_for_events() {
  event_timer_.expires_after(limits_.event_every);
  event_timer_.async_wait([this](const Error& error) {
    if (!error) {
      push_all();
      wait_for_events();
    }
  });
}

void PageServer::Loop::push_all() {
  if (pages_.empty()) {
    return;
  }
  const LiveStatus status = state_.status();
  const std::string status_event = event("status", status_event_json(status));
  for (const ConnectionPtr& page : std::vector(pages_)) {
    push(page, status, status_event);
  }
}

// Without `status_event` it is made: the first message of a page.
void PageServer::Loop::push(const ConnectionPtr& connection, const LiveStatus& status,
                            const std::string& status_event) {
  if (connection->sending) {
    return;
  }
  std::string& message = connection->message;
  message = status_event.empty() ? event("status", status_event_json(status)) : status_event;
  if (connection->findings_version != status.findings_version) {
    connection->findings_version = status.findings_version;
    message += event("findings", findings_json(status));
  }
  if (connection->next_row < status.next_row) {
    const auto rows = state_.rows(connection->next_row);
    message += event("rows", rows_json(status, rows));
    connection->next_row = rows.empty() ? status.next_row : rows.back().number + 1;
  }
  connection->sending = true;
  connection->stream.expires_after(limits_.event_within);
  asio::async_write(connection->stream, asio::buffer(message),
                    [this, connection](const Error& error, std::size_t /*bytes*/) {
                      connection->sending = false;
                      if (error) {
                        counts_.pages_dropped += error == beast::error::timeout ? 1 : 0;
                        end_page(connection);
                      }
                    });
}

std::variant<std::unique_ptr<PageServer>, std::string> PageServer::create(const ServeAddress& address,
                                                                          const ServeSpec& serve,
                                                                          const LiveState& state,
                                                                          const ServeLimits& limits) {
  auto loop = std::make_unique<Loop>(serve, state, limits);
  if (std::string problem = loop->listen(address); !problem.empty()) {
    return problem;
  }
  loop->start();
  return std::unique_ptr<PageServer>(new PageServer(std::move(loop)));
}

PageServer::PageServer(std::unique_ptr<Loop> loop) : loop_(std::move(loop)) {}
PageServer::~PageServer() = default;
const ServeAddress& PageServer::address() const {
  return loop_->address();
}

}  // namespace cw
