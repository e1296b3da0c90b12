// What a least-squares fit works on: residuals under parameters.
#pragma once

#include <string>

namespace loadline {

/// The residuals r(p) of n observations under k parameters. Divide them by their standard
/// deviations where these differ; the solver weighs all alike.
class Residuals {
 public:
  virtual ~Residuals() = default;
  virtual int count() const = 0;       ///< n
  virtual int parameters() const = 0;  ///< k
  /// Fills r[n] and, when `jacobian` is not null, the row-major n×k matrix ∂r/∂p. False, or any
  /// value that is not finite: the model is not defined at p, and the search takes a shorter step.
  virtual bool evaluate(const double* p, double* r, double* jacobian) const = 0;
  /// Name of parameter j for messages; by default "parameter 3", counted from 1.
  virtual std::string parameter_name(int j) const;
};

}  // namespace loadline
