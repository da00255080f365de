#include "driver_rules.hpp"

#include <algorithm>
#include <array>
#include <map>
#include <optional>
#include <set>

#include "drivers/registry.hpp"
#include "drivers/source_time.hpp"
#include "items/can_frame.hpp"

namespace cw::fuzz {

namespace {

struct Heard {
  ItemBuffer items;
  std::vector<std::size_t> connections;  // index of the first item of each
  bool sound = true;
  std::string error;
  std::uint64_t bad = 0;
};

struct Manner {
  bool live = false;
  std::size_t second_connection = SIZE_MAX;  // bytes before it
  ChannelNames channels;
  std::uint32_t cut_seed = 0;  // 0: whole
  std::uint32_t piece_max = 0;
};

// From start() to the first piece that is refused or the end.
Heard hear(const DriverRules& rules, std::string_view bytes, const Manner& manner) {
  const auto driver = find_driver(rules.driver)->make({"F", manner.live, manner.channels});
  Dice dice(manner.cut_seed);
  Heard heard;
  const auto connect = [&] {
    heard.connections.push_back(heard.items.items.size());
    driver->start(heard.items);
  };
  connect();
  for (std::size_t at = 0; heard.sound && at < bytes.size();) {
    if (at == manner.second_connection) {
      connect();
    }
    std::size_t size = manner.cut_seed == 0 ? bytes.size() : 1 + dice.next() % manner.piece_max;
    size = std::min(size, bytes.size() - at);
    size = at < manner.second_connection ? std::min(size, manner.second_connection - at) : size;
    heard.sound = driver->read(std::span(bytes).subspan(at, size), heard.items);
    at += size;
  }
  heard.sound = heard.sound && driver->finish(heard.items);
  heard.error = driver->error();
  heard.bad = driver->bad_inputs();
  return heard;
}

bool same_item(Item a, std::span<const std::byte> a_payload, Item b, std::span<const std::byte> b_payload) {
  const auto left = payload_of(a, a_payload);
  const auto right = payload_of(b, b_payload);
  const bool both = (a.payload_at == Item::no_payload) == (b.payload_at == Item::no_payload);
  a.payload_at = b.payload_at = 0;
  return both && a == b && std::equal(left.begin(), left.end(), right.begin(), right.end());
}

void expect_same(const Heard& a, const Heard& b) {
  expect(a.sound == b.sound, "a cut that does not decide whether the input is sound");
  expect(a.error == b.error, "the same error however it is cut");
  expect(a.bad == b.bad, "the same count of bad inputs however it is cut");
  expect(a.items.items.size() == b.items.items.size(), "as many items however it is cut");
  for (std::size_t i = 0; i < a.items.items.size(); ++i) {
    expect(same_item(a.items.items[i], a.items.payload, b.items.items[i], b.items.payload),
           "the same items however it is cut");
  }
}

// Holds the items of one input against the rules, in order.
class Judge {
 public:
  Judge(const DriverRules& rules, const Heard& heard) : rules_(rules), heard_(heard) {}

  void run() {
    for (std::size_t i = 0; i < heard_.items.items.size(); ++i) {
      const bool connects =
          std::find(heard_.connections.begin(), heard_.connections.end(), i) != heard_.connections.end();
      if (connects) {
        last_edge_ns_.reset();
        edges_in_epoch_ = false;
      }
      take(heard_.items.items[i]);
    }
  }

 private:
  void take(const Item& item) {
    switch (item.kind) {
      case ItemKind::edge:
        take_edge(item);
        break;
      case ItemKind::can_frame:
        take_frame(item);
        break;
      case ItemKind::link_note:
        take_note(item);
        break;
      case ItemKind::gap:
        expect(item.code <= static_cast<std::uint8_t>(GapReason::bad_input) ||
                   item.code == static_cast<std::uint8_t>(GapReason::receive_overflow),
               "a gap that a driver can know of");
        break;
      default:
        expect(false, "edges, frames, notes and gaps of a driver, nothing else");
    }
  }

  void take_edge(const Item& item) {
    expect(item.code <= 1, "rising or falling");
    expect(names_.contains(item.channel), "an edge of a channel that was named");
    if (last_edge_ns_) {
      expect(item.source_ns >= *last_edge_ns_, "edge times that never fall within an epoch");
      expect(distance_ns(*last_edge_ns_, item.source_ns) <= static_cast<std::uint64_t>(rules_.silence_ns_max),
             "no edge later after the one before than the limit");
    }
    last_edge_ns_ = item.source_ns;
    edges_in_epoch_ = true;
  }

