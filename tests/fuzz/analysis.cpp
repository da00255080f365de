// The monitor with all that stands below it, on items of any kind: edges in runs, gaps, restarts, times of any size.
//
// The input is a byte that chooses one of the ready engines, and steps of three bytes: what (below), and a time after the step before as mantissa * 2^exponent ns.
#include "items/can_frame.hpp"
#include "monitor_rules.hpp"
#include "record/byte_order.hpp"

namespace cw::fuzz {

namespace {

constexpr std::size_t step_bytes = 3;
constexpr std::size_t items_max = 4000;

// The low three bits: a channel, or one of these. Bit 3: the polarity of an edge. The high four: how often, or which.
constexpr unsigned special = 6;
constexpr unsigned crank_again = 7;

class Steps {
 public:
  Steps(std::string_view bytes, ItemMaker& maker) : bytes_(bytes), maker_(maker) {}

  void run() {
    while (bytes_.size() >= step_bytes && maker_.items().items.size() < items_max) {
      step();
    }
  }

 private:
  std::uint64_t take(std::size_t count) {
    std::uint64_t value = 0;
    for (std::size_t i = 0; i < count && !bytes_.empty(); ++i) {
      value = (value << 8U) | static_cast<std::uint8_t>(bytes_.front());
      bytes_.remove_prefix(1);
    }
    return value;
  }

  // Hops of time beyond some hours in all are not taken: the monitor answers each with a row a second.
  std::uint64_t bounded(std::uint64_t delta_ns) {
    constexpr std::uint64_t hours_ns = 5 * 3'600'000'000'000ULL;
    hopped_ns_ += delta_ns;
    return hopped_ns_ > hours_ns ? delta_ns % 1'000'000'000 : delta_ns;
  }

  static std::int64_t after(std::int64_t t_ns, std::uint64_t delta_ns) {
    std::int64_t sum = 0;
    return __builtin_add_overflow(t_ns, static_cast<std::int64_t>(delta_ns), &sum) ? INT64_MAX : sum;
  }

  void step() {
    const auto what = static_cast<unsigned>(take(1));
    const std::uint64_t code = take(2);
    const std::uint64_t delta_ns = (code & 0x7FFU) << (code >> 11U);
    const unsigned kind = what & 7U;
    if (kind == special) {
      take_special(what >> 4U, delta_ns);
      return;
    }
    const unsigned times = 1 + (what >> 4U);
    const auto channel = static_cast<std::uint8_t>(kind == crank_again ? 0 : kind);
    for (unsigned i = 0; i < times; ++i) {
      maker_.edge(after(maker_.now_ns(), bounded(delta_ns)), channel,
                  (what & 8U) != 0 ? EdgeCode::rising : EdgeCode::falling);
    }
  }

  void take_special(unsigned which, std::uint64_t number) {
    Item item;
    item.source = static_cast<std::uint8_t>(number & 1U);
    item.kind = ItemKind::link_note;
    if (which <= static_cast<unsigned>(GapReason::port_overrun)) {
      item.kind = ItemKind::gap;
      item.code = static_cast<std::uint8_t>(which);
      maker_.add(item, (number & 2U) != 0 ? std::span<const std::byte>() : gap_count_bytes(number));
    } else if (which <= 11) {
      item.code = static_cast<std::uint8_t>(which - 6);  // each of the notes
      const std::string_view name = bytes_.substr(0, 5);
      item.channel = static_cast<std::uint8_t>(number >> 8U);
      maker_.add(item, item.code == 3 ? std::as_bytes(std::span(name)) : std::span<const std::byte>());
    } else if (which == 12) {
      maker_.jump(static_cast<std::int64_t>(take(8)));
    } else if (which == 13) {
      maker_.jump(after(maker_.now_ns(), 0) - static_cast<std::int64_t>(std::min<std::uint64_t>(number, 1U << 20U)));
    } else if (which == 14) {
      item.kind = ItemKind::tick;
      maker_.add(item, {});
    } else {
      take_of_a_bus(number);
    }
  }

  // A frame, an error frame of any class, one whose payload is none, or the loss of some.
  void take_of_a_bus(std::uint64_t number) {
    ItemBuffer one;
    CanFrame frame;
    frame.error = (number & 4U) != 0;
    frame.id = static_cast<std::uint32_t>(number >> 3U) & can_id_max;
    frame.length = static_cast<std::uint8_t>(can_length_max);
    frame.data[1] = static_cast<std::byte>(number >> 14U);
    add_can_frame(one, static_cast<std::uint8_t>((number >> 1U) & 1U), 0, frame);
    Item item = one.items[0];
    item.source = static_cast<std::uint8_t>(number & 1U);
    if ((number >> 22U & 3U) == 3) {
      item.kind = ItemKind::gap;
      item.code = static_cast<std::uint8_t>(GapReason::receive_overflow);
    }
    maker_.add(item, number == 0 ? std::span<const std::byte>() : payload_of(one.items[0], one.payload));
  }

  std::string_view bytes_;
  ItemMaker& maker_;
  std::uint64_t hopped_ns_ = 0;
};

// A run of an engine as steps.
std::string as_steps(const Engine& engine, const EngineRun& how) {
  std::string out;
  std::int64_t last_ns = 0;
  for (const RunEdge& edge : run_edges(engine, how)) {
    auto mantissa = static_cast<std::uint64_t>(edge.t_ns - last_ns);
    unsigned exponent = 0;
    for (; mantissa > 0x7FFU; mantissa >>= 1U) {
      ++exponent;
    }
    out += static_cast<char>(edge.channel | (edge.code == EdgeCode::rising ? 8U : 0U));
    out += static_cast<char>((exponent << 3U) | (mantissa >> 8U));
    out += static_cast<char>(mantissa & 0xFFU);
    last_ns += static_cast<std::int64_t>(mantissa << exponent);
  }
  return out;
}

}  // namespace

void run(std::string_view input) {
  Choices choices(input);
  const std::vector<Engine>& engines = ready_engines();
  if (choices.rest().empty()) {
    return;
  }
  const Engine& engine = engines[static_cast<std::uint8_t>(choices.rest().front()) % engines.size()];
  ItemMaker maker(engine);
  Steps(choices.rest().substr(1), maker).run();
  try_monitor_cut(engine, maker.items(), choices);
}

void seeds(const AddSeed& add) {
  char number = 0;
  for (const Engine& engine : ready_engines()) {
    constexpr double turns = 6;
    const double teeth_a_turn = static_cast<double>(engine.crank.teeth.size()) * 360 / engine.crank.period_deg;
    const EngineRun how = {.degrees = 360 * std::min(turns * 4, turns * 120 / teeth_a_turn), .rpm = 2500};
    add(number++ + as_steps(engine, how));
  }
}

std::span<const std::string_view> words() {
  return {};
}

}  // namespace cw::fuzz
