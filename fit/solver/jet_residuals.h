// Residuals from one formula: the derivatives come from Ceres Jets (automatic differentiation).
//
// Opt-in header: it pulls in the templates of Ceres. Include it in a .cc only.
#pragma once

#include <ceres/jet.h>

#include <utility>

#include "fit/solver/residuals.h"

namespace loadline {

/// `Formula` has `template <class T> T operator()(const T* p, int i) const`, residual i at p, and
/// must work for T = double and ceres::Jet. Call mathematical functions unqualified
/// (`using std::exp; exp(x)`) so that each T finds its own.
template <int kParameters, class Formula>
class JetResiduals : public Residuals {
 public:
  using Jet = ceres::Jet<double, kParameters>;

  JetResiduals(int count, Formula formula) : count_(count), formula_(std::move(formula)) {}

  int count() const override { return count_; }
  int parameters() const override { return kParameters; }

  bool evaluate(const double* p, double* r, double* jacobian) const override {
    if (jacobian == nullptr) {
      for (int i = 0; i < count_; ++i) r[i] = formula_(p, i);
      return true;
    }
    Jet jets[kParameters];
    for (int j = 0; j < kParameters; ++j) jets[j] = Jet(p[j], j);
    for (int i = 0; i < count_; ++i) {
      const Jet value = formula_(jets, i);
      r[i] = value.a;
      for (int j = 0; j < kParameters; ++j) jacobian[i * kParameters + j] = value.v[j];
    }
    return true;
  }

 private:
  int count_;
  Formula formula_;
};

}  // namespace loadline
