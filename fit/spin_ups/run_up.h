// Torque–speed curve of a motor from a tachometer alone: it spins up a known inertia.
//
// J dω/dt = T(ω; p, supply) is solved as it stands, from standstill at a moment that the fit finds,
// and fitted to the mean speeds over their windows, never to a derivative of them; displays that
// take means over more, smooth, or show an earlier turn, by how far they reach back. The inertia
// scales the whole curve: its uncertainty is a parameter with a prior. As in
// fit/coast_downs/motion/coast_problem.h, windows that end at rows end in truth at the last edge
// before, α/ω earlier, and begin so, where the shaft is slower.
//
// The winding warms on the way, and nothing measures that: it is taken to warm as is usual, with a
// parameter for more or less of it (fit/spin_ups/winding_warmth.h); the curve stands for the
// winding as it was at the greatest power. What turns on after the switch tells the friction of
// motor and flywheel, as a coast-down does (fit_motor_drag()).
//
// How it misleads: the first instants, where the motor is slowest, last a few hundredths of a
// second. What the run says of standstill is mostly the equation's word.
//
// In: readings of spin-ups, an equation, the inertia that turns.
// Out: the equation's parameters with their covariance, residuals, a score to choose by.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "fit/curves/run_levels.h"
#include "fit/equations/motor_shape.h"
#include "fit/solver/nonlinear.h"
#include "fit/spin_ups/run_up_stretch.h"

namespace loadline {

struct RunUpFit {
  std::unique_ptr<MotorShape> shape;
  std::vector<RunUp> runs;
  NonlinearFit solution;
  Eigen::VectorXd natural;     ///< curve parameters
  Eigen::MatrixXd covariance;  ///< of `natural`
  double speed_rms = 0;        ///< rad/s
  double values = 0;           ///< effective
  double parameters = 0;       ///< that the data determined
  double runs_z = 0;           ///< runs test of the residuals
  double score = 1e300;        ///< by which ways to read the rows are compared; less is better
  bool usable = false;
  std::vector<std::vector<double>> residuals;  ///< rad/s, per run
};

/// `model`: a name of the table in motor_equation.h; `also`: a solution of the same runs and
/// equation, to begin with.
RunUpFit fit_run_ups(const std::string& model, const std::vector<RunUp>& runs,
                     const std::optional<OwnDrag>& own_drag,
                     const std::optional<Eigen::VectorXd>& also = std::nullopt);
/// Only as well as ways to read the rows are compared by; begins at `start`, the solution of
/// another such fit, where there is one.
RunUpFit fit_run_ups_quickly(const std::string& model, const std::vector<RunUp>& runs,
                             const std::optional<OwnDrag>& own_drag,
                             const std::optional<Eigen::VectorXd>& start);

/// How runs scatter as wholes about the fit (their torques, or what they say of the inertia), which
/// goes into its covariance; `session_of` each run's session. Unknown with one run.
LevelScatter add_levels(RunUpFit& fit, const std::vector<int>& session_of);

}  // namespace loadline
