#include "cli/log.hpp"

#include <spdlog/sinks/base_sink.h>

#include <string_view>

namespace cw {

namespace {

class TerminalSink final : public spdlog::sinks::base_sink<std::mutex> {
 public:
  explicit TerminalSink(Terminal& terminal) : terminal_(terminal) {}

 private:
  void sink_it_(const spdlog::details::log_msg& message) override {
    spdlog::memory_buf_t text;
    formatter_->format(message, text);
    std::string_view line(text.data(), text.size());
    line.remove_suffix(!line.empty() && line.back() == '\n' ? 1 : 0);
    terminal_.complain(line);
  }
  void flush_() override {}

  Terminal& terminal_;
};

}  // namespace

std::shared_ptr<spdlog::logger> make_log(Terminal& terminal) {
  auto log = std::make_shared<spdlog::logger>("crankwitness", std::make_shared<TerminalSink>(terminal));
  log->set_pattern("%Y-%m-%dT%H:%M:%S.%e %n %l: %v");
  return log;
}

}  // namespace cw
