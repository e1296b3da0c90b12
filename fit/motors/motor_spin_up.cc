#include "fit/motors/motor_spin_up.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"
#include "fit/curves/other_curves.h"
#include "fit/curves/sessions.h"
#include "fit/motor_runs/motor_gate.h"
#include "fit/motor_runs/winding_temperature.h"
#include "fit/motors/motor_budget.h"
#include "fit/motors/motor_models.h"
#include "fit/motors/motor_results.h"
#include "fit/readings/stated_tachometer.h"
#include "fit/spin_ups/bent_run_up.h"
#include "fit/spin_ups/disc_windage.h"
#include "fit/spin_ups/run_up.h"
#include "fit/spin_ups/spin_up_constants.h"

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

struct WayRead {
  RowReading reading;
  std::vector<RunUp> runs;
};

// Which way to read the rows of a file leaves least over, by whichever equation? What the owner
// says of the tachometer leaves fewer. `ways` gets those that were tried.
RowReading reading_of(const std::vector<Readings>& spin_ups, double reference_v,
                      const std::optional<OwnDrag>& own, std::vector<WayRead>& ways) {
  RowReading best = RowReading::kBetweenValues;
  // Rows that tell the edges behind them say themselves what they are.
  const auto from_file = [](const Readings& r) {
    return r.motor_rows.size() > 0 && !r.motor.from_edges;
  };
  if (!std::all_of(spin_ups.begin(), spin_ups.end(), from_file)) return best;
  const std::optional<Tachometer> stated = stated_by_all(spin_ups);
  if (stated == Tachometer::kAnalogue)
    return cut(spin_ups, reference_v, RowReading::kAtRows).empty() ? best : RowReading::kAtRows;
  for (const RowReading reading : kOfSpinUps) {
    if (stated && !makes(*stated, reading)) continue;
    if (std::vector<RunUp> runs = cut(spin_ups, reference_v, reading); !runs.empty())
      ways.push_back({reading, std::move(runs)});
  }
  if (ways.size() == 1) return ways.front().reading;
  double least = 1e300;
  for (const char* model : {"series", "permanent-magnet"}) {
    std::optional<Eigen::VectorXd> start;
    for (const auto& [reading, runs] : ways) {
      const RunUpFit fit = fit_run_ups_quickly(model, runs, own, start);
      if (!fit.usable) continue;
      if (!start) start = fit.solution.parameters;
      // The plain way is left for one that is clearly better.
      const double score = fit.score + 2 * fit.parameters +
                           (reading == RowReading::kBetweenValues ? 0 : spin_up_chosen::kClearly);
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

Curve like(const Curve& curve, const RunUpFit& fit, const std::string& model) {
  Curve other = Curve::of_equation(model, fit.natural, fit.covariance);
  other.speed_low = curve.speed_low;
  other.speed_high = curve.speed_high;
  return other;
}

// A tachometer that smooths still holds the standstill when the shaft has long turned, and a motor
// switched on needs its first instants: what the run says without its slow part should be the same.
// What it is off by more than both fits' own doubt allows, `allowed` times their variances'
// difference, is doubt, too.
void add_doubt_of_start(EquationDoubt& doubt, const RunUpFit& fit, const Curve& curve,
                        const std::optional<OwnDrag>& own, double share, double allowed) {
  std::vector<RunUp> runs;
  for (const RunUp& run : fit.runs) {
    auto later = without_start(run, share);
    if (!later) return;
    runs.push_back(std::move(*later));
  }
  const RunUpFit again = fit_run_ups_quickly(curve.model, runs, own, fit.solution.parameters);
  if (!again.usable) return;
  // Not one of several that could be right: what it differs by counts whole.
  ResultDoubt whole = doubt_between(curve, {{like(curve, again, curve.model), 1, allowed}}, 0);
  whole.no_load = 0;  // told by the fast part
  add_doubt(doubt, whole);
}

// What the run says of a torque that may bend beside the equation, beyond the curve's own doubt.
ResultDoubt doubt_of_bends(const RunUpFit& fit, const Curve& curve) {
  const auto bent = bent_results(fit, curve);
  if (!bent) return {};
  const auto beyond = [&](double square, const CurveResult& result) {
    const double own = std::pow(result.sd(curve.covariance) / result.value, 2);
    return std::sqrt(std::max(0.0, square - own));
  };
  ResultDoubt doubt;
  doubt.stall = beyond((*bent)[0], stall_torque(curve));
  if (const auto top = no_load_speed(curve)) doubt.no_load = beyond((*bent)[1], *top);
  if (const auto peak = peak_power(curve)) {
    doubt.power = beyond((*bent)[2], peak->power);
    doubt.power_speed = beyond((*bent)[3], peak->speed);
  }
  return doubt;
}

// Equations that describe the run about as well, and other ways to read its rows.
void add_doubt_of_others(EquationDoubt& doubt, const std::vector<RunUpCandidate>& candidates,
                         const Curve& curve, const std::vector<WayRead>& ways,
                         const std::optional<OwnDrag>& own) {
  std::vector<OtherCurve> equations, readings;
  const RunUpCandidate& best = candidates.front();
  for (std::size_t i = 1; i < candidates.size(); ++i) {
    if (!candidates[i].fit.usable) continue;
    const double behind = std::max(0.0, candidates[i].tried.aicc - best.tried.aicc);
    equations.push_back({like(curve, candidates[i].fit, candidates[i].tried.name),
                         std::exp(-behind / 2 / spin_up_chosen::kScoreCounts)});
  }
  // What bends say and what other equations say is one doubt: the larger counts.
  const ResultDoubt shape = doubt_between(curve, equations), bent = doubt_of_bends(best.fit, curve);
  add_doubt(doubt,
            {std::max(shape.stall, bent.stall), std::max(shape.no_load, bent.no_load),
             std::max(shape.power, bent.power), std::max(shape.power_speed, bent.power_speed)});
  for (const WayRead& way : ways) {
    const RunUpFit fit =
        fit_run_ups_quickly(curve.model, way.runs, own, best.fit.solution.parameters);
    if (!fit.usable) continue;
    const double behind = std::max(0.0, fit.score - best.fit.score);
    readings.push_back(
        {like(curve, fit, curve.model), std::exp(-behind / 2 / spin_up_chosen::kScoreCounts)});
  }
  add_doubt(doubt, doubt_between(curve, readings));
}

// The curve is what accelerated rotor and disc; the disc's air cannot be told from the motor's own
// friction. Said where it is a noticeable part of the torque that is left at the highest speed.
void warn_of_windage(const MotorBench& bench, MotorFit& out) {
  constexpr double kNoticeable = 0.002;  // of the standstill torque
  double inertia = 0;
  for (const Readings& readings : bench.spin_ups)
    inertia = std::max(inertia, readings.run.inertia_kgm2.value_or(0) +
                                    readings.run.added_inertia_kgm2.value_or(0));
  const double speed = out.curve.speed_high;
  const double air = disc_windage(radius_of_steel_disc(inertia), speed);
  if (!(air > kNoticeable * out.curve.torque(0))) return;
  out.warnings.push_back(fmt::format(
      "The air that the disc moves is in the curve as if it were the motor's own friction: about "
      "{} mN·m at {} rpm, were it a steel disc 10 mm thick; without the disc the motor gives that "
      "much more.",
      significant(1e3 * air, 2), significant(rpm_from_rad_per_s(speed), 3)));
}

}  // namespace

MotorFit fit_by_spin_up(const Book& book, const MotorBench& bench, const Part& motor,
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
  std::vector<WayRead> ways;
  const RowReading reading = reading_of(bench.spin_ups, reference_v, bench.own_drag, ways);
  std::erase_if(ways, [&](const WayRead& way) { return way.reading == reading; });
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
  std::vector<const Readings*> seen;
  seen.reserve(bench.spin_ups.size());
  for (const Readings& readings : bench.spin_ups) seen.push_back(&readings);
  std::vector<RunUpCandidate> candidates =
      try_run_ups(runs, bench.own_drag, models_to_try(options, motor, seen));
  if (!candidates.front().fit.usable)
    throw Error(Fault::kInput,
                fmt::format("no motor model describes the spin-ups of '{}'; check the inertia and "
                            "the units.",
                            motor.name));
  prefer_known(candidates, motor, lowest_share(runs));
  for (const RunUpCandidate& c : candidates) out.models.push_back(c.tried);
  std::vector<std::int64_t> numbers;
  numbers.reserve(runs.size());
  for (const RunUp& run : runs) numbers.push_back(run.run);
  out.levels = add_levels(candidates.front().fit, session_numbers(book, motor, numbers));
  const RunUpFit& best = candidates.front().fit;
  const Curve as_run = curve_of(best, candidates.front().tried.name, reference_v);
  out.curve = as_run;
  if (options.at_winding_c) {
    move_to_winding(out.curve, winding_temperature(options), *options.at_winding_c);
    out.winding_c = options.at_winding_c;
  }
  out.residual_rms = best.speed_rms;
  out.speed_residuals = true;
  out.choice = reason_for(out.models, options);
  EquationDoubt doubt = equation_doubt(out);
  const double slowest = out.curve.speed_low / out.curve.speed_high;
  add_doubt_of_start(doubt, best, as_run, bench.own_drag, kSlowPart, 1);
  // Leaving out that much, chance alone would often add something.
  add_doubt_of_start(doubt, best, as_run, bench.own_drag, slowest + kSlowPart, kByChance);
  add_doubt_of_others(doubt, candidates, as_run, ways, bench.own_drag);
  out.budget = {line_of(out.curve, out.curve.covariance, "noise, inertia, warmth, scatter of runs"),
                equation_line(out, doubt)};
  open_up(out.curve, doubt);
  out.budget.push_back(line_of(out.curve, out.curve.covariance, "all together"));
  set_results(out);
  add_points(out, best);
  warn_of_windage(bench, out);
  out.not_described = undescribed_spin_up(out, motor);
  return out;
}

}  // namespace loadline
