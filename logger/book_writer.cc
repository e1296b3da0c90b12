#include "logger/book_writer.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

namespace loadline {
namespace {

using std::chrono::milliseconds;

constexpr auto kCommitEvery = milliseconds(200);
constexpr auto kTryAgain = milliseconds(250);
constexpr std::size_t kTail =
    1024;  // bytes: more than a frame and the sample that may be held back

}  // namespace

BookWriter::BookWriter(Clock& clock, Book& book, std::int64_t run, double tick_hz, Mailbox& mailbox,
                       LiveMeter& meter, RawCapture* capture, WriterOptions options)
    : clock_(clock),
      book_(book),
      run_(run),
      mailbox_(mailbox),
      meter_(meter),
      options_(std::move(options)),
      zeros_(tick_hz),
      capture_(capture) {
  tail_.reserve(2 * kTail);  // so that remembering what is committed asks for no memory
}

void BookWriter::run() {
  writing_.play();
  Batch batch;
  while (mailbox_.take(batch, kCommitEvery)) {
    if (!batch.empty()) write(batch);
    batch.clear();
  }
}

void BookWriter::write(Batch& batch) {
  save_raw(batch);
  if (gave_up()) return append_to_fallback(batch.raw);
  watch_zeros(batch);
  if (!commit_with_patience(batch)) give_up(batch);
  remember_tail(batch);
}

void BookWriter::watch_zeros(const Batch& batch) {
  try {
    zeros_.take(batch.haul.samples);
  } catch (const std::bad_alloc&) {
    // The zero of the run is then judged without these; the samples themselves come first.
  }
}

void BookWriter::append_to_fallback(std::span<const std::uint8_t> bytes) {
  const Lock lock(mutex_);
  if (!fallback_) return;
  try {
    if (fallback_->append(bytes)) return;
  } catch (const std::bad_alloc&) {
    // Counted as lost, like what finds no room.
  }
  lost_bytes_ += bytes.size();
}

void BookWriter::save_raw(const Batch& batch) {
  if (!capture_) return;
  const bool was_well = capture_->why().empty();
  if (!capture_->append(batch.raw) && was_well)
    warnings_.push_back(
        fmt::format("the capture '{}' is incomplete: {}.", capture_->path(), capture_->why()));
}

bool BookWriter::commit_with_patience(const Batch& batch) {
  const auto began = clock_.now();
  while (!commit_once(batch)) {
    const double tried_s = std::chrono::duration<double>(clock_.now() - began).count();
    // A book that is gone does not come back under this connection.
    if (tried_s >= options_.book_patience_s || !book_.in_place()) return false;
    clock_.sleep_for(kTryAgain);
  }
  return true;
}

bool BookWriter::commit_once(const Batch& batch) {
  std::string trouble;
  try {
    commit(batch);
  } catch (const std::bad_alloc&) {
    trouble = "there is no memory left to write the book; close other programs.";
  } catch (const std::exception& error) {
    trouble = error.what();
  }
  const Lock lock(mutex_);
  trouble_ = trouble;
  return trouble.empty();
}

void BookWriter::commit(const Batch& batch) {
  const std::optional<Zero> zero = new_zero_before();
  {
    Book::Transaction transaction(book_);
    if (!batch.haul.samples.empty()) book_.append(run_, batch.haul.samples);
    if (!batch.haul.readings.empty()) book_.append(run_, batch.haul.readings);
    for (RunEvent event : batch.haul.events) {
      event.run = run_;
      book_.add_event(event);
    }
    if (zero) book_.add_zero(*zero);
    transaction.commit();
  }
  committed_ += batch.haul.samples.size() + batch.haul.readings.size();
  if (!zeros_.turned()) return;
  zero_judged_ = true;
  if (!zero) return;
  zero_before_ = zero;
  meter_.set_zero(zero->mean_counts);
}

std::optional<Zero> BookWriter::new_zero_before() {
  if (zero_judged_ || !zeros_.turned() || !zeros_.before()) return std::nullopt;
  const RestMean& rest = *zeros_.before();
  if (options_.usual_zero_counts &&
      std::abs(rest.mean_counts - *options_.usual_zero_counts) > options_.usual_zero_tolerance) {
    warnings_.push_back(
        fmt::format("the load cell at rest before the run read {:.0f} counts, far from its usual "
                    "zero of {:.0f}: it was loaded, or has moved. This is not taken as a zero; "
                    "take one with 'loadline-logger zero'.",
                    rest.mean_counts, *options_.usual_zero_counts));
    zero_judged_ = true;
    return std::nullopt;
  }
  Zero zero;
  zero.rig = book_.run(run_).rig;
  zero.run = run_;
  zero.when = ZeroMoment::kBefore;
  zero.tick = rest.tick;
  zero.mean_counts = rest.mean_counts;
  zero.sd_counts = rest.sd_counts;
  zero.conversions = rest.conversions;
  zero.made_utc = clock_.utc();
  return zero;
}

void BookWriter::give_up(const Batch& batch) {
  gave_up_.store(true);
  if (!options_.with_fallback) return mailbox_.abandon();
  std::string stamp = clock_.utc();
  std::erase_if(stamp, [](char c) { return c == ':' || c == '-'; });
  {
    const Lock lock(mutex_);
    fallback_.emplace(fmt::format("loadline-run-{}-{}", run_, stamp), options_.introduction);
  }
  append_to_fallback(tail_);
  append_to_fallback(batch.raw);
}

void BookWriter::remember_tail(const Batch& batch) {
  tail_.insert(tail_.end(),
               batch.raw.end() - static_cast<std::ptrdiff_t>(std::min(kTail, batch.raw.size())),
               batch.raw.end());
  if (tail_.size() > kTail)
    tail_.erase(tail_.begin(), tail_.end() - static_cast<std::ptrdiff_t>(kTail));
}

std::string BookWriter::trouble() const {
  const Lock lock(mutex_);
  return trouble_;
}

std::vector<std::string> BookWriter::fallback_paths() const {
  const Lock lock(mutex_);
  return fallback_ ? fallback_->paths() : std::vector<std::string>{};
}

}  // namespace loadline
