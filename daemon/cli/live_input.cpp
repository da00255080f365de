#include "cli/live_input.hpp"

#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <boost/asio/io_context.hpp>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>
#include <cerrno>
#include <chrono>
#include <csignal>
#include <optional>
#include <system_error>
#include <thread>
#include <utility>

#include "cli/dropped_items.hpp"
#include "cli/sequencer.hpp"
#include "record/disk_file.hpp"

namespace cw {

namespace asio = boost::asio;

namespace {

constexpr std::size_t read_bytes = 64 * 1024;            // the capacity of a pipe
constexpr std::chrono::milliseconds wait_for_room{500};  // so long the writer of a pipe is made to wait
// A serial port can't be made to wait: the kernel holds some 64 KiB for it, 200 ms at 3 Mbaud (from memory).
constexpr std::chrono::milliseconds link_waits_for_room{100};
constexpr std::chrono::milliseconds look_for_room_every{5};
constexpr std::chrono::seconds marker_at_most_every{2};
constexpr std::chrono::seconds complain_at_most_every{1};
// A full CAN bus brings a frame each 135 us: what comes meanwhile is read together. The kernel has stamped it.
constexpr std::chrono::milliseconds rest_between_receives{2};
constexpr std::chrono::milliseconds reopen_after_min{100};
constexpr std::chrono::milliseconds reopen_after_max{5000};
constexpr int news_a_minute_max = 10;  // of one link
constexpr std::chrono::seconds wait_for_room_at_end{2};

// A source with what has been read from it and has not been handed on yet.
struct OpenSource {
  OpenSource(asio::io_context& context, LiveSource&& source)
      : live(std::move(source)), descriptor(context), room_timer(context), link_timer(context) {
    struct stat status {};
    never_waits = ::fstat(live.descriptor, &status) == 0 && S_ISREG(status.st_mode);
    if (live.descriptor >= 0) {
      descriptor.assign(live.descriptor);
    }
  }
  OpenSource(const OpenSource&) = delete;
  OpenSource& operator=(const OpenSource&) = delete;
  ~OpenSource() {
    if (opened.descriptor >= 0) {
      ::close(opened.descriptor);  // the run ended before it could be used
    }
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
  std::uint64_t bad_before = 0;  // those of the session before
  std::optional<std::chrono::steady_clock::time_point> heard;

  // Of a link.
  asio::steady_timer link_timer;
  Opened opened;  // written by the opening thread, read after that
  std::chrono::milliseconds reopen_after = reopen_after_min;
  std::chrono::steady_clock::time_point connected_at;
  bool was_connected = false;
  bool away_noted = false;      // the items say that it is not there
  std::string problem_told;     // why it can't be opened
  std::string remark_told;      // what its user should know
  std::uint64_t port_lost = 0;  // bytes lost by the kernel since the last gap item
  std::uint64_t port_counter = 0;
  std::chrono::steady_clock::time_point news_since;
  int news = 0;
  std::uint64_t news_kept_back = 0;
};

// The channel names among the items from `first` on.
void keep_names(const ItemBuffer& items, std::size_t first, std::map<std::uint8_t, std::string>& names) {
  for (std::size_t i = first; i < items.items.size(); ++i) {
    const Item& item = items.items[i];
    if (item.kind == ItemKind::link_note && item.code == static_cast<std::uint8_t>(LinkNote::channel_named)) {
      const auto bytes = payload_of(item, items.payload);
      names[item.channel].assign(reinterpret_cast<const char*>(bytes.data()), bytes.size());
    }
  }
}

}  // namespace

std::int64_t host_now_ns() {
  return std::chrono::duration_cast<std::chrono::nanoseconds>(std::chrono::steady_clock::now().time_since_epoch())
      .count();
}

class LiveInput::Loop {
 public:
  Loop(std::vector<LiveSource> sources, Pipeline& pipeline, SessionWriter& session, const Signals& signals,
       LiveHooks hooks)
      : pipeline_(pipeline),
        session_(session),
        signals_(signals),
        hooks_(std::move(hooks)),
        bytes_(read_bytes),
        signal_descriptor_(context_, ::dup(signals.descriptor())) {
    std::size_t links = 0;
    for (LiveSource& source : sources) {
      links += source.entry->reconnects ? 1 : 0;
      sources_.push_back(std::make_unique<OpenSource>(context_, std::move(source)));
    }
    if (links > 0) {
      openers_ = std::make_unique<asio::thread_pool>(links);
    }
  }

  LiveReport run();
  std::vector<LiveSource> take_open_sources();

