#include "drivers/edge_stream.hpp"

#include <algorithm>
#include <cstring>
#include <optional>

#include "drivers/edge_stream_clock.hpp"
#include "drivers/edge_stream_frame.hpp"

namespace cw {

namespace {

constexpr std::size_t unreadable_max = 4096;  // bytes in a row before the form is looked for anew, and a gap told
constexpr unsigned hole_max = 500;            // frames missing: more, and the device's state is not known any more

enum class Form : std::uint8_t { unknown, binary, text };

// The bytes since the last delimiter.
struct Piece {
  Form form;
  char delimiter;
  std::size_t bytes_max;
  std::string kept;
  bool skipping = false;  // it is too long
};

class EdgeStream final : public Driver {
 public:
  explicit EdgeStream(DriverSettings settings) : settings_(std::move(settings)) {}

  void start(ItemBuffer& out) override;
  bool read(std::span<const char> bytes, ItemBuffer& out) override;
  bool finish(ItemBuffer& out) override;
  const std::string& error() const override { return error_; }
  std::uint64_t bad_inputs() const override { return bad_inputs_; }

 private:
  // bytes -> pieces
  void read_unknown(char byte, ItemBuffer& out);
  std::size_t read_known(Piece& piece, std::span<const char> bytes, ItemBuffer& out);
  void end_piece(Piece& piece, ItemBuffer& out);
  void take_piece(Form form, std::string_view piece, ItemBuffer& out);
  void note_unreadable(std::size_t bytes, ItemBuffer& out);
  void note_damage(const std::string& what);
  void look_for_form();
  // frames -> items
  void take_frame(ItemBuffer& out);
  void take_first_header(ItemBuffer& out);
  bool follows(ItemBuffer& out);
  void tell_loss(unsigned hole, ItemBuffer& out);
  bool settle_time(unsigned hole, ItemBuffer& out);
  bool time_is_sound(unsigned hole) const;
  void take_content(ItemBuffer& out);
  void take_edges(ItemBuffer& out);
  bool channels_are_known(ItemBuffer& out);
  void take_dropped(ItemBuffer& out);
  void start_afresh(ItemBuffer& out);
  bool header_goes_on() const;
  void begin_epoch(ItemBuffer& out);
  void name_channels(ItemBuffer& out);

  DriverSettings settings_;
  std::string error_;
  std::uint64_t bad_inputs_ = 0;
  std::uint64_t position_ = 0;  // bytes taken
  Form form_ = Form::unknown;
  Piece binary_{Form::binary, '\0', stream_frame_max + 2, {}};
  Piece text_{Form::text, '\n', stream_line_max, {}};
  std::size_t unreadable_ = 0;  // bytes since the last sound frame
  bool any_frame_ = false;
  bool damaged_ = false;  // something could not be read since the last sound frame
  bool ending_ = false;

