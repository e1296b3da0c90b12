#include "fit/motors/motor_fit.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "fit/brake_runs/open_terms.h"
#include "fit/brake_runs/smooth_sweep.h"
#include "fit/curves/other_curves.h"
#include "fit/curves/sessions.h"
#include "fit/equations/motor_equation.h"
#include "fit/motor_runs/bench_faults.h"
#include "fit/motor_runs/motor_bench.h"
#include "fit/motor_runs/motor_gate.h"
#include "fit/motor_runs/winding_temperature.h"
#include "fit/motors/motor_budget.h"
#include "fit/motors/motor_models.h"
#include "fit/motors/motor_results.h"
#include "fit/motors/motor_spin_up.h"
#include "fit/motors/runs_apart.h"

namespace loadline {
namespace {

// Values over time hang together; points typed one by one count each.
constexpr std::size_t kLeastRows = 12, kLeastTyped = 5;

Curve curve_of(const SweepFit& fit, const std::string& model, double reference_v) {
  const int k = fit.shape->size();
  Curve curve = Curve::of_equation(model, fit.natural,
                                   fit.natural_by_internal * fit.covariance.topLeftCorner(k, k) *
                                       fit.natural_by_internal.transpose());
  curve.degrees_of_freedom = fit.degrees_of_freedom;
  std::vector<double> speeds;
  for (const Sweep& sweep : fit.sweeps) {
    curve.runs.push_back(sweep.run);
    for (const SweepRow& row : sweep.single()) speeds.push_back(row.speed);
  }
  std::sort(speeds.begin(), speeds.end());
  // The outermost values may be a knock; one in two hundred is left out at either end.
  const std::size_t trim = speeds.size() / 400;
  curve.speed_low = std::max(0.0, speeds[trim]);
  curve.speed_high = speeds[speeds.size() - 1 - trim];
  if (std::isfinite(reference_v)) curve.supply_v = reference_v;
  return curve;
}

Estimate nuisance_estimate(const SweepFit& fit, std::size_t j, SweepProblem::Nuisance which,
                           double factor, const char* unit) {
  const int column = fit.problem->column_of(j) + which;
  const double sd = std::sqrt(std::max(0.0, fit.covariance(column, column))) *
                    fit.problem->nuisance_sd_before(j, which);
  const double value = fit.problem->nuisance(fit.solution.parameters, j, which);
  return Estimate::with_half_width(value * factor, 1.96 * sd * std::fabs(factor), unit);
}

constexpr double kNoMagnets = 1e-6;  // share of flux that a motor without any may lose

// Both courses of a warmth from the run's start to its end, in per cent of the winding's resistance
// or the magnets' flux; `which` is the first of the two.
Estimate change_of(const SweepFit& fit, std::size_t j, SweepProblem::Nuisance which) {
  static_assert(SweepProblem::kTimeHeat == SweepProblem::kHeat + 1);
  static_assert(SweepProblem::kTimeFlux == SweepProblem::kFlux + 1);
  const int column = fit.problem->column_of(j) + which;
  const double unit = 100 * fit.problem->nuisance_sd_before(j, which);
  const double value = unit * fit.solution.parameters.segment<2>(column).sum();
  const double variance = fit.covariance.block<2, 2>(column, column).sum();
  return Estimate::with_half_width(value, 1.96 * unit * std::sqrt(std::max(0.0, variance)), "%");
}

RunFinding finding(const SweepFit& fit, std::size_t j) {
  RunFinding found;
  const Sweep& sweep = fit.sweeps[j];
  const SweepNoise& noise = fit.problem->noise[j];
  found.run = sweep.run;
  found.lag_ms = nuisance_estimate(fit, j, SweepProblem::kLag, 1e3, "ms");
  found.inertia = nuisance_estimate(fit, j, SweepProblem::kInertia, 1, "kg·m²");
  found.drift = nuisance_estimate(fit, j, SweepProblem::kDrift, 1, "N·m");
  found.warm_up = change_of(fit, j, SweepProblem::kHeat);
  const bool magnets = fit.problem->nuisance_sd_before(j, SweepProblem::kFlux) > kNoMagnets;
  found.flux = magnets ? change_of(fit, j, SweepProblem::kFlux) : Estimate::unknown("%");
  found.correlation_factor = noise.correlation;
  found.values = sweep.single().size();
  double last = -1e9;
  for (std::size_t i = 0; i < sweep.single().size(); ++i) {
    const double at = sweep.single()[i].time_s;
    if (fit.single_weight(j, i) > 0.5 || at - last < 0.2) continue;
    last = at;
    found.outlier_times_s.push_back(last);
  }
  return found;
}

std::vector<FluxSeen> flux_seen(const SweepFitInput& input, const SweepFit& fit,
                                const std::vector<RunFinding>& findings) {
  std::vector<FluxSeen> seen;
  for (const BenchRun* run : input.runs) {
    const auto warmer = case_rise(run->readings);
    for (std::size_t j = 0; warmer && j < fit.sweeps.size(); ++j)
      if (fit.sweeps[j].run == run->readings.run.id)
        seen.push_back(
            {findings[j].flux,
             std::numbers::sqrt2 * fit.problem->nuisance_sd_before(j, SweepProblem::kFlux),
             *warmer});
  }
  return seen;
}

void add_points(MotorFit& out, const SweepFit& fit, const Curve& as_measured) {
  const bool beside_fit = as_measured.parameters.size() > fit.shape->size();
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
    const std::vector<double> r = fit.problem->single_residuals(fit.solution.parameters, j);
    const std::size_t step = std::max<std::size_t>(1, r.size() / 2500);
    for (std::size_t i = 0; i < r.size(); i += step) {
      const double speed = fit.sweeps[j].single()[i].speed;
      double left = r[i];
      if (beside_fit)
        left += fit.shape->torque(fit.natural, speed, 1, 0) - as_measured.torque(speed);
      out.points.push_back({speed, out.curve.torque(speed) + left, left, fit.single_weight(j, i)});
    }
  }
  if (!beside_fit) return;
  double squares = 0, kept = 0;
  for (const CurvePoint& point : out.points) {
    squares += point.weight * point.residual * point.residual;
    kept += point.weight;
  }
  out.residual_rms = kept > 0 ? std::sqrt(squares / kept) : 0;
}

void warn_of_inertia(MotorFit& out, const SweepFit& fit) {
  for (const Sweep& sweep : fit.sweeps) {
    const double doubt = sweep.inertia.sd * sweep.acceleration_scale;
    if (sweep.inertia_given || doubt < 0.01 * out.curve.torque(out.curve.speed_low)) continue;
    out.warnings.push_back(fmt::format(
        "Run {} gives no inertia (--inertia-kgm2), yet its speed changes quickly{}.", sweep.run,
        sweep.one_way() ? " and one way only: its interval holds what that may do"
                        : "; up- and down-sweep together stand in for it"));
  }
}

void add_warnings(MotorFit& out, const SweepFit& fit, const Part& motor, bool own_drag_known) {
  warn_of_inertia(out, fit);
  for (const RunFinding& found : out.findings)
    if (!found.outlier_times_s.empty())
      out.warnings.push_back(fmt::format(
          "Run {} has {} that {} not belong to the curve (first at {:.2f} s) and "
          "carr{} no weight.",
          found.run,
          found.outlier_times_s.size() == 1
              ? "one place"
              : fmt::format("{} places", found.outlier_times_s.size()),
          found.outlier_times_s.size() == 1 ? "does" : "do", found.outlier_times_s.front(),
          found.outlier_times_s.size() == 1 ? "ies" : "y"));
  const ModelTried& used = out.models.front();
  if (used.runs_z < -3 && used.residual_rms > 1e-3 * out.curve.torque(out.curve.speed_low))
    out.warnings.push_back(fmt::format(
        "The '{}' curve does not quite describe these data: neighbouring speeds miss it the same "
        "way (runs test z = {:.1f}){}",
        used.name, used.runs_z,
        used.name == "smooth" ? "." : "; --model smooth follows them within their range."));
  const auto type = motor.text("type");
  const bool chosen = out.models.size() > 1;  // a model asked for is the only one tried
  if (chosen && !is_of_unknown_type(motor) && !is_of_type(used.name, *type) &&
      used.name != "smooth")
    out.warnings.push_back(
        fmt::format("The motor is entered as '{}', the data look like '{}'; "
                    "force one with --model.",
                    *type, used.name));
  if (used.name == "series" && !own_drag_known)
    out.warnings.push_back(
        "The curve is what the shaft gives: the motor's own friction is in it and cannot be told "
        "apart (a coast-down of the motor alone would), so its strength, winding resistance and "
        "reactance (A, ω₀, ωₓ) are loose one by one.");
}

// A curve that is blurred in time is flatter: its ends move, and less the power between them.
void add_blur(EquationDoubt& doubt, const SweepFit& fit) {
  double blur = 0;
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j)
    blur = std::max(blur, std::hypot(fit.blur(j), fit.unknown_inertia(j)));
  add_doubt(doubt, {blur, blur / 2, blur / 2, blur / 2});
}

