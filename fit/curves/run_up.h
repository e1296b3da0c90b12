// Torque–speed curve of a motor from a tachometer alone: it spins up a known inertia.
//
// J dω/dt = T(ω; p, supply) is solved as it stands and fitted to the mean speeds over their
// windows, never to a derivative of them. The inertia scales the whole curve: its uncertainty is a
// parameter with a prior. As in fit/curves/coast_problem.h, windows that end at rows end in truth
// at the last edge before, α/ω earlier.
//
// The winding warms on the way, and nothing measures that: it is taken to warm as is usual, with a
// parameter for more or less of it (fit/curves/winding_warmth.h). What turns on after the switch
// tells the friction of motor and flywheel, as a coast-down does (fit_motor_drag()).
//
// How it misleads: the first instants, where the motor is slowest, last a few hundredths of a
// second. What the run says of standstill is mostly the equation's word.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "fit/curves/motor_shape.h"
#include "fit/curves/row_reading.h"
#include "fit/curves/sweep.h"
#include "fit/readings/readings.h"
#include "fit/solver/nonlinear.h"

namespace loadline {

/// The usable stretch of one spin-up.
struct RunUp {
  std::int64_t run = 0;
  Prior inertia;  ///< all that turns, kg·m²
  double length_s = 0;
  std::vector<double> start_s, end_s, speed;
  /// Supply over the reference, evenly over the stretch, once its channel has followed the switch;
  /// empty = 1.
  std::vector<double> volts;
  double noise_sd = 1, correlation = 1;
  /// Windows that are not exact end at some edge before their row: what is known of its place, rad,
  /// and what that is in each speed, rad/s; standard deviations, 0 for exact windows.
  double slot_sd = 0;
  Prior late;  ///< of the windows' ends against their rows, rad of the shaft's turning
  std::vector<double> place_sd;
  std::vector<double> weight;
};

/// Cuts the stretch out, from the first moving windows to the switch or, where nothing tells of it,
/// the fastest window; empty without motor speed, without inertia, or when it never speeds up.
/// `reading`: between values, or, of rows of a file, over the last turn or some angle ago; empty
/// where the run has no such rows.
std::optional<RunUp> make_run_up(const Readings& readings, double reference_v,
                                 RowReading reading = RowReading::kBetweenValues);
/// The rows of a file as if their values were the mean since the row before: what the other ways to
/// read them can be compared with.
std::optional<RunUp> make_plain_run_up(const Readings& readings, double reference_v);

/// The same without what is slower than this share of the top speed; empty when little is left.
std::optional<RunUp> without_start(const RunUp& run, double share);

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

/// `model`: a name of the table in motor_equation.h.
RunUpFit fit_run_ups(const std::string& model, const std::vector<RunUp>& runs,
                     const std::optional<OwnDrag>& own_drag);
/// Only as well as ways to read the rows are compared by; begins at `start`, the solution of
/// another such fit, where there is one.
RunUpFit fit_run_ups_quickly(const std::string& model, const std::vector<RunUp>& runs,
                             const std::optional<OwnDrag>& own_drag,
                             const std::optional<Eigen::VectorXd>& start);

}  // namespace loadline
