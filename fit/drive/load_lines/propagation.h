// Carries uncertainty through a calculation: first-order propagation with named sources.
//
// A Propagated is a value with its derivatives by every uncertain input. Arithmetic on it follows
// the chain rule, so that correlations through a shared input (the same motor curve in two answers)
// are kept. Sources knows the covariance of the inputs and turns a Propagated into an Estimate:
//   u² = Σ gᵀ·C·g over independent groups of inputs (JCGM 100:2008, 5.1 and 5.2), and
//   ν  = u⁴ / Σ (u_k⁴/ν_k) over these groups (Welch–Satterthwaite, JCGM 100:2008, G.4.1).
// First order only: where a result bends strongly within its own uncertainty, draw instead
// (draws.cc). A Propagated without derivatives is an exact number; nothing here allocates for them.
#pragma once

#include <Eigen/Core>
#include <random>
#include <string>
#include <vector>

#include "db/basis/estimate.h"

namespace loadline {

/// Derivatives of a result by all inputs; empty stands for all zero. Lives on the stack.
using Derivatives = Eigen::Matrix<double, Eigen::Dynamic, 1, Eigen::ColMajor, 64, 1>;

struct Propagated {
  double value = 0;
  Derivatives by;

  Propagated() = default;
  Propagated(double exact)
      : value(exact) {}  // NOLINT: exact numbers mix freely with uncertain ones
  Propagated(double v, Derivatives d) : value(v), by(std::move(d)) {}
};

/// f(x, y) from its value and its two partial derivatives.
Propagated chain(double value, double by_x, const Propagated& x, double by_y, const Propagated& y);
/// f(x) from its value and its derivative.
Propagated chain(double value, double by_x, const Propagated& x);

Propagated operator+(const Propagated& x, const Propagated& y);
Propagated operator-(const Propagated& x, const Propagated& y);
Propagated operator*(const Propagated& x, const Propagated& y);
Propagated operator/(const Propagated& x, const Propagated& y);
Propagated sqrt(const Propagated& x);
/// x^y for x > 0.
Propagated power(const Propagated& x, const Propagated& y);

/// Root x of F(x; inputs) = 0 by the implicit-function theorem: `residual` is F at x with its
/// derivatives by the inputs while x is held; `slope` is dF/dx there, not 0.
Propagated implicit_root(double x, const Propagated& residual, double slope);

/// Two-sided 95 % factor of Student's t: as student_t_975, but from 20 degrees of freedom on by the
/// expansion of Abramowitz and Stegun, 26.7.5 (off by less than 2e-7), twenty times faster; a drive
/// answer asks for it a dozen times.
double coverage_factor(double degrees_of_freedom);

/// Quantile of sorted values by linear interpolation between order statistics; at least one value.
double quantile(const std::vector<double>& sorted, double part);

/// The uncertain inputs of one calculation, in independent groups.
class Sources {
 public:
  /// Most inputs that one calculation may have (the room that Derivatives has).
  static constexpr int kMost = 64;

  /// Adds a group of inputs that vary together; returns the place of its first input.
  /// Error(kInput) when the room is used up.
  int add(std::string name, const Eigen::MatrixXd& covariance, double degrees_of_freedom);
  /// Adds one input by its standard uncertainty.
  int add(std::string name, double sd, double degrees_of_freedom = 1e9);
  int size() const { return size_; }
  /// Gives the input at `place`, added alone, another standard uncertainty.
  void set_sd(int place, double sd);

  /// An input as a Propagated: `value`, with derivative 1 by the input at `place`.
  Propagated input(double value, int place) const;

  /// Covariance of two results, and the standard uncertainty of one.
  double covariance(const Propagated& x, const Propagated& y) const;
  double sd(const Propagated& x) const;
  /// Effective degrees of freedom of that standard uncertainty.
  double degrees_of_freedom(const Propagated& x) const;
  /// value ± t·u in a unit that a person reads: both are multiplied by `factor` (> 0).
  Estimate estimate(const Propagated& x, double factor, std::string unit) const;

  /// What one source contributes to a result: its share of the standard uncertainty.
  struct Share {
    std::string source;
    double sd;
  };
  std::vector<Share> shares(const Propagated& x) const;

  struct Group {
    std::string name;
    int first;
    Eigen::MatrixXd covariance;
    double degrees_of_freedom;
  };
  const std::vector<Group>& groups() const { return groups_; }

 private:
  double variance(const Group& group, const Propagated& x) const;

  std::vector<Group> groups_;
  int size_ = 0;
};

/// A root R of a covariance, R·Rᵀ; it may be singular (a fixed parameter has no spread).
Eigen::MatrixXd covariance_root(const Eigen::MatrixXd& covariance);

/// Draws all inputs of some sources at once: each group from its covariance, stretched to Student's
/// t with its degrees of freedom (JCGM 101:2008, 6.4.8 and 6.4.9).
class SourceDraws {
 public:
  explicit SourceDraws(const Sources& sources);
  /// Deviation of every input from its estimate.
  Eigen::VectorXd draw(std::mt19937_64& random) const;

 private:
  struct Group {
    int first;
    Eigen::MatrixXd root;  // covariance = root·rootᵀ
    double degrees_of_freedom;
  };
  std::vector<Group> groups_;
  int size_;
};

}  // namespace loadline