// Equations that describe the runs about as well.
void add_doubt_of_equations(EquationDoubt& doubt, const std::vector<MotorCandidate>& candidates,
                            double reference_v) {
  std::vector<OtherCurve> others;
  const ModelTried& best = candidates.front().tried;
  for (std::size_t i = 1; i < candidates.size(); ++i) {
    const ModelTried& tried = candidates[i].tried;
    const double weight = std::exp(-std::max(0.0, tried.aicc - best.aicc) / 2);
    if (candidates[i].fit->usable && weight > 1e-4)
      others.push_back({curve_of(*candidates[i].fit, tried.name, reference_v), weight});
  }
  add_doubt(doubt,
            doubt_between(curve_of(*candidates.front().fit, best.name, reference_v), others));
}

bool may_be_another(const Curve& curve, const Part& motor) {
  return is_of_unknown_type(motor) &&
         curve.speed_low > motor_chosen::kWholeRange * curve.speed_high;
}

std::vector<double> residuals_of_run(const SmoothSweep& smooth, const SweepFit& fit,
                                     std::size_t run) {
  std::size_t first = 0;
  for (std::size_t j = 0; j < run; ++j) first += fit.sweeps[j].rows.size();
  const double* begin = smooth.fit.residuals.data() + first;
  return {begin, begin + fit.sweeps[run].rows.size()};
}

