// Things of the book as people and programs see them: names instead of row numbers, JSON objects,
// estimates.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "db/book.h"

namespace loadline {

/// Names of all parts by row number; "" for none. A snapshot, independent of the book.
class PartNames {
 public:
  explicit PartNames(const Book& book);
  std::string of(PartKind kind, std::int64_t id) const;

 private:
  std::map<std::pair<PartKind, std::int64_t>, std::string> names_;
};

/// {"id", "uuid", "name", every field of the kind with '_' for '-' (null when unknown), "note"}.
Json part_json(const Part& part);

/// Everything of a run's row, with names for what was mounted (null for nothing).
Json run_json(const Run& run, const PartNames& names);

/// A calibration of a rig, without its points.
Json calibration_json(const Calibration& calibration);

/// Model, parameters as estimates, range in rpm, sources.
Json curve_json(const StoredCurve& curve, const PartNames& names);

/// The parameters with their 95 % limits from covariance and Student's t; SI units.
std::vector<Estimate> curve_estimates(const StoredCurve& curve);

}  // namespace loadline
