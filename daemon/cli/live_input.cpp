#include "cli/live_input.hpp"

#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <boost/asio/io_context.hpp>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/signal_set.hpp>
#include <boost/asio/steady_timer.hpp>
#include <cerrno>
#include <chrono>
#include <csignal>
#include <utility>

#include "cli/sequencer.hpp"
#include "record/disk_file.hpp"

namespace cw {

namespace asio = boost::asio;

namespace {

constexpr std::size_t read_bytes = 64 * 1024;            // the capacity of a pipe
constexpr std::chrono::milliseconds wait_for_room{500};  // so long the writer of a pipe is made to wait
constexpr std::chrono::milliseconds look_for_room_every{5};
constexpr std::chrono::seconds marker_at_most_every{2};
constexpr std::chrono::seconds complain_at_most_every{1};

// A source with what has been read from it and has not been handed on yet.
struct OpenSource {
  OpenSource(asio::io_context& context, LiveSource&& source)
      : live(std::move(source)), descriptor(context, live.descriptor), room_timer(context) {
    struct stat status {};
    never_waits = ::fstat(live.descriptor, &status) == 0 && S_ISREG(status.st_mode);
  }

  LiveSource live;
  asio::posix::stream_descriptor descriptor;
  asio::steady_timer room_timer;
  std::chrono::steady_clock::time_point give_up;  // when what has been read is dropped if there is no room
  bool never_waits = false;                       // a regular file: always ready, and epoll does not take it
  ItemBuffer items;
  std::uint64_t lost = 0;  // items dropped since the last gap item
  bool dropping = false;
  bool ending = false;  // read to its end, the last items not handed on yet
  std::uint64_t bad_told = 0;
};

}  // namespace

std::int64_t host_now_ns() {
  return std::chrono::duration_cast<std::chrono::nanoseconds>(std::chrono::steady_clock::now().time_since_epoch())
      .count();
}

class LiveInput::Loop {
 public:
  Loop(std::vector<LiveSource> sources, Pipeline& pipeline, SessionWriter& session,
       std::function<void(const std::string&)> tell)
      : pipeline_(pipeline), session_(session), tell_(std::move(tell)), bytes_(read_bytes) {
    for (LiveSource& source : sources) {
      sources_.push_back(std::make_unique<OpenSource>(context_, std::move(source)));
    }
  }

  LiveReport run();

 private:
  void wait_readable(OpenSource& source);
  void read_some(OpenSource& source);
  void deliver(OpenSource& source);
  void wait_for_tick();
  void on_tick();
  bool hand_on(ItemBuffer& items);
  bool try_deliver(OpenSource& source);
  void drop_edges(OpenSource& source);
  void put_marker();
  void tell_bad_input();
  void end_source(OpenSource& source);

