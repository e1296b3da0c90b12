// Reads the NIST StRD files of linear regression and analysis of variance as they come.
// The files and their certified values are United States government work in the public domain
// (NIST/ITL Statistical Reference Datasets).
#pragma once

#include <string>
#include <vector>

namespace loadline::reference {

struct NistLinear {
  std::vector<double> coefficients, sds;
  double residual_sd = 0, r_squared = 0, f_statistic = 0, residual_ss = 0;
  std::vector<std::vector<long double>> rows;  ///< y, then the predictors
};

struct NistAnova {
  double between_ss = 0, within_ss = 0, f_statistic = 0, residual_sd = 0, r_squared = 0;
  double between_freedom = 0, within_freedom = 0;
  std::vector<std::vector<double>> groups;
};

NistLinear read_nist_linear(const std::string& name);
NistAnova read_nist_anova(const std::string& name);

/// Digits that agree: −log10 of the relative error (absolute where the certified value is 0),
/// at most 15, the digits that NIST prints.
double digits(double value, double certified);

}  // namespace loadline::reference
