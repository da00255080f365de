#include "cli/log.hpp"

#include <spdlog/sinks/base_sink.h>
#include <systemd/sd-daemon.h>

#include <string_view>

namespace cw {

namespace {

class TerminalSink final : public spdlog::sinks::base_sink<std::mutex> {
 public:
  TerminalSink(Terminal& terminal, bool journal) : terminal_(terminal), journal_(journal) {}

 private:
  void sink_it_(const spdlog::details::log_msg& message) override {
    if (journal_) {
      const char* const priority = message.level >= spdlog::level::err    ? SD_ERR
                                   : message.level == spdlog::level::warn ? SD_WARNING
                                                                          : SD_INFO;
      terminal_.complain(priority + std::string(message.payload.data(), message.payload.size()));
      return;
    }
    spdlog::memory_buf_t text;
    formatter_->format(message, text);
    std::string_view line(text.data(), text.size());
    line.remove_suffix(!line.empty() && line.back() == '\n' ? 1 : 0);
    terminal_.complain(line);
  }
  void flush_() override {}

  Terminal& terminal_;
  bool journal_;
};

}  // namespace

std::shared_ptr<spdlog::logger> make_log(Terminal& terminal, bool journal) {
  auto log = std::make_shared<spdlog::logger>("crankwitness", std::make_shared<TerminalSink>(terminal, journal));
  log->set_pattern("%Y-%m-%dT%H:%M:%S.%e %n %l: %v");
  return log;
}

std::string error_prefix(bool journal) {
  return journal ? SD_ERR : "crankwitness: ";
}

}  // namespace cw
