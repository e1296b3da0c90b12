// SHA-256 over what a run measured, so that `check` sees a later alteration.
//
// The digest covers the rows in order, each as: one byte that says which channels are present (bit
// 0 the first channel), then the present values, little-endian. Samples: tick (8 bytes), then
// torque counts (4), motor edges (8), motor edge tick (8), handwheel edges (8), handwheel edge tick
// (8), supply counts (4), temperature counts (4). Readings: time_s, then the five channels, as IEEE
// 754 doubles; in a steady run then a second such byte and the standard uncertainties that are
// there, of motor_rpm, handwheel_rpm, torque_nm and supply_v. Row numbers are not part of it: a run
// keeps its hash when it is merged into another book.
#pragma once

#include <memory>
#include <span>
#include <string>

#include "db/records.h"

namespace loadline {

/// Running digest; a value, so that it can be kept aside and put back when a transaction fails.
class ContentHash {
 public:
  ContentHash();
  ContentHash(const ContentHash& other);
  ContentHash(ContentHash&&) noexcept;
  ContentHash& operator=(ContentHash other) noexcept;
  ~ContentHash();

  void add(std::span<const Sample> samples);
  void add(std::span<const ImportedReading> readings, bool steady);
  /// 64 hex digits; the running digest goes on unharmed.
  std::string hex() const;

 private:
  struct Digest;
  std::unique_ptr<Digest> digest_;
};

}  // namespace loadline
