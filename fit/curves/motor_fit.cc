#include "fit/curves/motor_fit.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>

#include "db/basis/units.h"
#include "fit/curves/drag_fit.h"
#include "fit/curves/results.h"
#include "fit/curves/run_up.h"
#include "fit/curves/sweep_fit.h"
#include "fit/readings/noise.h"

namespace loadline {
namespace {

constexpr std::size_t kLeastRows = 12;
// What the equations themselves leave open within the measured speeds (relative standard
// uncertainty): iron, brushes and warming winding of a real motor are richer. The place of a flat
// maximum feels it most. See the coverage table in tests/study/README.md.
constexpr double kEquation = 0.0035, kPlaceOfPeak = 0.006;
// Trust in the equations beyond the measured speeds, judged on motors whose iron, brushes and fans
// are richer than any equation here: relative standard uncertainty of standstill torque at a lowest
// speed of the highest's share x is kStandstill, kStallNear·x and kStallShape·x² together (how iron
// saturates decides the first, and no two motors' iron does it alike); above kStallOutOfReach no
// number is given. Peak power and its speed by their distance from the measured range over the
// highest speed.
constexpr double kStandstill = 0.004, kStallNear = 0.1, kStallShape = 0.7, kStallOutOfReach = 0.45;
// A spin-up passes its lowest speeds in a few hundredths of a second.
constexpr double kSpinUpShape = 0.006;
// … and warms its winding on the way, which its equation of motion does not know.
constexpr double kSpinUpWarmth = 0.012;
// Standstill is met in the few seconds that heat the winding most: this share of the warm-up found
// is doubt about how it went with time.
constexpr double kWarmthLaw = 0.045;
constexpr double kNoLoadShape = 0.02;
constexpr double kPowerShape = 0.35, kPowerSpeedShape = 1.3;
constexpr double kOneWay = 0.12;  // share of rows on the lesser leg below which a sweep is one way

// ---- which runs ------------------------------------------------------------------------------

bool wanted(const MotorFitOptions& options, std::int64_t run) {
  return options.runs.empty() ||
         std::find(options.runs.begin(), options.runs.end(), run) != options.runs.end();
}

std::vector<Run> runs_of(const Book& book, const Part& motor, RunKind kind,
                         const MotorFitOptions& options) {
  RunFilter filter;
  filter.kind = kind;
  filter.motor = motor.id;
  std::vector<Run> runs;
  for (Run& run : book.runs(filter))
    if (wanted(options, run.id)) runs.push_back(std::move(run));
  return runs;
}

struct Bench {
  std::vector<std::unique_ptr<BenchRun>> brake;
  std::vector<NoLoadPoint> no_load;
  std::vector<Readings> spin_ups;
  std::optional<OwnDrag> own_drag;
  std::vector<std::string> warnings;
};

std::unique_ptr<BenchRun> bench_run(const Book& book, const Run& run, Bench& bench) {
  Readings readings = load_readings(book, run.id);
  if (readings.torque.empty() || readings.motor.empty()) {
    bench.warnings.push_back(
        fmt::format("Run {} was left out: a brake run needs both motor speed and torque.", run.id));
    return nullptr;
  }
  SmoothSpeed speed(readings.motor);
  return std::make_unique<BenchRun>(BenchRun{std::move(readings), std::move(speed)});
}

// Steady part of a no-load run: its last two thirds, mean and run-level scatter.
std::optional<NoLoadPoint> no_load_point(const Book& book, const Run& run) {
  const Readings readings = load_readings(book, run.id);
  const SpeedTrace& trace = readings.motor;
  if (trace.speed.size() < 6) return std::nullopt;
  std::vector<double> late(
      trace.speed.begin() + static_cast<std::ptrdiff_t>(trace.speed.size() / 3), trace.speed.end());
  const double speed = median(late);
  // A belt of 0.4 % for what brushes and supply do between one start and the next (common
  // practice).
  return NoLoadPoint{run.id, speed, std::hypot(0.004 * speed, robust_sd(late) / 3),
                     readings.mean_supply_v()};
}

std::optional<OwnDrag> own_drag(const Book& book, const Part& motor) {
  const auto drag = fit_motor_drag(book, motor);
  if (!drag) return std::nullopt;
  return OwnDrag{drag->curve.parameters.head<3>(), drag->curve.covariance.topLeftCorner<3, 3>()};
}

Bench collect(const Book& book, const Part& motor, const MotorFitOptions& options) {
  Bench bench;
  for (const Run& run : runs_of(book, motor, RunKind::kBrake, options))
    if (auto ready = bench_run(book, run, bench)) bench.brake.push_back(std::move(ready));
  for (const Run& run : runs_of(book, motor, RunKind::kNoLoad, options))
    if (const auto point = no_load_point(book, run)) bench.no_load.push_back(*point);
  for (const Run& run : runs_of(book, motor, RunKind::kSpinUp, options))
    bench.spin_ups.push_back(load_readings(book, run.id));
  bench.own_drag = own_drag(book, motor);
  if (!bench.brake.empty() && !bench.spin_ups.empty())
    bench.warnings.push_back("The spin-up runs are not used beside brake runs.");
  if (bench.brake.empty() && bench.spin_ups.empty())
    throw Error(Fault::kInput,
                fmt::format("motor '{}' has no brake run with speed and torque; record one with "
                            "loadline-logger record brake --motor '{}', or import one.",
                            motor.name, motor.name));
  return bench;
}

// The supply that the curve stands for: asked for, else the rated one when the runs were made near
// it, else what the runs had.
double reference_supply(const Bench& bench, const Part& motor, const MotorFitOptions& options) {
  if (options.at_supply_v) return *options.at_supply_v;
  const Readings& first =
      bench.brake.empty() ? bench.spin_ups.front() : bench.brake.front()->readings;
  const Run& run = first.run;
  const double measured = first.mean_supply_v();
  const auto near = [&](double v) { return std::fabs(measured / v - 1) < 0.12; };
  if (run.supply_v && (std::isnan(measured) || near(*run.supply_v))) return *run.supply_v;
  if (const auto rated = motor.number("rated-v"); rated && (std::isnan(measured) || near(*rated)))
    return *rated;
  return measured;
}

// ---- comparing models ------------------------------------------------------------------------

std::vector<std::string> models_to_try(const Part& motor, const MotorFitOptions& options) {
  (void)motor;
  if (options.model) return {*options.model};
  return {"series", "permanent-magnet", "induction"};
}

double runs_z_over_speed(const SweepFit& fit) {
  std::vector<std::pair<double, double>> by_speed;
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
    const std::vector<double> r = fit.problem->plain_residuals(fit.solution.parameters, j);
    // Means over stretches as long as the noise remembers: nearly independent values.
    const auto stretch = static_cast<std::size_t>(std::ceil(fit.problem->noise[j].correlation));
    for (std::size_t at = 0; at + stretch <= r.size(); at += stretch) {
      double sum = 0;
      for (std::size_t i = at; i < at + stretch; ++i) sum += r[i];
      by_speed.emplace_back(fit.sweeps[j].rows[at + stretch / 2].speed, sum);
    }
  }
  std::sort(by_speed.begin(), by_speed.end());
  std::vector<double> ordered;
  for (const auto& [speed, r] : by_speed) ordered.push_back(r);
  return runs_test_z(ordered);
}

// However long the noise remembers, a sweep tells apart shapes that miss it by many times its
// noise.
constexpr double kLeastValues = 40;

// AICc = n ln(RSS/n) + 2k + 2k(k+1)/(n−k−1), k counting the variance (Burnham & Anderson 2002, from
// memory), with the effective number of values for n.
double aicc(double values, double rms, double parameters) {
  const double k = parameters + 1;
  const double n = std::max(values, k + 2);
  return n * std::log(std::max(rms * rms, 1e-24)) + 2 * k + 2 * k * (k + 1) / (n - k - 1);
}

struct Candidate {
  std::unique_ptr<SweepFit> fit;
  ModelTried tried;
};

std::vector<Candidate> try_models(const SweepFitInput& input, const std::vector<std::string>& names,
                                  const std::function<void(double)>& progress) {
  std::vector<Candidate> candidates;
  for (const std::string& name : names) {
    Candidate candidate{fit_sweeps(name, input), {}};
    candidate.tried.name = name;
    candidates.push_back(std::move(candidate));
    if (progress)
      progress(static_cast<double>(candidates.size()) / static_cast<double>(names.size()));
  }
  // The noise is judged by the model that leaves least of it.
  double values = 0, least = 1e300;
  for (const Candidate& c : candidates)
    if (c.fit->usable && c.fit->rms < least) {
      least = c.fit->rms;
      values = std::max(c.fit->effective_values, kLeastValues);
    }
  for (Candidate& c : candidates) {
    c.tried.residual_rms = c.fit->rms;
    c.tried.aicc = c.fit->usable ? aicc(values, c.fit->rms, c.fit->effective_parameters) : 1e300;
    c.tried.runs_z = c.fit->usable ? runs_z_over_speed(*c.fit) : 0;
    c.tried.remark = !c.fit->usable        ? "did not converge on these data"
                     : c.tried.runs_z < -3 ? "its residuals keep a pattern over speed"
                                           : "its residuals show no pattern over speed";
  }
  std::stable_sort(
      candidates.begin(), candidates.end(),
      [](const Candidate& a, const Candidate& b) { return a.tried.aicc < b.tried.aicc; });
  return candidates;
}

// The equations can be so close on a narrow range that AICc says nothing; then the motor's entered
// type decides, else the series motor, which is what such machines mostly have (common practice).
// Its fit carries the widest doubt about what lies outside the measured speeds.
constexpr double kClearly = 8;
constexpr double kWholeRange =
    0.25;  // lowest over highest speed; below it AICc is taken at its word
constexpr double kAgainstType = 15;

void prefer(std::vector<Candidate>& candidates, const std::string& name, double unless_worse_by) {
  const auto at = std::find_if(candidates.begin(), candidates.end(),
                               [&](const Candidate& c) { return c.tried.name == name; });
  if (at == candidates.end() || !at->fit->usable) return;
  if (at->tried.aicc - candidates.front().tried.aicc < unless_worse_by)
    std::rotate(candidates.begin(), at, at + 1);
}

double lowest_share(const SweepFit& fit) {
  double low = 1e300, high = 0;
  for (const Sweep& sweep : fit.sweeps)
    for (const SweepRow& row : sweep.rows) {
      low = std::min(low, row.speed);
      high = std::max(high, row.speed);
    }
  return high > 0 ? low / high : 1;
}

void choose(std::vector<Candidate>& candidates, const Part& motor) {
  const auto type = motor.text("type");
  // Kloss' equation with a large breakdown slip is a straight line too: the simpler one, unless
  // clear.
  if (candidates.front().tried.name == "induction")
    prefer(candidates, "permanent-magnet", kClearly);
  if (type && *type != "unknown")
    prefer(candidates, *type, kAgainstType);
  else if (lowest_share(*candidates.front().fit) > kWholeRange)
    prefer(candidates, "series", kClearly);
}

// Ends the chosen fit; a model whose parameters the data do not determine gives way to the next.
void settle_first_that_can(std::vector<Candidate>& candidates, const Part& motor) {
  std::string last;
  for (auto at = candidates.begin(); at != candidates.end() && at->fit->usable; ++at) {
    if (settle(*at->fit)) {
      std::rotate(candidates.begin(), at, at + 1);
      return;
    }
    at->tried.remark = "its parameters are not determined by these data";
    last = at->fit->solution.message;
  }
  throw Error(Fault::kInput,
              fmt::format("the brake runs of '{}' do not determine a curve: {}", motor.name, last));
}

std::string reason_for(const std::vector<ModelTried>& models, const MotorFitOptions& options) {
  const ModelTried& best = models.front();
  if (options.model) return fmt::format("'{}' was asked for; {}.", best.name, best.remark);
  if (models.size() < 2 || models[1].aicc > 1e299)
    return fmt::format("'{}' is the only model that describes the data.", best.name);
  const double ahead = models[1].aicc - best.aicc;
  if (ahead < 0)
    return fmt::format(
        "'{}' is taken although '{}' has an AICc lower by {:.1f}: the data do not tell "
        "them apart clearly; {}.",
        best.name, models[1].name, -ahead, best.remark);
  return fmt::format("'{}' has the least AICc, {:.1f} below '{}'; {}.", best.name, ahead,
                     models[1].name, best.remark);
}

// ---- results ---------------------------------------------------------------------------------

Curve curve_of(const SweepFit& fit, const std::string& model, double reference_v) {
  Curve curve;
  curve.model = model;
  curve.equation = curve_equation(model, 0, 0, static_cast<std::size_t>(fit.natural.size()));
  curve.parameter_names = curve.equation->parameter_names();
  curve.parameters = fit.natural;
  const int k = fit.shape->size();
  curve.covariance = fit.natural_by_internal * fit.covariance.topLeftCorner(k, k) *
                     fit.natural_by_internal.transpose();
  curve.degrees_of_freedom = fit.degrees_of_freedom;
  std::vector<double> speeds;
  for (const Sweep& sweep : fit.sweeps) {
    curve.runs.push_back(sweep.run);
    for (std::size_t i = 0; i < sweep.rows.size(); ++i) speeds.push_back(sweep.rows[i].speed);
  }
  std::sort(speeds.begin(), speeds.end());
  // The outermost values may be a knock; one in two hundred is left out at either end.
  const std::size_t trim = speeds.size() / 400;
  curve.speed_low = std::max(0.0, speeds[trim]);
  curve.speed_high = speeds[speeds.size() - 1 - trim];
  if (std::isfinite(reference_v)) curve.supply_v = reference_v;
  return curve;
}

const char* parameter_unit(const std::string& name) {
  if (name == "A") return "N·m·rad²/s²";
  if (name == "omega_0" || name == "omega_x" || name == "omega_n" || name == "omega_s")
    return "rad/s";
  if (name == "stall" || name == "breakdown" || name == "d0") return "N·m";
  if (name == "d1") return "N·m·s";
  if (name == "d2") return "N·m·s²";
  if (name == "sigma") return "1/(N·m)";
  return "";
}

bool positive_parameter(const std::string& name) { return name[0] != 'd' && name != "sigma"; }

void set_parameters(MotorFit& fit) {
  const double t = fit.curve.coverage_factor();
  for (std::size_t i = 0; i < fit.curve.parameter_names.size(); ++i) {
    const auto at = static_cast<Eigen::Index>(i);
    const std::string& name = fit.curve.parameter_names[i];
    const double value = fit.curve.parameters[at];
    const double sd = std::sqrt(std::max(0.0, fit.curve.covariance(at, at)));
    fit.parameters.emplace_back(
        name, positive_parameter(name)
                  ? positive_estimate(value, sd, t, parameter_unit(name))
                  : Estimate::with_half_width(value, t * sd, parameter_unit(name)));
  }
}

double greatest_warm_up(const MotorFit& fit) {
  double greatest = 0;
  for (const RunFinding& found : fit.findings)
    greatest = std::max(greatest, std::fabs(found.warm_up.value.value_or(0)) / 100);
  return greatest;
}

// On alternating current a series motor's torque swings between nothing and twice its mean, twice a
// period, and the speed with it by torque/(4πf·J): the mean torque at a mean speed then differs
// from that at a steady one to second order (seen on the simulated bench: up to twice this, at
// either sign), and least where it stands still. f is 50 or 60 Hz; the lower is taken.
constexpr double kLowestMainsHz = 50;
double swing_doubt(const MotorFit& fit) {
  const Curve& curve = fit.curve;
  double inertia = 0;
  for (const RunFinding& found : fit.findings)
    if (found.inertia.low && *found.inertia.low > 0)
      inertia = inertia > 0 ? std::min(inertia, *found.inertia.value) : *found.inertia.value;
  if (curve.model != "series" || inertia == 0) return 0;
  const double torque = curve.torque(curve.speed_low);
  double half = curve.speed_low;
  while (half < curve.speed_high && curve.torque(half) > torque / 2) half += curve.speed_high / 50;
  const double swing = torque / (4 * std::numbers::pi * kLowestMainsHz * inertia) / half;
  return 1.5 * swing * swing;
}

// What the equation leaves open in each result: relative standard uncertainty.
struct EquationDoubt {
  double stall, no_load, power, power_speed;
};

EquationDoubt equation_doubt(const MotorFit& fit) {
  const Curve& curve = fit.curve;
  const double lowest = curve.speed_low / curve.speed_high;
  const double everywhere = std::hypot(kEquation, fit.speed_residuals ? kSpinUpWarmth : 0.0);
  const double shape = std::hypot(kStallNear * lowest, kStallShape * lowest * lowest,
                                  fit.speed_residuals ? kSpinUpShape : kStandstill);
  const double stall = std::hypot(shape, kWarmthLaw * greatest_warm_up(fit), swing_doubt(fit));
  double away = 0;
  if (const auto peak = peak_power(curve))
    away =
        std::max({0.0, curve.speed_low - peak->speed.value, peak->speed.value - curve.speed_high}) /
        curve.speed_high;
  return {std::hypot(everywhere, stall), std::hypot(everywhere, kNoLoadShape * lowest * lowest),
          std::hypot(everywhere, kPowerShape * away),
          std::hypot(everywhere, kPlaceOfPeak, kPowerSpeedShape * away)};
}

void set_results(MotorFit& fit) {
  const Curve& curve = fit.curve;
  const double t = curve.coverage_factor();
  const EquationDoubt doubt = equation_doubt(fit);
  const auto estimate = [&](const CurveResult& result, double open, double factor,
                            const char* unit) {
    const double sd = std::hypot(result.sd(curve.covariance), open * result.value);
    return positive_estimate(result.value, sd, t, unit).scaled(factor, unit);
  };
  const double rpm = rpm_from_rad_per_s(1);
  const CurveResult stall = stall_torque(curve);
  fit.stall_torque = estimate(stall, doubt.stall, 1, "N·m");
  if (curve.speed_low > kStallOutOfReach * curve.speed_high)
    fit.stall_torque = Estimate::unknown("N·m");
  if (!fit.stall_torque.value)
    fit.warnings.push_back(fmt::format(
        "Standstill torque is not identified: the lowest speed measured is {} rpm; brake the motor "
        "further down to know it.",
        significant(curve.speed_low * rpm, 3)));
  else if (stall.extrapolated)
    fit.warnings.push_back(fmt::format(
        "Standstill torque is extrapolated from {} rpm down by the equation of the '{}' model.",
        significant(curve.speed_low * rpm, 3), curve.model));
  if (const auto top = no_load_speed(curve)) {
    fit.no_load_speed = estimate(*top, doubt.no_load, rpm, "rpm");
    if (top->extrapolated)
      fit.warnings.push_back(
          fmt::format("No-load speed is extrapolated beyond the highest measured speed, {} rpm.",
                      significant(curve.speed_high * rpm, 3)));
  } else {
    fit.no_load_speed = Estimate::unknown("rpm");
    fit.warnings.push_back("No-load speed is not known: the curve does not come down to zero.");
  }
  if (const auto peak = peak_power(curve)) {
    fit.peak_power = estimate(peak->power, doubt.power, 1, "W");
    fit.peak_power_speed = estimate(peak->speed, doubt.power_speed, rpm, "rpm");
    if (peak->power.extrapolated)
      fit.warnings.push_back("Peak power lies outside the measured speeds: it is extrapolated.");
  } else {
    fit.peak_power = Estimate::unknown("W");
    fit.peak_power_speed = Estimate::unknown("rpm");
    fit.warnings.push_back("Peak power is not known: power has no maximum on this curve.");
  }
}

// ---- findings, points, warnings -----------------------------------------------------------------

Estimate nuisance_estimate(const SweepFit& fit, std::size_t j, SweepProblem::Nuisance which,
                           double factor, const char* unit) {
  const int column = fit.problem->column_of(j) + which;
  const double sd = std::sqrt(std::max(0.0, fit.covariance(column, column))) *
                    fit.problem->nuisance_sd_before(j, which);
  const double value = fit.problem->nuisance(fit.solution.parameters, j, which);
  return Estimate::with_half_width(value * factor, 1.96 * sd * std::fabs(factor), unit);
}

// Both courses from the run's start to its end, in per cent of the winding's resistance.
Estimate warm_up(const SweepFit& fit, std::size_t j) {
  const int column = fit.problem->column_of(j) + SweepProblem::kHeat;
  static_assert(SweepProblem::kTimeHeat == SweepProblem::kHeat + 1);
  const double unit = 100 * fit.problem->nuisance_sd_before(j, SweepProblem::kHeat);
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
  found.warm_up = warm_up(fit, j);
  found.correlation_factor = noise.correlation;
  found.values = sweep.rows.size();
  double last = -1e9;
  for (std::size_t i = 0; i < sweep.rows.size(); ++i) {
    if (noise.weight[i] > 0.5 || sweep.rows[i].time_s - last < 0.2) continue;
    last = sweep.rows[i].time_s;
    found.outlier_times_s.push_back(last);
  }
  return found;
}

void add_points(MotorFit& out, const SweepFit& fit) {
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
    const std::vector<double> r = fit.problem->plain_residuals(fit.solution.parameters, j);
    const std::size_t step = std::max<std::size_t>(1, r.size() / 2500);
    for (std::size_t i = 0; i < r.size(); i += step) {
      const SweepRow& row = fit.sweeps[j].rows[i];
      out.points.push_back(
          {row.speed, out.curve.torque(row.speed) + r[i], r[i], fit.problem->noise[j].weight[i]});
    }
  }
}

