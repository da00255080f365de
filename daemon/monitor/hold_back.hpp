// Puts what several sources say into one order, that of (host time, source, sequence), though their items arrive with
// different delays: each value is held back until every live source has passed its time, 500 ms at most. For values that
// are compared across sources; what concerns one source alone has no need to wait.
#pragma once

#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <tuple>
#include <utility>
#include <vector>

namespace cw {

inline constexpr std::int64_t hold_back_max_ns = 500'000'000;

// Call passed(), add() and take() as items come, in sequence order and never by batches: then what comes out does not
// depend on how the items are cut.
template <typename Value>
class HoldBack {
 public:
  struct Held {
    std::int64_t host_ns = 0;  // when it happened by the host's clock (clocks/), not when it arrived
    std::uint8_t source = 0;
    std::uint64_t sequence = 0;  // of the item that it is from
    Value value{};
  };

  // `source` lives, and nothing that is still to come of it happened before `host_ns`. Its time never falls: an earlier
  // one says nothing new.
  void passed(std::uint8_t source, std::int64_t host_ns) {
    const auto known = find(source);
    if (known == live_.end()) {
      live_.push_back({source, host_ns});
    } else {
      known->passed_ns = std::max(known->passed_ns, host_ns);
    }
  }

  // `source` has ended or its link is broken: nothing waits for it any more.
  void gone(std::uint8_t source) {
    if (const auto known = find(source); known != live_.end()) {
      live_.erase(known);
    }
  }

  // False, and not taken: what comes after it in the order has been given out. It is later than a value may be.
  bool add(Held held) {
    if (given_out_ && key(held) < *given_out_) {
      return false;
    }
    held_.push_back(std::move(held));
    std::push_heap(held_.begin(), held_.end(), later);
    return true;
  }

  // The next value in the order, when every live source has passed its time or it happened 500 ms before `now_ns`, the
  // host's time of arrival of the newest item (a tick for example). Ask until there is none.
  std::optional<Held> take(std::int64_t now_ns) {
    if (held_.empty() || !(all_passed(held_.front()) || is_old(held_.front(), now_ns))) {
      return std::nullopt;
    }
    return next();
  }

  // At the end of the session: the next value in the order, without waiting.
  std::optional<Held> take_rest() { return held_.empty() ? std::nullopt : next(); }

  std::size_t held() const { return held_.size(); }

 private:
  using Key = std::tuple<std::int64_t, std::uint8_t, std::uint64_t>;
  static Key key(const Held& held) { return {held.host_ns, held.source, held.sequence}; }
  static bool later(const Held& a, const Held& b) { return key(b) < key(a); }

  struct Live {
    std::uint8_t source = 0;
    std::int64_t passed_ns = 0;
  };
  typename std::vector<Live>::iterator find(std::uint8_t source) {
    return std::find_if(live_.begin(), live_.end(), [&](const Live& live) { return live.source == source; });
  }

  // A source that stands at just that time may still bring another value of it.
  bool all_passed(const Held& held) const {
    return std::all_of(live_.begin(), live_.end(), [&](const Live& live) { return live.passed_ns > held.host_ns; });
  }
  static bool is_old(const Held& held, std::int64_t now_ns) {
    return now_ns >= INT64_MIN + hold_back_max_ns && held.host_ns <= now_ns - hold_back_max_ns;
  }

  std::optional<Held> next() {
    std::pop_heap(held_.begin(), held_.end(), later);
    std::optional<Held> first = std::move(held_.back());
    held_.pop_back();
    given_out_ = key(*first);
    return first;
  }

  std::vector<Live> live_;
  std::vector<Held> held_;        // a heap, the earliest first
  std::optional<Key> given_out_;  // the latest
};

}  // namespace cw
