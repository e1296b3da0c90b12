#include "logger/mailbox.h"

#include <utility>

namespace loadline {
namespace {

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

void Mailbox::put(Haul& haul, std::span<const std::uint8_t> raw) {
  std::unique_lock lock(mutex_);
  changed_.wait(lock, [&] { return abandoned_ || samples() < most_samples_; });
  if (abandoned_) return haul.clear();
  append(box_.haul.samples, haul.samples);
  append(box_.haul.readings, haul.readings);
  append(box_.haul.events, haul.events);
  box_.raw.insert(box_.raw.end(), raw.begin(), raw.end());
  if (samples() >= most_samples_ / 2) changed_.notify_all();
}

bool Mailbox::take(Batch& into, std::chrono::milliseconds patience) {
  std::unique_lock lock(mutex_);
  changed_.wait_for(lock, patience, [&] { return closed_ || samples() >= most_samples_ / 2; });
  std::swap(box_, into);
  changed_.notify_all();
  return !into.empty() || !closed_;
}

void Mailbox::close() {
  const std::lock_guard lock(mutex_);
  closed_ = true;
  changed_.notify_all();
}

void Mailbox::abandon() {
  const std::lock_guard lock(mutex_);
  abandoned_ = true;
  box_.clear();
  changed_.notify_all();
}

}  // namespace loadline