  void take_frame(const Item& item) {
    expect(can_frame_of(item, heard_.items.payload).has_value(), "a frame that can be");
    expect(names_.contains(item.channel), "a frame of a channel that was named");
    if (last_edge_ns_) {
      const bool back = item.source_ns < *last_edge_ns_;
      const std::uint64_t step_ns =
          back ? distance_ns(item.source_ns, *last_edge_ns_) : distance_ns(*last_edge_ns_, item.source_ns);
      expect(step_ns <= static_cast<std::uint64_t>(back ? rules_.back_ns_max : rules_.silence_ns_max),
             "a frame no further from the latest one than the limits");
    }
    last_edge_ns_ = std::max(last_edge_ns_.value_or(item.source_ns), item.source_ns);
    edges_in_epoch_ = true;
  }

  void take_note(const Item& item) {
    const auto note = static_cast<LinkNote>(item.code);
    if (note == LinkNote::channel_named) {
      const auto bytes = payload_of(item, heard_.items.payload);
      const std::string name(reinterpret_cast<const char*>(bytes.data()), bytes.size());
      constexpr std::size_t name_max = 64;
      constexpr int channels_max = 250;
      expect(!name.empty() && name.size() <= name_max, "a channel name of 1 to 64 bytes");
      expect(item.channel < channels_max, "at most 250 channels");
      const bool kept = names_.try_emplace(item.channel, name).first->second == name;
      expect(kept || (rules_.may_rename && !edges_in_epoch_), "a channel that keeps its name");
      names_[item.channel] = name;
    } else if (note == LinkNote::new_epoch) {
      edges_in_epoch_ = false;
      if (!rules_.time_goes_on) {
        last_edge_ns_.reset();
      }
    } else {
      expect(note == LinkNote::heartbeat || note == LinkNote::end_of_input || note == LinkNote::connected,
             "a note that a driver gives");
    }
  }

  const DriverRules& rules_;
  const Heard& heard_;
  std::map<std::uint8_t, std::string> names_;
  std::optional<std::int64_t> last_edge_ns_;
  bool edges_in_epoch_ = false;
};

bool is_one_line(const std::string& text) {
  return std::none_of(text.begin(), text.end(), [](char byte) { return static_cast<unsigned char>(byte) < ' '; });
}

void judge(const DriverRules& rules, const Heard& heard, std::size_t bytes, bool live) {
  Judge(rules, heard).run();
  constexpr std::size_t error_max = 1000;
  constexpr std::size_t notes_of_an_input = 32;
  expect(is_one_line(heard.error) && heard.error.size() <= error_max, "an error of one line, not too long");
  expect(heard.items.items.size() <= notes_of_an_input + bytes * rules.items_a_byte_max,
         "no more items than the bytes can pay for");
  expect(!live || heard.sound, "a live input that never fails");
  expect(heard.sound || !heard.error.empty(), "words for what is wrong");
  if (heard.sound) {
    const Item& last = heard.items.items.back();
    expect(last.kind == ItemKind::link_note && last.code == static_cast<std::uint8_t>(LinkNote::end_of_input),
           "an end_of_input note at the end of a sound input");
  }
}

Manner manner_of(const DriverRules& rules, std::size_t size, Choices& choices) {
  static const std::array<ChannelNames, 4> settings = {
      {{}, {{"crank", "D0"}, {"cam1", "D1"}}, {{"crank", "bus[3]"}, {"cam1", "crank"}}, {{"crank", "top.a.c"}}}};
  Manner manner;
  manner.live = choices.flag() || rules.always_live;
  manner.channels = settings.at(choices.take(2));
  const bool twice = choices.flag() && manner.live && rules.may_restart;
  const std::uint32_t at = choices.take(16);
  manner.second_connection = twice && size > 0 ? 1 + at % size : SIZE_MAX;
  return manner;
}

}  // namespace

void try_driver(const DriverRules& rules, std::string_view bytes, Choices& choices) {
  Manner manner = manner_of(rules, bytes.size(), choices);
  const Heard whole = hear(rules, bytes, manner);
  judge(rules, whole, bytes.size(), manner.live);
  constexpr std::array<std::uint32_t, 4> piece_sizes = {1, 3, 17, 400};
  manner.piece_max = piece_sizes.at(choices.take(2));
  manner.cut_seed = 1 + choices.take(24);
  expect_same(whole, hear(rules, bytes, manner));
}

}  // namespace cw::fuzz