 private:
  void begin(OpenSource& source);
  void go_on(OpenSource& source);
  void wait_for_signal();
  void on_signal(int signal);
  void stop(const std::string& reason);
  void hand_on_the_rest(OpenSource& source);
  void tell(News news, const std::string& line);
  void wait_readable(OpenSource& source);
  void read_some(OpenSource& source);
  void deliver(OpenSource& source);
  void wait_for_tick();
  void on_tick();
  bool hand_on(ItemBuffer& items);
  bool try_deliver(OpenSource& source);
  void drop_edges(OpenSource& source);
  std::vector<SourceHealth> health() const;
  void put_marker();
  void note_lost_input();
  void tell_bad_input();
  void end_source(OpenSource& source);
  void next_step(OpenSource& source);

  void open_link(OpenSource& source);
  void link_opened(OpenSource& source);
  void link_refused(OpenSource& source);
  void link_gone(OpenSource& source, const std::string& why);
  void open_link_later(OpenSource& source);
  void link_news(OpenSource& source, News news, const std::string& event, const std::string& line);
  void put_port_losses(OpenSource& source);

  asio::io_context context_;
  Pipeline& pipeline_;
  SessionWriter& session_;
  const Signals& signals_;
  LiveHooks hooks_;
  std::vector<char> bytes_;
  asio::posix::stream_descriptor signal_descriptor_;
  std::vector<std::unique_ptr<OpenSource>> sources_;
  std::size_t ended_ = 0;
  asio::steady_timer tick_timer_{context_};
  std::chrono::steady_clock::time_point next_tick_;
  LiveSequencer sequencer_;
  std::chrono::steady_clock::time_point last_marker_;
  std::chrono::steady_clock::time_point last_complaint_;
  std::uint64_t lost_not_noted_ = 0;  // items, in service.jsonl
  std::chrono::steady_clock::time_point last_lost_note_;
  LiveReport report_;
  std::unique_ptr<asio::thread_pool> openers_;  // last: joined before what its threads use goes away
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
    lost_not_noted_ += std::exchange(source.lost, 0);
  }
  if (source.items.items.empty()) {
    return true;
  }
  sequencer_.stamp(source.items, number, host_now_ns());
  return hand_on(source.items);
}

void LiveInput::Loop::drop_edges(OpenSource& source) {
  const std::uint64_t dropped = drop_data(source.items);
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
  next_step(source);
}

void LiveInput::Loop::next_step(OpenSource& source) {
  if (source.ending) {
    end_source(source);
  } else if (source.descriptor.is_open() && source.live.entry->receive != nullptr) {
    source.room_timer.expires_after(rest_between_receives);
    source.room_timer.async_wait(
        [this, &source](const boost::system::error_code& /*error*/) { wait_readable(source); });
  } else if (source.descriptor.is_open()) {
    wait_readable(source);
  } else {
    open_link_later(source);
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
  const auto* entry = source.live.entry;
  const int descriptor = source.descriptor.native_handle();
  const ssize_t got =
      entry->receive != nullptr ? entry->receive(descriptor, bytes_) : ::read(descriptor, bytes_.data(), bytes_.size());
  if (got < 0 && (errno == EINTR || errno == EAGAIN)) {
    wait_readable(source);
    return;
  }
  const auto room_within = source.live.entry->reconnects ? link_waits_for_room : wait_for_room;
  source.give_up = std::chrono::steady_clock::now() + room_within;
  if (got <= 0 && source.live.entry->reconnects) {
    link_gone(source, got == 0 ? "it ended" : std::generic_category().message(errno));
    return;
  }
  if (got < 0) {
    tell(News::trouble, disk_problem(source.live.info.address, "cannot read", errno));
    report_.stopped_by = "input failed";
  }
  if (got > 0) {
    source.heard = std::chrono::steady_clock::now();
    const std::size_t items_before = source.items.items.size();
    const std::size_t payload_before = source.items.payload.size();
    source.live.driver->read({bytes_.data(), static_cast<std::size_t>(got)}, source.items);
    if (source.items.payload.size() > payload_before) {
      keep_names(source.items, items_before, source.live.channel_names);
    }
  } else {
    source.live.driver->finish(source.items);
    source.ending = true;
  }
  deliver(source);
}

void LiveInput::Loop::end_source(OpenSource& source) {
  source.descriptor.close();
  ++ended_;
  if (ended_ == sources_.size()) {
    stop(report_.stopped_by.empty() ? "end of input" : report_.stopped_by);
  }
}

void LiveInput::Loop::open_link(OpenSource& source) {
  asio::post(*openers_, [this, &source] {
    source.opened = source.live.entry->open(source.live.where);
    asio::post(context_, [this, &source] { link_opened(source); });
  });
}

void LiveInput::Loop::open_link_later(OpenSource& source) {
  source.link_timer.expires_after(source.reopen_after);
  source.reopen_after = std::min(2 * source.reopen_after, reopen_after_max);
  source.link_timer.async_wait([this, &source](const boost::system::error_code& error) {
    if (!error) {
      open_link(source);
    }
  });
}

void LiveInput::Loop::link_opened(OpenSource& source) {
  if (source.opened.descriptor < 0) {
    link_refused(source);
    return;
  }
  const int descriptor = std::exchange(source.opened.descriptor, -1);
  source.descriptor.assign(descriptor);
  const auto* entry = source.live.entry;
  source.port_counter = entry->lost_bytes != nullptr ? entry->lost_bytes(descriptor).value_or(0) : 0;
  source.connected_at = std::chrono::steady_clock::now();
  source.away_noted = false;
  source.problem_told.clear();
  source.live.driver->start(source.items);
  if (std::exchange(source.was_connected, true)) {
    source.items.add_note(LinkNote::new_epoch, 0);
  }
  link_news(source, News::good, "link-connected", "connected");
  if (const std::string& remark = source.opened.remark; !remark.empty() && remark != source.remark_told) {
    link_news(source, News::trouble, "link-remark", remark);
    source.remark_told = remark;
  }
  deliver(source);
}

void LiveInput::Loop::link_refused(OpenSource& source) {
  if (source.problem_told != source.opened.problem) {
    source.problem_told = source.opened.problem;
    link_news(source, News::trouble, "link-away", source.opened.problem + "; trying again until it is there");
  }
  if (std::exchange(source.away_noted, true)) {
    open_link_later(source);
    return;
  }
  source.items.add_note(LinkNote::disconnected, 0);
  deliver(source);
}

// Closed before anything else: a device that comes back gets its old name only when no one holds it any more.
void LiveInput::Loop::link_gone(OpenSource& source, const std::string& why) {
  boost::system::error_code ignored;
  source.descriptor.close(ignored);
  source.items.add_note(LinkNote::disconnected, 0);
  source.away_noted = true;
  if (std::chrono::steady_clock::now() - source.connected_at >= reopen_after_max) {
    source.reopen_after = reopen_after_min;  // one that comes and goes at once is not hurried after
  }
  link_news(source, News::trouble, "link-lost", "the link went away (" + why + "); opening it again");
  deliver(source);
}

// For the operator and service.jsonl; what comes too often is only counted.
void LiveInput::Loop::link_news(OpenSource& source, News news, const std::string& event, const std::string& line) {
  const auto now = std::chrono::steady_clock::now();
  if (now - source.news_since > std::chrono::minutes(1)) {
    source.news_since = now;
    source.news = 0;
  }
  if (source.news >= news_a_minute_max) {
    ++source.news_kept_back;
    return;
  }
  ++source.news;
  const std::uint64_t more = std::exchange(source.news_kept_back, 0);
  const std::string& address = source.live.info.address;
  const std::string whole = (line.starts_with(address) ? "" : address + ": ") + line +
                            (more > 0 ? " (and " + std::to_string(more) + " more before it)" : "");
  tell(news, whole);
  session_.note_link(event, source.live.info.number, whole);
}

void LiveInput::Loop::put_port_losses(OpenSource& source) {
  const auto count = source.live.entry->lost_bytes;
  if (count == nullptr || !source.descriptor.is_open()) {
    return;
  }
  const std::uint64_t counter = count(source.descriptor.native_handle()).value_or(source.port_counter);
  // The kernel's counters have 32 bits and may wrap.
  const std::uint64_t more = counter >= source.port_counter ? counter - source.port_counter : counter;
  source.port_counter = counter;
  source.port_lost += more;
  report_.lost_bytes += more;
  if (source.port_lost == 0) {
    return;
  }
  const auto number = static_cast<std::uint8_t>(source.live.info.number);
  ItemBuffer gap = sequencer_.gap(GapReason::port_overrun, source.port_lost, number, host_now_ns());
  if (hand_on(gap)) {
    session_.note_link("port-overrun", source.live.info.number,
                       source.live.info.address + ": the kernel lost " + std::to_string(source.port_lost) + " bytes");
    source.port_lost = 0;
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
  for (const auto& source : sources_) {
    put_port_losses(*source);
  }
  put_marker();
  session_.look_for_stall();
  note_lost_input();
  tell_bad_input();
  if (hooks_.tick) {
    hooks_.tick();
  }
  if (hooks_.health) {
    hooks_.health(health());
  }
  wait_for_tick();
}

std::vector<SourceHealth> LiveInput::Loop::health() const {
  std::vector<SourceHealth> all;
  for (const auto& source : sources_) {
    const SourceInfo& info = source->live.info;
    const bool open = source->descriptor.is_open() && !source->ending;
    all.push_back({info.driver, info.address, open, source->heard, source->live.driver->bad_inputs()});
  }
  return all;
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

// At most once a second: where the load stays too high there is a gap with each read.
void LiveInput::Loop::note_lost_input() {
  const auto now = std::chrono::steady_clock::now();
  if (lost_not_noted_ > 0 && now - last_lost_note_ >= complain_at_most_every) {
    last_lost_note_ = now;
    session_.note_input_lost(std::exchange(lost_not_noted_, 0));
  }
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
      tell(News::trouble,
           source->live.driver->error() + (more > 1 ? " (and " + std::to_string(more - 1) + " more)" : ""));
      session_.note_bad_input(more, source->live.driver->error());
    }
  }
}

void LiveInput::Loop::tell(News news, const std::string& line) {
  if (hooks_.tell) {
    hooks_.tell(news, line);
  }
}

void LiveInput::Loop::wait_for_signal() {
  signal_descriptor_.async_wait(asio::posix::stream_descriptor::wait_read,
                                [this](const boost::system::error_code& error) {
                                  while (const auto signal = error ? std::nullopt : signals_.next()) {
                                    on_signal(*signal);
                                  }
                                  if (!error) {
                                    wait_for_signal();
                                  }
                                });
}

void LiveInput::Loop::on_signal(int signal) {
  if (signal != SIGHUP) {
    stop("signal");
  } else if (!context_.stopped() && hooks_.reload && hooks_.reload()) {
    stop("reload");
  }
}

void LiveInput::Loop::stop(const std::string& reason) {
  report_.stopped_by = reason;
  context_.stop();
}

void LiveInput::Loop::begin(OpenSource& source) {
  if (source.live.goes_on) {
    go_on(source);
  } else if (source.live.entry->reconnects) {
    open_link(source);
  } else {
    source.live.driver->start(source.items);
    deliver(source);
  }
}

// The driver is in the middle of its stream: the new session only has to be told what the one before was.
void LiveInput::Loop::go_on(OpenSource& source) {
  source.live.goes_on = false;
  source.was_connected = true;
  source.connected_at = std::chrono::steady_clock::now();
  source.port_counter = source.live.port_counter;
  source.bad_before = source.live.driver->bad_inputs();
  source.bad_told = source.bad_before;
  source.items.add_note(LinkNote::connected, 0);
  for (const auto& [number, name] : source.live.channel_names) {
    source.items.add_channel_name(number, name, 0);
  }
  deliver(source);
}

// The loop has ended, so there is time to wait for room; what finds none is counted, and told in the summary.
void LiveInput::Loop::hand_on_the_rest(OpenSource& source) {
  const auto until = std::chrono::steady_clock::now() + wait_for_room_at_end;
  while (!try_deliver(source)) {
    if (std::chrono::steady_clock::now() >= until) {
      const std::uint64_t lost = data_and_losses(source.items);
      report_.lost_items += lost;
      lost_not_noted_ += std::exchange(source.lost, 0) + lost;
      source.items = {};
      return;
    }
    std::this_thread::sleep_for(look_for_room_every);
  }
}

LiveReport LiveInput::Loop::run() {
  wait_for_signal();
  for (const auto& source : sources_) {
    begin(*source);
  }
  if (hooks_.started) {
    hooks_.started();
  }
  next_tick_ = std::chrono::steady_clock::now();
  wait_for_tick();
  context_.run();
  last_complaint_ = {};
  tell_bad_input();
  for (const auto& source : sources_) {
    hand_on_the_rest(*source);
    put_port_losses(*source);
    report_.bad_inputs += source->live.driver->bad_inputs() - source->bad_before;
  }
  last_lost_note_ = {};
  note_lost_input();
  return report_;
}

std::vector<LiveSource> LiveInput::Loop::take_open_sources() {
  std::vector<LiveSource> open;
  for (const auto& source : sources_) {
    if (source->descriptor.is_open() && !source->ending) {
      source->live.descriptor = source->descriptor.release();
      source->live.port_counter = source->port_counter;
      source->live.goes_on = true;
      open.push_back(std::move(source->live));
    }
  }
  return open;
}

LiveInput::LiveInput(std::vector<LiveSource> sources, Pipeline& pipeline, SessionWriter& session,
                     const Signals& signals, LiveHooks hooks)
    : loop_(std::make_unique<Loop>(std::move(sources), pipeline, session, signals, std::move(hooks))) {}
LiveInput::~LiveInput() = default;
LiveReport LiveInput::run() {
  return loop_->run();
}
std::vector<LiveSource> LiveInput::take_open_sources() {
  return loop_->take_open_sources();
}

}  // namespace cw
