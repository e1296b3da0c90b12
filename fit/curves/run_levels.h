// Runs of one subject scatter as wholes: each has a level of its own (relative, of all its
// torques), levels vary from run to run and from session to session, and both variances come from
// the runs by restricted maximum likelihood.
//
// What the data say of the levels is their information Λ (from weighted rows, all else that is
// fitted eliminated) and Λ·l̂ beside it. For levels of covariance K the restricted likelihood is
// −2 ln L = ln det(I + K·Λ) − l̂ᵀΛ·(I + K·Λ)⁻¹·K·Λl̂ (Harville, J. Amer. Statist. Assoc. 72 (1977)
// 320, in this form derived); Λ need not be of full rank. A single run tells nothing.
//
// Thread-safe; plain values.
#pragma once

#include <Eigen/Core>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "fit/solver/nonlinear.h"

namespace loadline {

/// Standard deviations of the levels (relative, of all torques).
struct LevelScatter {
  double of_runs = 0, of_sessions = 0;
  bool known = false;  ///< the runs could tell
};

Json to_json(const LevelScatter& scatter);
/// A line for a person; empty where the runs could not tell.
std::string to_text(const LevelScatter& scatter);

/// What the data say of the levels of runs.
struct LevelData {
  LevelData() = default;
  /// `session_of[i]` is the session of run i, from 0 on.
  LevelData(Eigen::MatrixXd information_, Eigen::VectorXd right_,
            const std::vector<int>& session_of);

  Eigen::MatrixXd information;   ///< Λ
  Eigen::VectorXd right;         ///< Λ·l̂
  Eigen::MatrixXd same_session;  ///< 1 where two runs share one
  int sessions = 0;

  Eigen::MatrixXd covariance(double of_runs, double of_sessions) const;
  double deviance(double of_runs, double of_sessions) const;  ///< −2 ln L
};

/// Where the likelihood is greatest. With one run a session, run and session are one and count as
/// the session's.
LevelScatter scatter_of(const LevelData& data);

/// Effects beside a least-squares solution that were not fitted: what its residuals tell of them,
/// and what one unit of each does to its parameters.
struct EffectsBeside {
  Eigen::MatrixXd information;
  Eigen::VectorXd right;
  Eigen::MatrixXd by_effect;  ///< parameters by effects
};

/// `columns`: what a unit of each effect adds to every weighted reading.
EffectsBeside effects_beside(const NonlinearFit& solution, const Eigen::MatrixXd& columns);

/// Of the first `count` effects with the others drawn from N(0, `other_variances`).
EffectsBeside without_others(const EffectsBeside& all, Eigen::Index count,
                             const Eigen::VectorXd& other_variances);

/// Of levels by what runs differ in alone: what they have in common is the curve's, and how an
/// equation misses it. Combinations that are unknown by more than a tenth are left out as well.
LevelData level_data(const EffectsBeside& levels, const std::vector<int>& session_of);

/// What levels that scatter so add to the covariance of parameters which took every run for of one
/// level (`by_level` as in EffectsBeside). Each size is widened from Student's t with the
/// degrees of freedom by which it is known to the normal distribution's factor, so that whatever
/// factor the rest is given fits the whole.
Eigen::MatrixXd covariance_of_levels(const LevelData& data, const LevelScatter& scatter,
                                     const Eigen::MatrixXd& by_level);

}  // namespace loadline