// Puts the spline in the place of the equation that cleaned its torques.
void take_smooth(MotorFit& out, const SweepFit& fit) {
  const SmoothSweep smooth = smooth_sweep(fit);
  const std::string equation = out.models.front().name;
  out.curve.model = "smooth";
  out.curve.equation = smooth.fit.equation();
  out.curve.parameter_names = out.curve.equation->parameter_names();
  out.curve.parameters = smooth.fit.parameters;
  out.curve.covariance = smooth.covariance;
  out.curve.degrees_of_freedom = std::max(3.0, smooth.fit.degrees_of_freedom);
  out.curve.speed_low = smooth.fit.speed_low;
  out.curve.speed_high = smooth.fit.speed_high;
  out.residual_rms = smooth.rms;
  for (CurvePoint& point : out.points)
    point.residual = point.torque - out.curve.torque(point.speed);
  ModelTried tried;
  tried.name = "smooth";
  tried.residual_rms = smooth.rms;
  tried.aicc =
      aicc(std::max(fit.effective_values, motor_chosen::kLeastValues), smooth.rms,
           smooth.fit.effective_parameters + fit.problem->parameters() - fit.shape->size());
  tried.runs_z =
      runs_z_over_speed(fit, [&](std::size_t run) { return residuals_of_run(smooth, fit, run); });
  tried.remark =
      fmt::format("a spline of {:.1f} effective parameters", smooth.fit.effective_parameters);
  out.models.insert(out.models.begin(), tried);
  out.choice = fmt::format(
      "'smooth' was asked for: {}, through torques cleaned of lag, inertia, drift, warm-up and "
      "supply by the '{}' equation; it says nothing beyond the speeds measured.",
      tried.remark, equation);
  out.budget = {line_of(out.curve, smooth.fit.covariance, "noise and smoothing"),
                line_of(out.curve, smooth.covariance - smooth.fit.covariance,
                        "lag, inertia, drift, warm-up, zero, slope, arm"),
                equation_line(out, equation_doubt(out))};
  if (smooth.fit.rise_evidence > motor_chosen::kRises)
    out.warnings.push_back(
        "The torque of this motor rises with speed somewhere, which the smooth curve may not: use "
        "one of the equations.");
}

// Spin-ups and brake runs know the same curve, each by another instrument.
void compare_with_spin_ups(MotorFit& out, const Book& book, const MotorBench& bench,
                           const Part& motor, const MotorFitOptions& options) {
  if (bench.spin_ups.empty() || options.model == "smooth") return;
  std::optional<MotorFit> spun;
  try {
    spun = fit_by_spin_up(book, bench, motor, options);
  } catch (const Error& error) {  // the brake runs stand alone
    if (error.fault() != Fault::kInput) throw;
    return;
  }
  const Estimate &brake = out.peak_power, &spin = spun->peak_power;
  if (!brake.low || !brake.high || !spin.low || !spin.high) return;
  if (*spin.low <= *brake.high && *brake.low <= *spin.high) return;
  out.warnings.push_back(fmt::format(
      "The spin-ups give a peak power of {}, the brake runs {}: a factor of {}. Check the "
      "flywheel's inertia, and the cell's calibration and arm.",
      to_text(spin), to_text(brake),
      significant(std::max(*spin.value / *brake.value, *brake.value / *spin.value), 2)));
}

}  // namespace

