// Torque–speed curve of a motor from its runs against the brake.
//
// Model of one torque value of run j, with the motion `lag_j` before its time stamp (design: the
// brake reads shaft torque minus J dω/dt):
//
//   τ = T(ω; p, supply, heat_j(t)) − J_j·dω/dt + drift_j·share + noise
//
// with share the part of the run that has passed and heat two courses of warming, by torque and
// even in time, each from its mean: the zero is right at the run's start (it was taken there) and
// may bow on its way; the winding's temperature is the mean of the first run; later runs may have
// found the motor warmer or cooler. Magnets that warm lose flux on the way: for the
// permanent-magnet model a part that goes with the run's share is estimated, too.
//
// p is common to all runs; lag, inertia, drift of the zero and warm-up belong to each run and are
// estimated with it, each held by what is known beforehand (Prior) so that a run that cannot fix
// one says so by its width instead of inventing a value. Noise is correlated in time: residuals
// count by their correlation factor. Outliers lose their weight (Tukey's biweight, from 4 to 6
// robust standard deviations). All this makes (JᵀJ)⁻¹ of the weighted problem, priors included,
// the covariance of the answer.
//
// How it misleads: the motor's own friction cannot be told from the rest of a series motor's curve;
// without a coast-down of the motor alone the circuit parameters are those of a curve, not of a
// winding. Results far outside the measured speeds rest on the equation being true there.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "db/book.h"
#include "fit/curves/curve.h"
#include "fit/curves/sweep.h"

namespace loadline {

struct MotorFitOptions {
  SweepOptions sweep;
  std::optional<std::string> model;      ///< forced; else compared
  std::optional<double> at_supply_v;     ///< supply that the curve shall stand for
  std::optional<double> at_winding_c;    ///< winding temperature that the curve shall stand for
  std::optional<double> winding_c;       ///< mean one of the first run, when a person knows it
  std::vector<std::int64_t> runs;        ///< empty: all usable runs of the motor
  std::function<void(double)> progress;  ///< told how much is done, out of 1; may be empty
};

/// Where one result's uncertainty comes from: standard uncertainties of the result, by source, in
/// the result's unit (JCGM 100, section 5: first order).
struct BudgetLine {
  std::string source;
  double stall_torque = 0, no_load_speed = 0, peak_power = 0, peak_power_speed = 0;
};

struct ModelTried {
  std::string name;
  double aicc = 0;
  double residual_rms = 0;
  double runs_z = 0;  ///< runs test of the residuals over speed; below −3: shape misses
  std::string remark;
};

/// What was found for one run beside the curve.
struct RunFinding {
  std::int64_t run = 0;
  Estimate lag_ms, inertia, drift, warm_up;
  double correlation_factor = 1;
  std::size_t values = 0;
  std::vector<double> outlier_times_s;
};

/// One value as the report plots it: corrected for lag, inertia, drift, warm-up and supply.
struct CurvePoint {
  double speed = 0, torque = 0, residual = 0, weight = 1;
};

struct MotorFit {
  Curve curve;
  Estimate stall_torque, no_load_speed, peak_power, peak_power_speed;
  std::vector<std::pair<std::string, Estimate>> parameters;
  std::optional<double> winding_c;  ///< that the curve was moved to; empty when it stayed
                                    ///< at that of the first run
  double residual_rms = 0;          ///< N·m, from spin-ups rad/s
  bool speed_residuals = false;     ///< from spin-ups
  std::vector<ModelTried> models;   ///< best first
  std::vector<RunFinding> findings;
  std::vector<BudgetLine> budget;
  std::vector<CurvePoint> points;  ///< thinned for plotting
  std::string choice;              ///< why this model
  /// Why the curve does not describe its runs, and what to do; empty where it does.
  std::string not_described;
  std::optional<AnotherEvening> another_evening;  ///< see fit/history/another_evening.h
  std::vector<std::string> warnings;
};

/// Error(kInput) when the motor has no usable run, with what to record.
MotorFit fit_motor(const Book& book, const Part& motor, const MotorFitOptions& options = {});

/// The contract's JSON document.
Json to_json(const MotorFit& fit);
/// The curve as it goes into the book.
StoredCurve to_stored(const MotorFit& fit, const Part& motor);

}  // namespace loadline
