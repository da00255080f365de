// A queue of so many at most, in place: the oldest goes when it is full. Never allocates.
#pragma once

#include <array>
#include <cstddef>

namespace cw {

template <typename T, std::size_t Room>
class FixedQueue {
 public:
  void push(const T& value) {
    if (size_ == Room) {
      pop();
    }
    values_[(first_ + size_) % Room] = value;
    ++size_;
  }
  void pop() {
    first_ = (first_ + 1) % Room;
    --size_;
  }
  void clear() { size_ = 0; }
  bool empty() const { return size_ == 0; }
  std::size_t size() const { return size_; }
  // The oldest is number 0.
  const T& operator[](std::size_t i) const { return values_[(first_ + i) % Room]; }
  T& operator[](std::size_t i) { return values_[(first_ + i) % Room]; }
  const T& front() const { return (*this)[0]; }
  const T& back() const { return (*this)[size_ - 1]; }

 private:
  std::array<T, Room> values_{};
  std::size_t first_ = 0;
  std::size_t size_ = 0;
};

}  // namespace cw
