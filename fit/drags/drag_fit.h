// Drag of a machine (or of a motor alone) over speed, from its coast-downs.
//
// τ(ω) = c₀ + c₁ω + c₂ω², with a Stribeck rise near standstill where the data ask for it. One
// coast-down gives only τ/J; J comes from a second one with a known added inertia (both are fitted
// together), or from the person. Noise counts by its correlation in time; see
// fit/coast_downs/motion/coast_problem.h for the model of what the tachometer says.
//
// How it misleads: friction that differs between the two runs of a pair goes straight into J.
// Repeat the pair, and look whether the runs agree.
//
// In: a machine's coast-downs and driven runs, or a motor's coast-downs, in the book.
// Out: its drag curve with covariance, estimates, warnings; why there is none.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "db/book.h"
#include "fit/coast_downs/coast_levels.h"
#include "fit/coast_downs/motion/coast_problem.h"
#include "fit/curves/curve.h"

namespace loadline {

struct DragFitOptions {
  std::optional<bool> stribeck;    ///< forced on or off; else compared
  std::optional<Prior> inertia;    ///< of the machine, instead of what book and runs say
  std::vector<std::int64_t> runs;  ///< empty: all usable coast-downs
};

struct CoastFinding {
  std::int64_t run = 0;
  std::size_t values = 0;
  double correlation_factor = 1;
  double speed_rms = 0;  ///< rad/s
  Estimate ripple_nm;    ///< amplitude of the torque ripple twice a turn
  std::vector<double> outlier_times_s;
};

struct DragPoint {
  double time_s = 0, speed = 0, residual = 0;  ///< rad/s
  std::int64_t run = 0;
};

struct DragFit {
  Curve curve;  ///< "drag" or "drag-stribeck"; empty parameters without inertia
  Estimate c0, c1, c2, inertia;
  /// Without inertia: the same over J (rad/s², 1/s, 1/rad).
  std::optional<std::array<Estimate, 3>> over_inertia;
  Estimate stribeck_rise, stribeck_speed;
  double residual_rms = 0;  ///< rad/s for coast-downs
  double speed_low = 0, speed_high = 0;
  std::vector<std::int64_t> runs;
  std::vector<CoastFinding> findings;
  std::vector<DragPoint> points;
  std::string choice;
  std::string
      rows_read_as;  ///< what a value in the rows of files was taken for; empty without such
  std::vector<std::string> warnings;
  /// Why the curve does not describe its runs, and what to do; empty where it does. Then no limits
  /// are known.
  std::string not_described;
  std::optional<AnotherEvening> another_evening;  ///< see fit/history/another_evening.h
  LevelScatter levels;                            ///< how the runs scatter about the curve
  bool with_inertia = false;      ///< the coefficients are torques, not torques over inertia
  bool torque_residuals = false;  ///< from driven runs: residual_rms in N·m
};

/// Drag of `machine` at its hand wheel, from its coast-downs; without any, from its driven runs
/// (see fit/drags/driven.h). Where both exist the driven ones are compared, not mixed in.
/// Error(kInput) when there is no usable run.
DragFit fit_drag(const Book& book, const Part& machine, const DragFitOptions& options = {});
/// Friction of a motor alone, from its coast-downs without a machine, else from the ends of its
/// spin-ups, where the flywheel's own bearings and windage count as the motor's; empty when it has
/// none, or none with inertia.
std::optional<DragFit> fit_motor_drag(const Book& book, const Part& motor, bool of_spin_ups = true,
                                      const std::vector<std::int64_t>& numbers = {});

Json to_json(const DragFit& fit);
StoredCurve to_stored(const DragFit& fit, const Part& machine);

}  // namespace loadline