  StreamFrame frame_;
  std::optional<StreamSetup> setup_;  // of the device that is heard now; none: waiting for a header
  StreamSetup last_setup_;            // of the latest header
  std::vector<std::string> named_;    // channel names told so far
  bool any_header_ = false;
  std::uint32_t header_number_ = 0;
  std::uint32_t dropped_ = 0;
  std::uint16_t sequence_ = 0;      // expected next
  std::uint16_t edges_before_ = 0;  // likewise
  StreamClock clock_;
  std::optional<StreamClock> stray_;  // of a frame in sequence whose time did not fit
  std::int64_t last_edge_ns_ = INT64_MIN;
  std::int64_t last_ns_ = 0;  // the latest time told
};

// A new connection: what was left of the old one is forgotten, and edges wait for a header.
void EdgeStream::start(ItemBuffer& out) {
  look_for_form();
  damaged_ = false;
  any_frame_ = false;
  setup_.reset();
  stray_.reset();
  if (settings_.live) {
    out.add_note(LinkNote::connected, last_ns_);
  }
}

// ---- bytes to pieces

bool EdgeStream::read(std::span<const char> bytes, ItemBuffer& out) {
  while (!bytes.empty()) {
    std::size_t taken = 1;
    if (form_ == Form::unknown) {
      ++position_;
      read_unknown(bytes.front(), out);
    } else {
      taken = read_known(form_ == Form::text ? text_ : binary_, bytes, out);
    }
    bytes = bytes.subspan(taken);
  }
  return true;
}

// Until a sound frame or line has shown the form, every byte may belong to either.
void EdgeStream::read_unknown(char byte, ItemBuffer& out) {
  for (Piece* piece : {&binary_, &text_}) {
    if (form_ != Form::unknown) {
      return;
    }
    if (byte == piece->delimiter) {
      end_piece(*piece, out);
    } else if (piece->kept.size() < piece->bytes_max) {
      piece->kept.push_back(byte);
    } else {
      piece->skipping = true;
    }
  }
  if (form_ == Form::unknown) {
    note_unreadable(1, out);
  }
}

// Takes bytes up to the delimiter, or up to the next one that changes something: so cuts make no difference.
std::size_t EdgeStream::read_known(Piece& piece, std::span<const char> bytes, ItemBuffer& out) {
  const std::size_t limit = piece.skipping ? unreadable_max - unreadable_ : piece.bytes_max + 1 - piece.kept.size();
  const std::size_t most = std::min(limit, bytes.size());
  const void* const end = std::memchr(bytes.data(), piece.delimiter, most);
  const std::size_t length =
      end == nullptr ? most : static_cast<std::size_t>(static_cast<const char*>(end) - bytes.data());
  position_ += length;
  if (piece.skipping) {
    note_unreadable(length, out);
  } else {
    piece.kept.append(bytes.data(), length);
  }
  if (end != nullptr) {
    ++position_;
    if (form_ == piece.form) {
      end_piece(piece, out);
    }
    return length + 1;
  }
  if (piece.kept.size() > piece.bytes_max) {
    const std::size_t size = piece.kept.size();
    piece.kept.clear();
    piece.skipping = true;
    note_unreadable(size, out);
  }
  return length;
}

void EdgeStream::end_piece(Piece& piece, ItemBuffer& out) {
  const std::string bytes = std::exchange(piece.kept, {});
  if (std::exchange(piece.skipping, false)) {
    if (form_ != Form::unknown) {
      note_damage("expected a delimiter, found too many bytes without one");
    }
    return;
  }
  if (!bytes.empty() && bytes != "\r") {
    take_piece(piece.form, bytes, out);
  }
}

void EdgeStream::take_piece(Form form, std::string_view piece, ItemBuffer& out) {
  const std::string problem = form == Form::text ? parse_stream_line(piece, frame_) : parse_stream_frame(piece, frame_);
  if (problem.empty()) {
    if (any_frame_ && form == Form::text && piece.front() != '$') {
      note_damage("expected a line that begins with $, found something before it");
    }
    form_ = form;
    any_frame_ = true;
    unreadable_ = 0;
    (form == Form::text ? binary_ : text_).kept.clear();
    take_frame(out);
  } else if (form_ != Form::unknown && !ending_) {
    note_damage(problem);
    note_unreadable(piece.size(), out);
  }
}

void EdgeStream::note_damage(const std::string& what) {
  ++bad_inputs_;
  damaged_ = true;
  error_ = settings_.name + ": before byte " + std::to_string(position_) + ": " + what;
}

// So much that nothing of the device is heard any more is told at once.
void EdgeStream::note_unreadable(std::size_t bytes, ItemBuffer& out) {
  unreadable_ += bytes;
  if (unreadable_ < unreadable_max) {
    return;
  }
  note_damage("expected an edge stream, found " + std::to_string(unreadable_) + " bytes without a sound frame or line");
  out.add_gap(GapReason::bad_input, std::nullopt, last_ns_);
  damaged_ = false;
  look_for_form();
}

void EdgeStream::look_for_form() {
  unreadable_ = 0;
  form_ = Form::unknown;
  for (Piece* piece : {&binary_, &text_}) {
    piece->kept.clear();
    piece->skipping = false;
  }
}

bool EdgeStream::finish(ItemBuffer& out) {
  ending_ = true;
  for (Piece* piece : {&binary_, &text_}) {
    if (form_ == Form::unknown || form_ == piece->form) {
      end_piece(*piece, out);
    }
  }
  if (damaged_ && any_header_) {
    out.add_gap(GapReason::bad_input, std::nullopt, last_ns_);
  }
  if (!any_header_ && !settings_.live) {
    ++bad_inputs_;
    error_ = settings_.name + ": expected an edge stream with a header, found " +
             (any_frame_ ? "frames but no header" : "no sound frame or line") + " in " + std::to_string(position_) +
             " bytes";
    return false;
  }
  out.add_note(LinkNote::end_of_input, last_ns_);
  return true;
}

// ---- frames to items

void EdgeStream::take_frame(ItemBuffer& out) {
  if (setup_) {
    if (follows(out)) {
      take_content(out);
    }
  } else if (frame_.kind == StreamKind::header) {
    take_first_header(out);
    take_content(out);
  }
  if (setup_) {
    sequence_ = static_cast<std::uint16_t>(frame_.sequence + 1U);
    edges_before_ = static_cast<std::uint16_t>(frame_.edges_before.value_or(0) + frame_.edges.size());
  }
  damaged_ = false;
}

void EdgeStream::take_first_header(ItemBuffer& out) {
  if (any_header_) {
    begin_epoch(out);
    return;
  }
  any_header_ = true;
  setup_ = frame_.setup;
  last_setup_ = frame_.setup;
  clock_.begin(*setup_, frame_.counter);
  last_ns_ = clock_.now_ns();
  dropped_ = frame_.header_number == 0 ? 0 : frame_.dropped;  // joined in later: what was before is not ours to tell
  name_channels(out);
}

// Whether the frame goes on where the last one ended; tells what was lost between them.
bool EdgeStream::follows(ItemBuffer& out) {
  const unsigned hole = static_cast<std::uint16_t>(frame_.sequence - sequence_);
  const bool header = frame_.kind == StreamKind::header;
  if ((header && !header_goes_on()) || hole > hole_max) {
    start_afresh(out);
    return header;
  }
  tell_loss(hole, out);
  return channels_are_known(out) && settle_time(hole, out);
}

// The device started anew, or so much is missing that it may have. Edges are taken up again with its next header.
void EdgeStream::start_afresh(ItemBuffer& out) {
  out.add_gap(GapReason::link_lost, std::nullopt, last_ns_);
  stray_.reset();
  if (frame_.kind == StreamKind::header) {
    begin_epoch(out);
  } else {
    setup_.reset();
  }
}

bool EdgeStream::header_goes_on() const {
  return frame_.setup == last_setup_ && static_cast<std::int32_t>(frame_.header_number - header_number_) > 0;
}

void EdgeStream::begin_epoch(ItemBuffer& out) {
  dropped_ = header_goes_on() ? dropped_ : 0;
  setup_ = frame_.setup;
  last_setup_ = frame_.setup;
  clock_.begin_again(*setup_, frame_.counter, last_ns_);
  out.add_note(LinkNote::new_epoch, last_ns_);
  name_channels(out);
}

void EdgeStream::tell_loss(unsigned hole, ItemBuffer& out) {
  const unsigned lost = frame_.edges_before ? static_cast<std::uint16_t>(*frame_.edges_before - edges_before_) : hole;
  if (lost > 0) {
    out.add_gap(GapReason::link_lost, lost, last_ns_);
  } else if (hole > 0 || damaged_) {
    out.add_gap(GapReason::bad_input, 0, last_ns_);
  }
}

bool EdgeStream::time_is_sound(unsigned hole) const {
  const std::int64_t step = clock_.step_to(frame_.counter);
  if (!clock_.plausible(step, hole)) {
    return false;
  }
  std::uint64_t length = 0;
  for (const StreamEdge& edge : frame_.edges) {
    length += edge.delta;
  }
  return length <= setup_->mask() / 2 && clock_.plausible(step + static_cast<std::int64_t>(length), hole) &&
         (frame_.edges.empty() || clock_.time_ns(step) >= last_edge_ns_);
}

// Whether the frame's time can be used. One that does not fit is dropped; when the next agrees with it and not with
// what was before, the device's counter was set anew.
bool EdgeStream::settle_time(unsigned hole, ItemBuffer& out) {
  if (!clock_.wraps_are_known(hole)) {
    clock_.begin_again(*setup_, frame_.counter, last_ns_);
    out.add_note(LinkNote::new_epoch, last_ns_);
  }
  if (time_is_sound(hole)) {
    stray_.reset();
    return true;
  }
  const bool agrees = stray_ && stray_->plausible(stray_->step_to(frame_.counter), hole);
  if (agrees || frame_.kind == StreamKind::header) {
    stray_.reset();
    clock_.begin_again(*setup_, frame_.counter, last_ns_);
    out.add_note(LinkNote::new_epoch, last_ns_);
    return time_is_sound(hole);
  }
  stray_.emplace();
  stray_->begin_again(*setup_, frame_.counter, 0);
  note_damage("expected a counter at most 10 s after the last and not before it, found " +
              std::to_string(frame_.counter));
  out.add_gap(GapReason::link_lost, frame_.edges.size(), last_ns_);
  return false;
}

bool EdgeStream::channels_are_known(ItemBuffer& out) {
  for (StreamEdge& edge : frame_.edges) {
    if (form_ == Form::text) {
      const auto name = std::find(setup_->names.begin(), setup_->names.end(), frame_.channel_name);
      edge.channel = static_cast<std::uint8_t>(name - setup_->names.begin());
    }
    if (edge.channel >= setup_->names.size()) {
      note_damage("expected a channel that the header names, found another");
      out.add_gap(GapReason::link_lost, frame_.edges.size(), last_ns_);
      return false;
    }
  }
  return true;
}

void EdgeStream::take_content(ItemBuffer& out) {
  const std::int64_t step = clock_.step_to(frame_.counter);
  if (frame_.kind == StreamKind::edges) {
    take_edges(out);
    return;
  }
  // A step back: edges that were captured before have already been sent.
  clock_.advance(std::max<std::int64_t>(step, 0));
  last_ns_ = std::max(last_ns_, clock_.now_ns());
  if (frame_.kind == StreamKind::header) {
    header_number_ = frame_.header_number;
  }
  take_dropped(out);
  out.add_note(LinkNote::heartbeat, last_ns_);
}

void EdgeStream::take_dropped(ItemBuffer& out) {
  const std::uint32_t more = frame_.dropped - dropped_;
  if (more != 0) {
    out.add_gap(GapReason::device_dropped, more, last_ns_);
  }
  dropped_ = frame_.dropped;
}

void EdgeStream::take_edges(ItemBuffer& out) {
  std::int64_t step = clock_.step_to(frame_.counter);
  for (const StreamEdge& edge : frame_.edges) {
    step += static_cast<std::int64_t>(edge.delta);
    Item item;
    item.source_ns = clock_.time_ns(step);
    item.channel = edge.channel;
    item.code = static_cast<std::uint8_t>(edge.rising ? EdgeCode::rising : EdgeCode::falling);
    out.items.push_back(item);
  }
  last_edge_ns_ = out.items.back().source_ns;
  clock_.advance(std::max<std::int64_t>(step, 0));
  last_ns_ = std::max(last_ns_, last_edge_ns_);
}

void EdgeStream::name_channels(ItemBuffer& out) {
  named_.resize(std::max(named_.size(), setup_->names.size()));
  for (std::size_t i = 0; i < setup_->names.size(); ++i) {
    const std::string& name = setup_->names[i];
    if (named_[i] == name) {
      continue;
    }
    named_[i] = name;
    out.add_channel_name(static_cast<std::uint8_t>(i), our_name(settings_.channels, name), last_ns_);
  }
}

// Any sound frame or line in it.
bool recognise_edge_stream(std::string_view head) {
  StreamFrame frame;
  for (const char delimiter : {'\0', '\n'}) {
    std::string_view left = head;
    while (!left.empty()) {
      const std::size_t end = std::min(left.find(delimiter), left.size());
      const std::string_view piece = left.substr(0, end);
      const bool sound = delimiter == '\n'
                             ? piece.find('$') != std::string_view::npos && parse_stream_line(piece, frame).empty()
                             : parse_stream_frame(piece, frame).empty();
      if (sound) {
        return true;
      }
      left.remove_prefix(std::min(end + 1, left.size()));
    }
  }
  return false;
}

}  // namespace

std::unique_ptr<Driver> make_edge_stream(const DriverSettings& settings) {
  return std::make_unique<EdgeStream>(settings);
}

constinit const DriverEntry edge_stream_entry = {.name = "stream",
                                                 .title = "edge stream of a capture device, binary or text",
                                                 .make = make_edge_stream,
                                                 .recognises = recognise_edge_stream,
                                                 .open = open_for_reading};

}  // namespace cw