  asio::io_context context_;
  Pipeline& pipeline_;
  SessionWriter& session_;
  std::function<void(const std::string&)> tell_;
  std::vector<char> bytes_;
  std::vector<std::unique_ptr<OpenSource>> sources_;
  std::size_t ended_ = 0;
  asio::steady_timer tick_timer_{context_};
  std::chrono::steady_clock::time_point next_tick_;
  LiveSequencer sequencer_;
  std::chrono::steady_clock::time_point last_marker_;
  std::chrono::steady_clock::time_point last_complaint_;
  LiveReport report_;
};

// Items that the queue does not take get their numbers back: loss happens only before sequencing.
bool LiveInput::Loop::hand_on(ItemBuffer& items) {
  const std::size_t count = items.items.size();
  if (pipeline_.offer(items)) {
    items = {};
    return true;
  }
  sequencer_.take_back(count);
  return false;
}

bool LiveInput::Loop::try_deliver(OpenSource& source) {
  const auto number = static_cast<std::uint8_t>(source.live.info.number);
  if (source.lost > 0) {
    ItemBuffer gap = sequencer_.gap(GapReason::queue_full, source.lost, number, host_now_ns());
    if (!hand_on(gap)) {
      return false;
    }
    session_.note_input_lost(source.lost);
    source.lost = 0;
  }
  if (source.items.items.empty()) {
    return true;
  }
  sequencer_.stamp(source.items, number, host_now_ns());
  return hand_on(source.items);
}

// Notes stay, so that channels keep their names.
void LiveInput::Loop::drop_edges(OpenSource& source) {
  ItemBuffer kept;
  for (const Item& item : source.items.items) {
    if (item.kind == ItemKind::link_note) {
      kept.add_copy(item, source.items.payload);
    }
  }
  const std::uint64_t dropped = source.items.items.size() - kept.items.size();
  source.items = std::move(kept);
  source.lost += dropped;
  report_.lost_items += dropped;
}

// Makes a source wait while there is no room, for a while; then drops and counts. Reads on when that is done.
void LiveInput::Loop::deliver(OpenSource& source) {
  if (try_deliver(source)) {
    source.dropping = false;
  } else if (source.dropping || std::chrono::steady_clock::now() >= source.give_up) {
    drop_edges(source);
    source.dropping = true;
  } else {
    source.room_timer.expires_after(look_for_room_every);
    source.room_timer.async_wait([this, &source](const boost::system::error_code& /*error*/) { deliver(source); });
    return;
  }
  if (source.ending) {
    end_source(source);
  } else {
    wait_readable(source);
  }
}

void LiveInput::Loop::wait_readable(OpenSource& source) {
  if (source.never_waits) {
    asio::post(context_, [this, &source] { read_some(source); });
    return;
  }
  // Not async_read_some: that reads at once, and a FIFO that no one has opened for writing yet reads as ended.
  source.descriptor.async_wait(asio::posix::stream_descriptor::wait_read,
                               [this, &source](const boost::system::error_code& /*error*/) { read_some(source); });
}

void LiveInput::Loop::read_some(OpenSource& source) {
  const ssize_t got = ::read(source.descriptor.native_handle(), bytes_.data(), bytes_.size());
  if (got < 0 && (errno == EINTR || errno == EAGAIN)) {
    wait_readable(source);
    return;
  }
  if (got < 0) {
    tell_(disk_problem(source.live.info.address, "cannot read", errno));
    report_.stopped_by = "input failed";
  }
  if (got > 0) {
    source.live.driver->read({bytes_.data(), static_cast<std::size_t>(got)}, source.items);
  } else {
    source.live.driver->finish(source.items);
    source.ending = true;
  }
  source.give_up = std::chrono::steady_clock::now() + wait_for_room;
  deliver(source);
}

void LiveInput::Loop::end_source(OpenSource& source) {
  source.descriptor.close();
  ++ended_;
  if (ended_ == sources_.size()) {
    report_.stopped_by = report_.stopped_by.empty() ? "end of input" : report_.stopped_by;
    context_.stop();
  }
}

void LiveInput::Loop::wait_for_tick() {
  // A process that was stopped for a while makes no burst of ticks afterwards.
  next_tick_ = std::max(next_tick_ + std::chrono::nanoseconds(tick_ns), std::chrono::steady_clock::now());
  tick_timer_.expires_at(next_tick_);
  tick_timer_.async_wait([this](const boost::system::error_code& error) {
    if (!error) {
      on_tick();
    }
  });
}

void LiveInput::Loop::on_tick() {
  ItemBuffer tick = sequencer_.tick(host_now_ns());
  hand_on(tick);
  put_marker();
  tell_bad_input();
  wait_for_tick();
}

void LiveInput::Loop::put_marker() {
  const auto now = std::chrono::steady_clock::now();
  if (!session_.wants_marker() || now - last_marker_ < marker_at_most_every) {
    return;
  }
  last_marker_ = now;
  ItemBuffer marker = sequencer_.recorder_marker(host_now_ns());
  hand_on(marker);
}

void LiveInput::Loop::tell_bad_input() {
  const auto now = std::chrono::steady_clock::now();
  if (now - last_complaint_ < complain_at_most_every) {
    return;
  }
  for (const auto& source : sources_) {
    const std::uint64_t bad = source->live.driver->bad_inputs();
    if (bad > source->bad_told) {
      last_complaint_ = now;
      const std::uint64_t more = bad - std::exchange(source->bad_told, bad);
      tell_(source->live.driver->error() + (more > 1 ? " (and " + std::to_string(more - 1) + " more)" : ""));
      session_.note_bad_input(more, source->live.driver->error());
    }
  }
}

LiveReport LiveInput::Loop::run() {
  asio::signal_set signals(context_, SIGINT, SIGTERM);
  struct sigaction hang_up {};
  if (::sigaction(SIGHUP, nullptr, &hang_up) == 0 && hang_up.sa_handler != SIG_IGN) {
    signals.add(SIGHUP);  // under nohup it stays ignored
  }
  signals.async_wait([this](const boost::system::error_code& error, int /*signal*/) {
    if (!error) {
      report_.stopped_by = "signal";
      context_.stop();
    }
  });
  for (const auto& source : sources_) {
    source->live.driver->start(source->items);
    deliver(*source);
  }
  next_tick_ = std::chrono::steady_clock::now();
  wait_for_tick();
  context_.run();
  last_complaint_ = {};
  tell_bad_input();
  for (const auto& source : sources_) {
    report_.bad_inputs += source->live.driver->bad_inputs();
  }
  return report_;
}

LiveInput::LiveInput(std::vector<LiveSource> sources, Pipeline& pipeline, SessionWriter& session,
                     std::function<void(const std::string&)> tell)
    : loop_(std::make_unique<Loop>(std::move(sources), pipeline, session, std::move(tell))) {}
LiveInput::~LiveInput() = default;
LiveReport LiveInput::run() {
  return loop_->run();
}

}  // namespace cw