void warn_of_inertia(MotorFit& out, const SweepFit& fit) {
  for (const Sweep& sweep : fit.sweeps) {
    const double doubt = sweep.inertia.sd * sweep.acceleration_scale;
    if (sweep.inertia_given || doubt < 0.01 * out.curve.torque(out.curve.speed_low)) continue;
    const bool one_way = sweep.rising_share < kOneWay || sweep.rising_share > 1 - kOneWay;
    out.warnings.push_back(fmt::format(
        "Run {} gives no inertia (--inertia-kgm2), yet its speed changes quickly{}.", sweep.run,
        one_way ? " and one way only: its torque may be wrong by more than its interval says"
                : "; up- and down-sweep together stand in for it"));
  }
}

void add_warnings(MotorFit& out, const SweepFit& fit, const Part& motor, bool own_drag_known) {
  warn_of_inertia(out, fit);
  for (const RunFinding& found : out.findings)
    if (!found.outlier_times_s.empty())
      out.warnings.push_back(
          fmt::format("Run {} has {} place(s) that do not belong to the curve "
                      "(first at {:.2f} s); they carry no weight.",
                      found.run, found.outlier_times_s.size(), found.outlier_times_s.front()));
  const ModelTried& used = out.models.front();
  if (used.runs_z < -3 && out.residual_rms > 1e-3 * out.curve.torque(out.curve.speed_low))
    out.warnings.push_back(fmt::format(
        "The '{}' curve does not quite describe these data: neighbouring speeds miss it the same "
        "way (runs test z = {:.1f}).",
        used.name, used.runs_z));
  const auto type = motor.text("type");
  if (type && *type != "unknown" && *type != used.name)
    out.warnings.push_back(
        fmt::format("The motor is entered as '{}', the data look like '{}'; "
                    "force one with --model.",
                    *type, used.name));
  if (used.name == "series" && !own_drag_known)
    out.warnings.push_back(
        "A, omega_0 and omega_x describe the net curve: the motor's own friction "
        "was not measured apart (a no-load coast-down of the motor would).");
}

