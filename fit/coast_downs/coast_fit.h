// The fit of coast-downs whose stretches are cut and whose values are read: the drag's parameters
// with the noise that they leave, judged in turns until both agree.
//
// Runs with edge times and windows between edges count by the correlation of their residuals in
// time (fit/readings/noise/noise.h). Values from rows of a file have a noise model of their own,
// common to all such runs (fit/readings/noise/row_noise.h), and are whitened by it.
//
// Thread-safe on different fits.
//
// In: stretches of coast-downs (coast.h), what is known of the inertia.
// Out: c₀, c₁, c₂ over the unit inertia and ln J with the inverse of their normal equations; noise.
#pragma once

#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "fit/coast_downs/motion/coast_problem.h"
#include "fit/solver/nonlinear.h"

namespace loadline {

/// Not moved: the problem refers to the coasts beside it.
struct CoastFit {
  CoastFit() = default;
  CoastFit(const CoastFit&) = delete;
  CoastFit& operator=(const CoastFit&) = delete;
  std::vector<Coast> coasts;
  std::unique_ptr<CoastProblem> problem;
  CoastOptions options;
  NonlinearFit solution;
  double degrees_of_freedom = 0;
  double score = 1e300;  ///< AICc, or what it is compared by
  bool usable = false;
};
using FittedCoasts = std::unique_ptr<CoastFit>;

/// Fits `coasts` with drag over `unit` (kg·m²). Begins at `simpler`, another fit of the same
/// coasts, where there is one: a ripple can only be read at the angles that the shaft really had,
/// and a poor first guess is off by several of them. Not `usable` where the data do not determine
/// it.
FittedCoasts fit_coasts(const std::vector<Coast>& coasts, const CoastOptions& options, double unit,
                        const std::optional<Prior>& inertia, const CoastFit* simpler,
                        bool same_noise = false);

/// Without ripple, with one of the same torque at all speeds, with one that is a share of the drag:
/// whichever describes the runs best. Without a ripple alone where `hopeless` says of that fit that
/// no ripple could save it. Begins at `near`, where there is one.
FittedCoasts fit_with_or_without_ripple(
    const std::vector<Coast>& coasts, CoastOptions options, double unit,
    const std::optional<Prior>& inertia,
    const std::function<bool(const CoastFit&)>& hopeless = nullptr, const CoastFit* near = nullptr);

/// `straight`, or the same with a rise near standstill where that is clearly better; `choice` says
/// which, in words. `stribeck` forces it on or off.
FittedCoasts fit_with_or_without_rise(const std::vector<Coast>& coasts,
                                      std::optional<bool> stribeck, FittedCoasts straight,
                                      double unit, const std::optional<Prior>& inertia,
                                      std::string& choice);

/// The last word on the noise, with errors that may hang together all along a run, and the solution
/// under it.
void final_fit(CoastFit& fit);

/// AICc over runs with their own variance each; all candidates judged with the same effective
/// number of values per run (that of `judge`).
double corrected_akaike(const CoastFit& fit, const CoastFit& judge);

/// How well values from rows describe the course of the speed, as −2 ln L of the means of
/// neighbouring residuals. Not of the single values: how the errors of neighbours hang together
/// differs from reading to reading, and would decide where the course should.
double deviance_of_course(const CoastFit& fit);

/// Means of neighbouring residuals from rows against what the noise says of them: more than 1 where
/// the curve leaves a course that the noise does not explain.
double unexplained_course(const CoastFit& fit);
/// Their root mean square, rad/s; 0 without rows.
double course_rms(const CoastFit& fit);

}  // namespace loadline
