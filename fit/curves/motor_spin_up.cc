#include "fit/curves/motor_spin_up.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "fit/curves/motor_gate.h"
#include "fit/curves/motor_models.h"
#include "fit/curves/motor_results.h"
#include "fit/curves/results.h"
#include "fit/curves/run_up.h"
#include "fit/curves/spin_up_constants.h"
#include "fit/curves/stated_tachometer.h"
#include "fit/curves/winding_temperature.h"

namespace loadline {
namespace {

using namespace spin_up_chosen;

struct RunUpCandidate {
  RunUpFit fit;
  ModelTried tried;
};

std::vector<RunUpCandidate> try_run_ups(const std::vector<RunUp>& runs,
                                        const std::optional<OwnDrag>& own,
                                        const std::vector<std::string>& names) {
  std::vector<RunUpCandidate> candidates;
  for (const std::string& name : names) {
    candidates.push_back({fit_run_ups(name, runs, own), {}});
    candidates.back().tried.name = name;
  }
  double values = 0, least = 1e300;
  for (const RunUpCandidate& c : candidates)
    if (c.fit.usable && c.fit.speed_rms < least) {
      least = c.fit.speed_rms;
      values = std::max(c.fit.values, motor_chosen::kLeastValues);
    }
  for (RunUpCandidate& c : candidates) {
    c.tried.residual_rms = c.fit.speed_rms;
    c.tried.aicc = c.fit.usable ? aicc(values, c.fit.speed_rms, c.fit.parameters) : 1e300;
    c.tried.runs_z = c.fit.runs_z;
    c.tried.remark =
        c.fit.usable ? "fitted to the speeds of the spin-up" : "did not converge on these data";
  }
  std::stable_sort(candidates.begin(), candidates.end(),
                   [](const auto& a, const auto& b) { return a.tried.aicc < b.tried.aicc; });
  return candidates;
}

// Every run by this reading of its rows; empty where one does not allow it.
std::vector<RunUp> cut(const std::vector<Readings>& spin_ups, double reference_v,
                       RowReading reading) {
  std::vector<RunUp> runs;
  for (const Readings& readings : spin_ups) {
    if (!make_run_up(readings, reference_v)) continue;
    auto run = reading == RowReading::kBetweenValues ? make_plain_run_up(readings, reference_v)
                                                     : make_run_up(readings, reference_v, reading);
    if (!run) return {};
    runs.push_back(std::move(*run));
  }
  return runs;
}

// Of a spin-up, which no row repeats for long, the others differ from one of these in nothing.
constexpr RowReading kOfSpinUps[] = {RowReading::kBetweenValues, RowReading::kLastTurn,
                                     RowReading::kAngleAgo};

// Which way to read the rows of a file leaves least over, by whichever equation? What the owner
// says of the tachometer leaves fewer.
RowReading reading_of(const std::vector<Readings>& spin_ups, double reference_v,
                      const std::optional<OwnDrag>& own) {
  RowReading best = RowReading::kBetweenValues;
  // Rows that tell the edges behind them say themselves what they are.
  const auto from_file = [](const Readings& r) {
    return r.motor_rows.size() > 0 && !r.motor.from_edges;
  };
  if (!std::all_of(spin_ups.begin(), spin_ups.end(), from_file)) return best;
  std::vector<std::pair<RowReading, std::vector<RunUp>>> ways;
  const std::optional<Tachometer> stated = stated_by_all(spin_ups);
  if (stated == Tachometer::kAnalogue)
    return cut(spin_ups, reference_v, RowReading::kAtRows).empty() ? best : RowReading::kAtRows;
  for (const RowReading reading : kOfSpinUps) {
    if (stated && !makes(*stated, reading)) continue;
    if (std::vector<RunUp> runs = cut(spin_ups, reference_v, reading); !runs.empty())
      ways.emplace_back(reading, std::move(runs));
  }
  if (ways.size() == 1) return ways.front().first;
  double least = 1e300;
  for (const char* model : {"series", "permanent-magnet"}) {
    std::optional<Eigen::VectorXd> start;
    for (const auto& [reading, runs] : ways) {
      const RunUpFit fit = fit_run_ups_quickly(model, runs, own, start);
      if (!fit.usable) continue;
      if (!start) start = fit.solution.parameters;
      // The plain way is left for one that is clearly better.
      const double score =
          fit.score + 2 * fit.parameters + (reading == RowReading::kBetweenValues ? 0 : kClearly);
      if (score >= least) continue;
      least = score;
      best = reading;
    }
  }
  return best;
}

double lowest_share(const std::vector<RunUp>& runs) {
  double low = 1e300, high = 0;
  for (const RunUp& run : runs) {
    low = std::min(low, run.speed.front());
    high = std::max(high, run.speed.back());
  }
  return low / high;
}

Curve curve_of(const RunUpFit& fit, const std::string& model, double reference_v) {
  Curve curve = Curve::of_equation(model, fit.natural, fit.covariance);
  curve.degrees_of_freedom = std::max(3.0, fit.values - fit.parameters);
  curve.speed_low = fit.runs.front().speed.front();
  for (const RunUp& run : fit.runs) {
    curve.runs.push_back(run.run);
    curve.speed_low = std::min(curve.speed_low, run.speed.front());
    curve.speed_high = std::max(curve.speed_high, run.speed.back());
  }
  if (std::isfinite(reference_v)) curve.supply_v = reference_v;
  return curve;
}

// Points to look at: the inertia's part by differences over a few windows; the fit does not use
// them.
void add_points(MotorFit& out, const RunUpFit& fit) {
  for (const RunUp& run : fit.runs) {
    const std::size_t reach = std::max<std::size_t>(2, run.speed.size() / 40);
    for (std::size_t i = reach; i + reach < run.speed.size(); ++i) {
      const double dt = (run.end_s[i + reach] + run.start_s[i + reach] - run.end_s[i - reach] -
                         run.start_s[i - reach]) /
                        2;
      const double torque = run.inertia.mean * (run.speed[i + reach] - run.speed[i - reach]) / dt;
      out.points.push_back(
          {run.speed[i], torque, torque - out.curve.torque(run.speed[i]), run.weight[i]});
    }
  }
}

// A tachometer that smooths still holds the standstill when the shaft has long turned, and a motor
// switched on needs its first instants: what the run says without its slow part should be the same.
// What it is off by more than both fits' own doubt allows is doubt, too.
double beyond_doubt(const CurveResult& with, const Curve& of_with, const CurveResult& without,
                    const Curve& of_without) {
  const double off = without.value - with.value;
  const double own =
      std::pow(without.sd(of_without.covariance), 2) - std::pow(with.sd(of_with.covariance), 2);
  const double beyond = std::sqrt(std::max(0.0, off * off - std::max(0.0, own)));
  return std::isfinite(beyond) && with.value > 0 ? std::min(1.0, beyond / with.value) : 0;
}

void add_doubt_of_start(EquationDoubt& doubt, const RunUpFit& fit, const Curve& curve,
                        const std::optional<OwnDrag>& own) {
  std::vector<RunUp> runs;
  for (const RunUp& run : fit.runs) {
    auto later = without_start(run, kSlowPart);
    if (!later) return;
    runs.push_back(std::move(*later));
  }
  const RunUpFit again = fit_run_ups_quickly(curve.model, runs, own, fit.solution.parameters);
  if (!again.usable) return;
  Curve other = Curve::of_equation(curve.model, again.natural, again.covariance);
  other.speed_low = curve.speed_low;
  other.speed_high = curve.speed_high;
  const auto add = [&](double& to, const CurveResult& with, const CurveResult& without) {
    to = std::hypot(to, beyond_doubt(with, curve, without, other));
  };
  add(doubt.stall, stall_torque(curve), stall_torque(other));
  const auto peak = peak_power(curve), later = peak_power(other);
  if (!peak || !later) return;
  add(doubt.power, peak->power, later->power);
  add(doubt.power_speed, peak->speed, later->speed);
}

}  // namespace

MotorFit fit_by_spin_up(const MotorBench& bench, const Part& motor,
                        const MotorFitOptions& options) {
  if (options.model == "smooth")
    throw Error(Fault::kInput,
                fmt::format("motor '{}' has spin-ups only, and the smooth curve needs brake runs; "
                            "leave --model out or record loadline-logger record brake.",
                            motor.name));
  const double reference_v = reference_supply(bench, motor, options);
  std::vector<RunUp> runs;
  MotorFit out;
  out.warnings = bench.warnings;
  const RowReading reading = reading_of(bench.spin_ups, reference_v, bench.own_drag);
  for (const Readings& readings : bench.spin_ups) {
    if (auto run = make_run_up(readings, reference_v, reading))
      runs.push_back(std::move(*run));
    else
      out.warnings.push_back(
          fmt::format("Run {} was left out: a spin-up needs the motor's speed from standstill up "
                      "and the inertia that is turned (--inertia-kgm2, --added-inertia-kgm2).",
                      readings.run.id));
  }
  if (runs.empty())
    throw Error(Fault::kInput, fmt::format("motor '{}' has no usable spin-up: {}", motor.name,
                                           out.warnings.back()));
  std::vector<RunUpCandidate> candidates =
      try_run_ups(runs, bench.own_drag, models_to_try(options));
  if (!candidates.front().fit.usable)
    throw Error(Fault::kInput,
                fmt::format("no motor model describes the spin-ups of '{}'; check the inertia and "
                            "the units.",
                            motor.name));
  prefer_known(candidates, motor, lowest_share(runs));
  for (const RunUpCandidate& c : candidates) out.models.push_back(c.tried);
  const RunUpFit& best = candidates.front().fit;
  out.curve = curve_of(best, candidates.front().tried.name, reference_v);
  if (options.at_winding_c) {
    move_to_winding(out.curve, winding_temperature(options), *options.at_winding_c);
    out.winding_c = options.at_winding_c;
  }
  out.residual_rms = best.speed_rms;
  out.speed_residuals = true;
  out.choice = reason_for(out.models, options);
  EquationDoubt doubt = equation_doubt(out);
  add_doubt_of_start(doubt, best, out.curve, bench.own_drag);
  open_up(out.curve, doubt);
  set_results(out);
  add_points(out, best);
  out.not_described = undescribed_spin_up(out, motor);
  return out;
}

}  // namespace loadline
