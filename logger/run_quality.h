// Is a run what its kind needs? Looked at as soon as it has ended, while all is still mounted.
//
// It sees what is plainly missing: no edges, a cell that does not move, a range that was not gone
// through, a speed that does not hold. Whether a curve describes the run is for the fit to say.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "db/basis/estimate.h"
#include "db/book.h"

namespace loadline {

struct RunFinding {
  std::string code;  ///< see run_quality.cc; the page has words of its own for each
  std::vector<std::pair<std::string, double>> figures;  ///< by name
  enum class Weight { kFine, kWeak, kBad } weight = Weight::kFine;
};

struct RunQuality {
  std::string verdict;  ///< "good", "weak" (usable, and could be better) or "repeat"
  std::vector<RunFinding> findings;
};

/// Reads the samples or rows of a run that has ended. `lost` of them never came.
RunQuality judge_run(const Book& book, const Run& run, std::uint64_t lost);

Json to_json(const RunQuality& quality);
/// "edges seen, torque moved by 0.31 N·m, lowest speed 626 of 13,480 rpm: good".
std::string sentence(const RunQuality& quality);

}  // namespace loadline