MotorFit fit_motor(const Book& book, const Part& motor, const MotorFitOptions& options) {
  const MotorBench bench = motor_bench(book, motor, options);
  if (bench.brake.empty()) return fit_by_spin_up(book, bench, motor, options);
  const bool smooth = options.model == "smooth";
  if (smooth && options.at_winding_c)
    throw Error(Fault::kInput,
                "the smooth curve has no winding resistance that could be moved to another "
                "temperature; leave --at-winding-c or --model smooth out.");
  SweepFitInput input;
  std::vector<std::int64_t> numbers;
  for (const auto& run : bench.brake) {
    input.runs.push_back(run.get());
    numbers.push_back(run->readings.run.id);
  }
  input.session_of = session_numbers(book, motor, numbers);
  input.no_load = bench.no_load;
  input.own_drag = bench.own_drag;
  input.options = options.sweep;
  input.reference_v = reference_supply(bench, motor, options);

  std::size_t rows = 0;
  bool typed = false, steps = false;
  std::vector<Sweep> sweeps;
  for (const BenchRun* run : input.runs) {
    sweeps.push_back(make_sweep(run->readings, run->speed, options.sweep));
    rows += sweeps.back().rows.size();
    typed = typed || !run->readings.points.empty();
    steps = steps || !sweeps.back().steady.empty();
  }
  const std::size_t least = typed ? kLeastTyped : kLeastRows;
  // The few points of a notebook, or of steps whose ways are left out, cannot tell a drift, and
  // what it makes of them is in their scatter.
  if (typed || steps) input.options.correct_drift = false;
  if (rows < least)
    throw Error(
        Fault::kInput,
        fmt::format("the brake runs of motor '{}' hold only {} usable values; a curve needs "
                    "at least {}. Record a longer run.",
                    motor.name, rows, least));

  const std::string fault = reading_fault(bench, sweeps);
  std::vector<MotorCandidate> candidates;
  try {
    candidates = choose_model(input, motor, options);
  } catch (const Error& error) {
    // What is wrong with the readings says more than that nothing could be fitted to them.
    if (fault.empty() || error.fault() != Fault::kInput) throw;
    MotorFit none;
    none.not_described = fault;
    none.warnings = bench.warnings;
    return none;
  }
  MotorFit out;
  out.warnings = bench.warnings;
  for (const MotorCandidate& c : candidates) out.models.push_back(c.tried);
  const SweepFit& best = *candidates.front().fit;
  out.curve = curve_of(best, candidates.front().tried.name, input.reference_v);
  const bool open_terms =
      !smooth && has_open_terms(out.curve.model) &&
      std::all_of(sweeps.begin(), sweeps.end(), [](const Sweep& sweep) { return sweep.typed; });
  if (open_terms) add_open_terms(out.curve, best);
  out.residual_rms = best.single_rms;
  out.typed = typed;
  out.levels = best.levels;
  out.choice = reason_for(out.models, options, motor);
  for (std::size_t j = 0; j < best.sweeps.size(); ++j) out.findings.push_back(finding(best, j));
  const Curve as_measured = out.curve;
  if (options.at_winding_c) {
    const FluxPerK flux = flux_per_k(flux_seen(input, best, out.findings));
    move_to_winding(
        out.curve, winding_temperature(options, input.runs.front()->readings, out.findings.front()),
        *options.at_winding_c, flux);
    out.winding_c = options.at_winding_c;
  }
  add_points(out, best, as_measured);
  if (smooth) take_smooth(out, best);
  // Such points have told what the equation leaves out; of their warmth nothing is known.
  EquationDoubt doubt = open_terms ? EquationDoubt{} : equation_doubt(out);
  add_blur(doubt, best);
  // Points that cover the curve tell their equation themselves; on a narrow range a type does.
  if (!smooth && (!typed || may_be_another(out.curve, motor)))
    add_doubt_of_equations(doubt, candidates, input.reference_v);
  open_up(out.curve, doubt);
  set_results(out);
  if (!smooth) add_budget(out, best, doubt);
  out.budget.push_back(line_of(out.curve, out.curve.covariance, "all together"));
  add_warnings(out, best, motor, bench.own_drag.has_value());
  compare_with_spin_ups(out, book, bench, motor, options);
  const std::vector<RunLevel> levels = levels_of(best);
  for (std::string& said : said_apart(levels)) out.warnings.push_back(std::move(said));
  out.not_described = fault;
  if (out.not_described.empty()) out.not_described = too_far_apart(levels);
  if (out.not_described.empty()) out.not_described = undescribed(out, motor, best);
  return out;
}

}  // namespace loadline
