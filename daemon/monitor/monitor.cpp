// Stand-in: the real pipeline lands next; it only counts seconds so that recording and replay can be built against it.
#include "monitor/monitor.hpp"

namespace cw {

class Monitor::Pipeline {
 public:
  explicit Pipeline(Observer& observer) : observer_(observer) {}

  void push(const ItemBatch& batch) {
    for (const Item& item : batch.items) {
      if (first_host_ns_ < 0) {
        first_host_ns_ = item.host_ns;
      }
      while (item.host_ns - first_host_ns_ >= row_.session_ns + 1'000'000'000) {
        row_.session_ns += 1'000'000'000;
        observer_.on_second(row_);
        row_.crank_edges = 0;
      }
      row_.crank_edges += item.kind == ItemKind::edge ? 1 : 0;
    }
  }

 private:
  Observer& observer_;
  std::int64_t first_host_ns_ = -1;
  Second row_;
};

Monitor::Monitor(const Engine& /*engine*/, Observer& observer) : pipeline_(std::make_unique<Pipeline>(observer)) {}
Monitor::~Monitor() = default;
void Monitor::push(const ItemBatch& batch) { pipeline_->push(batch); }
void Monitor::finish() {}

}  // namespace cw
