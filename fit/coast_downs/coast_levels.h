// Coast-downs of one machine do not repeat to what a tachometer knows: oil, felt and presser foot
// make a run easier or harder as a whole. Each run's drag is the common one times exp of a level of
// its own; how levels scatter comes from the runs (run_levels.h).
//
// The runs are fitted once with all levels open (loosely held). Their posterior mean m and
// covariance C are what the data say of them once drag, inertia and start speeds are eliminated:
// information Λ = C⁻¹ − (what held them), estimate C⁻¹·m beside it; then the fit is made anew with
// the best covariance of the levels in place of the loose hold.
//
// A pair of runs whose inertia is not known otherwise cannot tell levels: they stay out, and
// friction that differed between its two runs is in its inertia unseen.
#pragma once

#include <vector>

#include "fit/coast_downs/coast_fit.h"
#include "fit/curves/run_levels.h"

namespace loadline {

/// Inverse root of the covariance that holds levels loosely (CoastOptions::level_root); empty where
/// the runs cannot tell them.
Eigen::MatrixXd loose_levels(const std::vector<Coast>& coasts, const std::optional<Prior>& inertia);

/// `loose`, a final fit with loose levels, made anew with levels as its runs show them;
/// `sessions` holds the session of each coast. Its degrees of freedom are those with which the
/// drag's level is known (Satterthwaite). The fit given comes back where it has no levels.
FittedCoasts fit_levels(FittedCoasts loose, const std::vector<int>& sessions, double unit,
                        const std::optional<Prior>& inertia, LevelScatter& scatter);

/// The inverse root that fit_levels would take for this fit; empty where it has no levels.
Eigen::MatrixXd judged_levels(const CoastFit& loose, const std::vector<int>& sessions);
/// c₀, c₁, c₂ (over the unit inertia) and ln J of a fit with loose levels, moved to where levels
/// held by `root` put them: to first order, in place of a fit.
Eigen::Vector4d with_levels_held(const CoastFit& loose, const Eigen::MatrixXd& root);

}  // namespace loadline
