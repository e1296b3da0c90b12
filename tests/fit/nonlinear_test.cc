// The least-squares core where it must refuse, hold a bound, or find its way back.
// Its digits are scored in tests/reference/nist_nonlinear_test.cc.
#include "fit/solver/nonlinear.h"

#include <doctest/doctest.h>

#include <Eigen/LU>
#include <cmath>
#include <limits>
#include <vector>

#include "db/basis/error.h"
#include "fit/solver/jet_residuals.h"

using Eigen::VectorXd;
using loadline::fit_nonlinear;
using loadline::JetResiduals;
using loadline::NonlinearFit;
using loadline::NonlinearOptions;

namespace {

VectorXd vector(std::initializer_list<double> values) {
  return Eigen::Map<const VectorXd>(values.begin(), std::ssize(values));
}

/// y = p0 + p1·x at x = 0 … n−1 with a fixed scatter of ±0.1.
struct Line {
  template <class T>
  T operator()(const T* p, int i) const {
    return p[0] + p[1] * double(i) - (2.0 + 0.5 * i + (i % 2 == 0 ? 0.1 : -0.1));
  }
};

/// y = p0·p1·x: only the product shows.
struct Product {
  template <class T>
  T operator()(const T* p, int i) const {
    return p[0] * p[1] * double(i) + p[2] - (6.0 * i + 1.0 + 0.01 * (i % 3));
  }
};

/// The third parameter takes no part.
struct Idle {
  template <class T>
  T operator()(const T* p, int i) const {
    return p[0] + p[1] * double(i) + 0.0 * p[2] - (1.0 + i + 0.01 * (i % 3));
  }
};

/// log of a number that must stay positive: not defined for p0 ≤ −1.
struct Logarithm {
  template <class T>
  T operator()(const T* p, int i) const {
    using std::log;
    return log(p[0] + double(1 + i)) - std::log(1.5 + i);
  }
};

}  // namespace

TEST_CASE("a straight line gives the textbook's covariance") {
  // (JᵀJ)⁻¹ of a straight line on x = 0 … 9: Σ1 = 10, Σx = 45, Σx² = 285, determinant
  // 10·285 − 45² = 825; so 285/825, −45/825, 10/825 (any text on linear regression).
  const JetResiduals<2, Line> residuals(10, Line{});
  const NonlinearFit fit = fit_nonlinear(residuals, vector({100, -50}));
  CHECK(fit.converged);
  CHECK(fit.rank == 2);
  CHECK(fit.inverse_normal(0, 0) == doctest::Approx(285.0 / 825).epsilon(1e-13));
  CHECK(fit.inverse_normal(0, 1) == doctest::Approx(-45.0 / 825).epsilon(1e-13));
  CHECK(fit.inverse_normal(1, 1) == doctest::Approx(10.0 / 825).epsilon(1e-13));
  CHECK(fit.rss == doctest::Approx(fit.residuals.squaredNorm()).epsilon(1e-12));
  // The scatter ±0.1 has slope −Σ(x−4.5)(±0.1)/82.5 = −0.5/82.5 and mean 0.
  CHECK(fit.parameters[1] == doctest::Approx(0.5 - 0.5 / 82.5).epsilon(1e-13));
  CHECK(fit.parameters[0] == doctest::Approx(2.0 + 4.5 * 0.5 / 82.5).epsilon(1e-13));
}

TEST_CASE("parameters that only act as a product are named, not answered") {
  const JetResiduals<3, Product> residuals(12, Product{});
  const NonlinearFit fit = fit_nonlinear(residuals, vector({1, 1, 0}));
  CHECK(fit.rank == 2);
  CHECK_FALSE(fit.converged);
  CHECK(fit.inverse_normal.array().isNaN().all());
  CHECK(fit.message.find("parameter 1 and parameter 2 apart") != std::string::npos);
  CHECK(fit.message.find("parameter 3") == std::string::npos);
}

TEST_CASE("a parameter that takes no part is named") {
  const JetResiduals<3, Idle> residuals(12, Idle{});
  const NonlinearFit fit = fit_nonlinear(residuals, vector({0, 0, 7}));
  CHECK(fit.rank == 2);
  CHECK(fit.message.find("nothing about parameter 3") != std::string::npos);
}

TEST_CASE("a search near its answer inverts nothing either where the rank is lost") {
  CHECK(
      quick_fit(JetResiduals<3, Product>(12, Product{}), vector({1, 1, 0}), {.max_iterations = 50})
          .inverse_normal.array()
          .isNaN()
          .all());
  CHECK(quick_fit(JetResiduals<3, Idle>(12, Idle{}), vector({0, 0, 7}), {.max_iterations = 50})
            .inverse_normal.array()
            .isNaN()
            .all());
}

TEST_CASE("steps into where the model is not defined are taken back") {
  const JetResiduals<1, Logarithm> residuals(5, Logarithm{});
  const NonlinearFit fit = fit_nonlinear(residuals, vector({1000}));
  CHECK(fit.converged);
  CHECK(fit.parameters[0] == doctest::Approx(0.5).epsilon(1e-12));
}

TEST_CASE("what cannot be fitted is an error that says what to do") {
  const auto message = [](const loadline::Residuals& residuals, const VectorXd& start,
                          const NonlinearOptions& options = {}) -> std::string {
    try {
      fit_nonlinear(residuals, start, options);
    } catch (const loadline::Error& error) {
      CHECK(error.fault() == loadline::Fault::kInput);
      return error.what();
    }
    return "no error";
  };
  CHECK(message(JetResiduals<1, Logarithm>(5, Logarithm{}), vector({-3})).find("better start") !=
        std::string::npos);
  CHECK(message(JetResiduals<2, Line>(1, Line{}), vector({0, 0})).find("more points") !=
        std::string::npos);
  CHECK(message(JetResiduals<2, Line>(5, Line{}), vector({0})).find("2 parameters") !=
        std::string::npos);
}
