#include "logger/mailbox.h"

#include <algorithm>
#include <utility>

namespace loadline {
namespace {

// So many samples that a transaction costs little beside them, and few enough that they stay in the
// processor's cache on their way from the reader to the writer.
constexpr std::size_t kWorthWriting = 8192;

template <typename T>
void append(std::vector<T>& to, std::vector<T>& from) {
  to.insert(to.end(), from.begin(), from.end());
  from.clear();
}

}  // namespace

void Batch::clear() {
  haul.clear();
  raw.clear();
}

bool Mailbox::worth_writing() const {
  return samples() >= std::min(most_samples_ / 2, kWorthWriting);
}

void Mailbox::put(Haul& haul, std::span<const std::uint8_t> raw) {
  Lock lock(mutex_);
  changed_.wait(lock,
                [this]() REQUIRES(mutex_) { return abandoned_ || samples() < most_samples_; });
  if (abandoned_) return haul.clear();
  append(box_.haul.samples, haul.samples);
  append(box_.haul.readings, haul.readings);
  append(box_.haul.events, haul.events);
  box_.raw.insert(box_.raw.end(), raw.begin(), raw.end());
  if (worth_writing()) changed_.notify_all();
}

bool Mailbox::take(Batch& into, std::chrono::milliseconds patience) {
  Lock lock(mutex_);
  changed_.wait_for(lock, patience,
                    [this]() REQUIRES(mutex_) { return closed_ || worth_writing(); });
  std::swap(box_, into);
  changed_.notify_all();
  return !into.empty() || !closed_;
}

void Mailbox::close() {
  const Lock lock(mutex_);
  closed_ = true;
  changed_.notify_all();
}

void Mailbox::abandon() {
  const Lock lock(mutex_);
  abandoned_ = true;
  box_.clear();
  changed_.notify_all();
}

}  // namespace loadline
