// Values of several sessions (or runs) whose own uncertainties are known, scattered about a
// straight-line model by more than these say: the random-effects model
//
//   y = X·β + u + e,   u ~ N(0, τ²) for each session, e_i ~ N(0, v_i) with v_i known.
//
// τ² solves the moment form of the restricted likelihood's equation, Q(τ²) = k − p with
// Q(τ²) = Σ (y − X·β̂(τ²))² / (v + τ²) (Paule & Mandel, J. Res. NBS 87 (1982) 377; that it is close
// to restricted maximum likelihood, and the same where all v_i are alike: Rukhin, Biggerstaff &
// Vangel, J. Stat. Plan. Inference 83 (2000) 319). Its 95 % limits are those of the Q profile
// (Viechtbauer, Statist. Med. 26 (2007) 37): Q(τ²) at quantiles of χ² with k − p degrees of
// freedom. Limits of a contrast let τ² run through all that the same profile allows (its confidence
// distribution; Nagashima, Noma & Furukawa, Stat. Methods Med. Res. 28 (2019) 1689): where the v_i
// are small they are Student's with k − p degrees of freedom exactly, where τ² is small Gauss's.
//
// How it misleads: with two sessions the limits are some twelve times as wide as their distance
// says, and have to be. A v_i that is itself badly known is taken at its word.
//
// Thread-safe; plain values.
#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

namespace loadline {

/// 95 % limits; empty where nothing is known of the scatter.
struct Limits {
  double low = 0, high = 0;
};

/// What is asked of a fitted model: by·β, and what comes to it.
struct Contrast {
  Eigen::VectorXd by;
  bool another_session = false;  ///< the value that one more session will have, not the mean
  double shared_variance = 0;    ///< of an error that all sessions have in common
};

class RandomEffects {
 public:
  /// One row of `design` for each value. Error(std::logic_error) for sizes that do not match.
  RandomEffects(Eigen::VectorXd values, Eigen::VectorXd variances, Eigen::MatrixXd design);
  /// A common mean alone.
  RandomEffects(const Eigen::VectorXd& values, Eigen::VectorXd variances);

  double degrees_of_freedom() const { return freedom_; }  ///< k − p
  /// τ²; empty below one degree of freedom.
  std::optional<double> variance_between() const;
  std::optional<Limits> variance_between_limits() const;

  /// β̂ and its covariance with the given τ².
  struct Solution {
    Eigen::VectorXd coefficients;
    Eigen::MatrixXd covariance;
  };
  Solution solve(double variance_between) const;
  double value(const Contrast& contrast) const;  ///< at τ² as estimated (0 where it is not known)
  std::optional<Limits> limits(const Contrast& contrast) const;
  /// Of many at once: what they cost together is little more than for one. Empty where limits() is.
  std::vector<Limits> limits_of(const std::vector<Contrast>& contrasts) const;
  /// Σ (y − X·β̂)²/(v + τ²) with that τ².
  double q(double variance_between) const;

 private:
  double variance_where(double q) const;  ///< τ² ≥ 0 with Q(τ²) = q
  Eigen::VectorXd values_;                ///< less what `start_` says of them
  Eigen::VectorXd variances_, start_;
  Eigen::MatrixXd design_;
  double freedom_ = 0, scale_ = 0;
};

}  // namespace loadline
