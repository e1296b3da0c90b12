// What a motor's fit finds: the curve, its results, and what to know about them.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "fit/curves/curve.h"
#include "fit/curves/run_levels.h"

namespace loadline {

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
  Estimate flux;  ///< by how much its magnets' flux changed from start to end; unknown without any
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
  bool typed = false;               ///< from points typed one by one
  std::vector<ModelTried> models;   ///< best first
  std::vector<RunFinding> findings;
  LevelScatter levels;  ///< how its runs scatter as wholes; known with two or more
  std::vector<BudgetLine> budget;
  std::vector<CurvePoint> points;  ///< thinned for plotting
  std::string choice;              ///< why this model
  /// Why the curve does not describe its runs, and what to do; empty where it does.
  std::string not_described;
  std::optional<AnotherEvening> another_evening;  ///< see fit/history/another_evening.h
  std::vector<std::string> warnings;
};

}  // namespace loadline