void add_budget(MotorFit& out, const SweepFit& fit);

}  // namespace

namespace {

// ---- from spin-ups -----------------------------------------------------------------------------

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
      values = std::max(c.fit.values, kLeastValues);
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

Curve curve_of(const RunUpFit& fit, const std::string& model, double reference_v) {
  Curve curve;
  curve.model = model;
  curve.equation = curve_equation(model, 0, 0, static_cast<std::size_t>(fit.natural.size()));
  curve.parameter_names = curve.equation->parameter_names();
  curve.parameters = fit.natural;
  curve.covariance = fit.covariance;
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

MotorFit fit_by_spin_up(const Bench& bench, const Part& motor, const MotorFitOptions& options) {
  const double reference_v = reference_supply(bench, motor, options);
  std::vector<RunUp> runs;
  MotorFit out;
  out.warnings = bench.warnings;
  for (const Readings& readings : bench.spin_ups) {
    if (auto run = make_run_up(readings, reference_v))
      runs.push_back(std::move(*run));
    else
      out.warnings.push_back(
          fmt::format("Run {} was left out: a spin-up needs the motor's speed from standstill up "
                      "and the inertia "
                      "that is turned (--inertia-kgm2, --added-inertia-kgm2).",
                      readings.run.id));
  }
  if (runs.empty())
    throw Error(Fault::kInput, fmt::format("motor '{}' has no usable spin-up: {}", motor.name,
                                           out.warnings.back()));
  std::vector<RunUpCandidate> candidates =
      try_run_ups(runs, bench.own_drag, models_to_try(motor, options));
  if (!candidates.front().fit.usable)
    throw Error(Fault::kInput,
                fmt::format("no motor model describes the spin-ups of '{}'; check the inertia and "
                            "the units.",
                            motor.name));
  for (const RunUpCandidate& c : candidates) out.models.push_back(c.tried);
  const RunUpFit& best = candidates.front().fit;
  out.curve = curve_of(best, candidates.front().tried.name, reference_v);
  out.residual_rms = best.speed_rms;
  out.speed_residuals = true;
  out.choice = reason_for(out.models, options);
  set_parameters(out);
  set_results(out);
  add_points(out, best);
  return out;
}

}  // namespace

MotorFit fit_motor(const Book& book, const Part& motor, const MotorFitOptions& options) {
  Bench bench = collect(book, motor, options);
  if (bench.brake.empty()) return fit_by_spin_up(bench, motor, options);
  SweepFitInput input;
  for (const auto& run : bench.brake) input.runs.push_back(run.get());
  input.no_load = bench.no_load;
  input.own_drag = bench.own_drag;
  input.options = options.sweep;
  input.reference_v = reference_supply(bench, motor, options);

  std::size_t rows = 0;
  for (const BenchRun* run : input.runs)
    rows += make_sweep(run->readings, run->speed, options.sweep).rows.size();
  if (rows < kLeastRows)
    throw Error(
        Fault::kInput,
        fmt::format("the brake runs of motor '{}' hold only {} usable values; a curve needs "
                    "at least {}. Record a longer run.",
                    motor.name, rows, kLeastRows));

  std::vector<Candidate> candidates =
      try_models(input, models_to_try(motor, options), options.progress);
  if (!candidates.front().fit->usable)
    throw Error(Fault::kInput,
                fmt::format("no motor model describes the brake runs of '{}'; check the signs and "
                            "units of torque and speed.",
                            motor.name));
  choose(candidates, motor);
  settle_first_that_can(candidates, motor);
  MotorFit out;
  out.warnings = bench.warnings;
  for (const Candidate& c : candidates) out.models.push_back(c.tried);
  const SweepFit& best = *candidates.front().fit;
  out.curve = curve_of(best, candidates.front().tried.name, input.reference_v);
  out.residual_rms = best.rms;
  out.choice = reason_for(out.models, options);
  for (std::size_t j = 0; j < best.sweeps.size(); ++j) out.findings.push_back(finding(best, j));
  set_parameters(out);
  set_results(out);
  add_points(out, best);
  add_budget(out, best);
  add_warnings(out, best, motor, bench.own_drag.has_value());
  return out;
}

namespace {

// Standard uncertainty of the four results from an internal covariance.
BudgetLine line_from(const MotorFit& out, const SweepFit& fit, const Eigen::MatrixXd& covariance,
                     std::string source) {
  const int k = fit.shape->size();
  const Eigen::MatrixXd natural = fit.natural_by_internal * covariance.topLeftCorner(k, k) *
                                  fit.natural_by_internal.transpose();
  BudgetLine line;
  line.source = std::move(source);
  const double rpm = rpm_from_rad_per_s(1);
  line.stall_torque = stall_torque(out.curve).sd(natural);
  if (const auto top = no_load_speed(out.curve)) line.no_load_speed = rpm * top->sd(natural);
  if (const auto peak = peak_power(out.curve)) {
    line.peak_power = peak->power.sd(natural);
    line.peak_power_speed = rpm * peak->speed.sd(natural);
  }
  return line;
}

// With everything but `freed` held at its estimate, what is the curve's covariance?
Eigen::MatrixXd conditional(const SweepFit& fit, const std::vector<int>& freed) {
  const Eigen::MatrixXd information = fit.solution.jacobian.transpose() * fit.solution.jacobian;
  const auto n = static_cast<Eigen::Index>(freed.size());
  Eigen::MatrixXd part(n, n);
  for (Eigen::Index i = 0; i < n; ++i)
    for (Eigen::Index j = 0; j < n; ++j)
      part(i, j) =
          information(freed[static_cast<std::size_t>(i)], freed[static_cast<std::size_t>(j)]);
  const Eigen::MatrixXd inverse = part.inverse();
  return inverse;
}

// What the equation leaves open, into its own line and into the sum.
void add_equation(const MotorFit& out, BudgetLine& own, BudgetLine& whole) {
  const EquationDoubt doubt = equation_doubt(out);
  const double rpm = rpm_from_rad_per_s(1);
  const auto add = [](double share, double value, double& line, double& sum) {
    line = share * value;
    sum = std::hypot(sum, line);
  };
  add(doubt.stall, stall_torque(out.curve).value, own.stall_torque, whole.stall_torque);
  if (const auto top = no_load_speed(out.curve))
    add(doubt.no_load, rpm * top->value, own.no_load_speed, whole.no_load_speed);
  if (const auto peak = peak_power(out.curve)) {
    add(doubt.power, peak->power.value, own.peak_power, whole.peak_power);
    add(doubt.power_speed, rpm * peak->speed.value, own.peak_power_speed, whole.peak_power_speed);
  }
}

// Noise first; then each nuisance adds what freeing it adds; then the systematics.
void add_budget(MotorFit& out, const SweepFit& fit) {
  std::vector<int> freed(static_cast<std::size_t>(fit.shape->size()));
  std::iota(freed.begin(), freed.end(), 0);
  Eigen::MatrixXd before = conditional(fit, freed);
  out.budget.push_back(line_from(out, fit, before, "noise"));
  const std::pair<SweepProblem::Nuisance, const char*> nuisances[] = {
      {SweepProblem::kLag, "lag"},
      {SweepProblem::kInertia, "inertia"},
      {SweepProblem::kDrift, "drift of zero"},
      {SweepProblem::kHeat, "warm-up"},
      {SweepProblem::kTimeHeat, "course of the warm-up"},
      {SweepProblem::kWarm, "warmth from run to run"}};
  for (const auto& [which, name] : nuisances) {
    for (std::size_t j = 0; j < fit.sweeps.size(); ++j)
      freed.push_back(fit.problem->column_of(j) + which);
    const Eigen::MatrixXd now = conditional(fit, freed);
    const int k = fit.shape->size();
    out.budget.push_back(
        line_from(out, fit, now.topLeftCorner(k, k) - before.topLeftCorner(k, k), name));
    before = now;
  }
  double slope = 0, arm = 0;
  Eigen::MatrixXd zero = Eigen::MatrixXd::Zero(fit.covariance.rows(), fit.covariance.cols());
  Eigen::MatrixXd bow = zero;
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
    const TorqueSystematics& s = fit.sweeps[j].systematics;
    slope = std::max(slope, s.slope_relative);
    arm = std::max(arm, s.arm_relative);
    zero += s.zero_nm * s.zero_nm * fit.by_zero[j] * fit.by_zero[j].transpose();
    bow += fit.bow_sd * fit.bow_sd * fit.by_bow[j] * fit.by_bow[j].transpose();
  }
  const Eigen::MatrixXd scale = fit.by_torque_scale * fit.by_torque_scale.transpose();
  out.budget.push_back(line_from(out, fit, bow, "bow of the zero's drift"));
  out.budget.push_back(line_from(out, fit, zero, "zero"));
  out.budget.push_back(line_from(out, fit, slope * slope * scale, "slope"));
  out.budget.push_back(line_from(out, fit, arm * arm * scale, "arm"));
  BudgetLine equation = line_from(out, fit, 0 * fit.covariance, "equation");
  BudgetLine whole = line_from(out, fit, fit.covariance, "all together");
  add_equation(out, equation, whole);
  out.budget.push_back(equation);
  out.budget.push_back(whole);
}

}  // namespace

}  // namespace loadline
