// The NIST Statistical Reference Datasets, nonlinear regression: 27 sets with two starting points
// each and their models (NIST/ITL StRD, public domain; nist/nonlinear/*.dat, with the certified
// values in the files themselves). NIST computed these with 128-bit arithmetic to 11 digits.
#pragma once

#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "fit/solver/residuals.h"

namespace loadline::reference {

struct NonlinearSet {
  std::vector<double> start[2], certified, certified_sd;
  double certified_rss = 0;
  std::vector<double> y, x, x2;
};

/// std::runtime_error when there is no such file, or one of another form.
NonlinearSet read_nist_nonlinear(const std::string& name);

struct NistProblem {
  std::string name;
  /// That standard errors and sum of squares can have. The data of Lanczos1 lie within 1e-13 of the
  /// curve: rounded to double (1e-16) they keep three digits of what they leave over.
  double digits_of_scatter;
  /// The residuals refer to the set, which must outlive them.
  std::function<std::unique_ptr<Residuals>(const NonlinearSet&)> residuals;
};

std::vector<NistProblem> nist_problems();

}  // namespace loadline::reference
