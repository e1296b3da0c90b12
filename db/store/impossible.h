// What no bench can have measured and no fit can have found: `check` reports it, `merge` does not
// let it in.
#pragma once

#include <cstdint>
#include <limits>
#include <optional>
#include <span>
#include <string>

#include "db/book.h"
#include "db/store/content_hash.h"

namespace loadline {

/// Rows of one run as they are streamed: digest, count, and the first impossible row.
class RunScan {
 public:
  explicit RunScan(bool steady = false) : steady_(steady) {}
  void take(std::span<const Sample> samples);
  void take(std::span<const ImportedReading> readings);
  std::int64_t count() const { return count_; }
  std::string hash() const { return hash_.hex(); }
  /// A clause that names the row ("time falls at 3 s"), empty when there is none.
  const std::string& impossible() const { return impossible_; }

 private:
  void note(std::string what);
  void look_at(const Sample& sample);
  void look_at_edges(const std::optional<std::int64_t>& edges, std::int64_t& last,
                     const char* which, std::int64_t tick);
  void look_at_edge_tick(const Sample& sample, const std::optional<std::int64_t>& edge_tick);
  void look_at(const ImportedReading& reading);

  bool steady_;
  ContentHash hash_;
  std::int64_t count_ = 0;
  std::int64_t last_motor_edges_ = 0, last_handwheel_edges_ = 0;
  double last_time_s_ = -std::numeric_limits<double>::infinity();
  std::string impossible_;
};

/// A clause about a converter count that a sample cannot hold (it would be cut off when read), or
/// "". `run` is the number of a run that came from a rig.
std::string wide_count(const Book& book, std::int64_t run);

/// A clause that says why no fit can have stored this curve, or "".
std::string curve_fault(const StoredCurve& curve);

}  // namespace loadline
