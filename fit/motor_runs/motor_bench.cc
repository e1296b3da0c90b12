#include "fit/motor_runs/motor_bench.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "fit/brake_runs/sweeps/brake_constants.h"
#include "fit/curves/curve.h"
#include "fit/curves/runs_of.h"
#include "fit/drags/drag_fit.h"
#include "fit/equations/motor_constants.h"
#include "fit/readings/noise/noise.h"

namespace loadline {
namespace {

// So many values hold all that a curve's fit can take from a long run.
constexpr Thinning kBrakeThinning{.few = 2000};

using motor_chosen::kNoLoadRepeats;

// A supply channel filters: while the motor is switched on or off it reads volts that are not at
// its terminals. Before a switch-off such values count as off, after a switch-on as unknown.
void leave_out_switching(Readings& readings) {
  std::vector<double>& volts = readings.supply_v;
  const std::vector<double>& time = readings.time_s;
  const double least_v = 0.5 * readings.mean_supply_v();
  double off_s = -1e300;  // the last moment off
  for (std::size_t i = 0; i < volts.size(); ++i) {
    if (volts[i] < least_v)
      off_s = time[i];
    else if (time[i] - off_s < 2 * brake_chosen::kSupplyReach)
      volts[i] = std::nan("");
  }
  off_s = 1e300;  // the next one
  for (std::size_t i = volts.size(); i-- > 0;) {
    if (volts[i] < least_v)
      off_s = time[i];
    else if (off_s - time[i] < brake_chosen::kSupplyReach)
      volts[i] = 0;
  }
}

std::unique_ptr<BenchRun> bench_run(const Book& book, const Run& run, MotorBench& bench) {
  Readings readings = load_readings(book, run.id, kBrakeThinning);
  const bool typed = std::any_of(
      readings.points.begin(), readings.points.end(),
      [](const SteadyPoint& point) { return point.motor >= 0 && !std::isnan(point.torque); });
  if (!typed && (readings.torque.empty() || readings.motor.empty())) {
    bench.warnings.push_back(
        fmt::format("Run {} was left out: a brake run needs both motor speed and torque.", run.id));
    return nullptr;
  }
  if (!readings.motor.from_edges)
    if (const std::size_t spikes = drop_spikes(readings.motor); spikes > 0)
      bench.warnings.push_back(fmt::format(
          "Run {}: {} of the speeds {} left out, as a pulse lost or counted twice would make {}.",
          run.id, spikes, spikes == 1 ? "was" : "were", spikes == 1 ? "it" : "them"));
  leave_out_switching(readings);
  SmoothSpeed speed(readings.motor);
  return std::make_unique<BenchRun>(BenchRun{std::move(readings), std::move(speed)});
}

// A run with the very same readings.
std::optional<std::int64_t> twin_of(const BenchRun& run,
                                    const std::vector<std::unique_ptr<BenchRun>>& others) {
  for (const auto& other : others)
    if (!run.readings.time_s.empty() && other->readings.time_s == run.readings.time_s &&
        other->readings.torque == run.readings.torque &&
        other->readings.motor.speed == run.readings.motor.speed)
      return other->readings.run.id;
  return std::nullopt;
}

// Steady part of a no-load run: its last two thirds, mean and run-level scatter.
std::optional<NoLoadPoint> no_load_point(const Book& book, const Run& run) {
  const Readings readings = load_readings(book, run.id);
  if (!readings.points.empty()) {
    const PointMean speed = mean_of(readings.points, &SteadyPoint::motor, &SteadyPoint::motor_sd,
                                    &SteadyPoint::motor_digit_sd);
    if (!speed.known()) return std::nullopt;
    return NoLoadPoint{run.id, speed.value, std::hypot(kNoLoadRepeats * speed.value, speed.sd),
                       readings.mean_supply_v()};
  }
  const SpeedTrace& trace = readings.motor;
  if (trace.speed.size() < 6) return std::nullopt;
  std::vector<double> late(
      trace.speed.begin() + static_cast<std::ptrdiff_t>(trace.speed.size() / 3), trace.speed.end());
  const double speed = median(late);
  return NoLoadPoint{run.id, speed, std::hypot(kNoLoadRepeats * speed, robust_sd(late) / 3),
                     readings.mean_supply_v()};
}

// Beside brake runs no drag is taken from spin-ups: a wrong flywheel would move a good curve.
std::optional<OwnDrag> own_drag(const Book& book, const Part& motor, bool of_spin_ups,
                                const std::vector<std::int64_t>& runs,
                                std::vector<std::string>& warnings) {
  try {
    const auto drag = fit_motor_drag(book, motor, of_spin_ups, runs);
    if (!drag) return std::nullopt;
    return OwnDrag{drag->curve.parameters.head<3>(), drag->curve.covariance.topLeftCorner<3, 3>()};
  } catch (const Error& error) {  // the curve can be had without
    if (error.fault() != Fault::kInput) throw;
    warnings.push_back(fmt::format(
        "The motor's own friction was not taken from its coast-downs: {}", error.what()));
    return std::nullopt;
  }
}

// Of a motor with its pedal held: the shaft's friction does not know where the pedal stands. At a
// mark that gives little torque it is a large part of it, which nothing else would say.
std::optional<OwnDrag> drag_without_pedal(const Book& book, const Part& motor,
                                          std::vector<std::string>& warnings) {
  const auto of = motor.text("pedal-of");
  const auto whole = of ? book.find(PartKind::kMotor, *of) : std::nullopt;
  if (!whole) return std::nullopt;
  try {
    const Curve curve = Curve::from_stored(described_curve(book, *whole));
    const auto first = std::find(curve.parameter_names.begin(), curve.parameter_names.end(), "d0");
    const auto at = first - curve.parameter_names.begin();
    if (curve.parameters.size() < at + 3) return std::nullopt;  // no friction in its equation
    return OwnDrag{curve.parameters.segment<3>(at), curve.covariance.block<3, 3>(at, at), true};
  } catch (const Error& error) {  // the curve can be had without
    if (error.fault() == Fault::kBook) throw;
    warnings.push_back(fmt::format(
        "What friction takes at this mark of the pedal was not taken from the whole motor: {}",
        error.what()));
    return std::nullopt;
  }
}

}  // namespace

MotorBench motor_bench(const Book& book, const Part& motor, const MotorFitOptions& options) {
  MotorBench bench;
  for (const Run& run : runs_of(book, motor, RunKind::kBrake, options.runs, &bench.warnings))
    if (auto ready = bench_run(book, run, bench)) {
      if (const auto twin = twin_of(*ready, bench.brake))
        bench.warnings.push_back(fmt::format(
            "Run {} was left out: it holds the same readings as run {}.", run.id, *twin));
      else
        bench.brake.push_back(std::move(ready));
    }
  for (const Run& run : runs_of(book, motor, RunKind::kNoLoad, options.runs, &bench.warnings))
    if (const auto point = no_load_point(book, run)) bench.no_load.push_back(*point);
  for (const Run& run : runs_of(book, motor, RunKind::kSpinUp, options.runs, &bench.warnings))
    bench.spin_ups.push_back(load_readings(book, run.id));
  bench.own_drag = own_drag(book, motor, bench.brake.empty(), options.runs, bench.warnings);
  if (!bench.own_drag) bench.own_drag = drag_without_pedal(book, motor, bench.warnings);
  if (!bench.brake.empty() && !bench.spin_ups.empty())
    bench.warnings.push_back("The spin-up runs are not used beside brake runs.");
  if (bench.brake.empty() && bench.spin_ups.empty())
    throw Error(
        Fault::kInput,
        fmt::format("motor '{0}' has no brake run with speed and torque{1}; record one with "
                    "loadline-logger record brake --motor '{0}' (with a tachometer alone: record "
                    "spin-up), or import one.",
                    motor.name, options.runs.empty() ? "" : " among the runs asked for") +
            (bench.warnings.empty() ? "" : " " + bench.warnings.front()));
  return bench;
}

double reference_supply(const MotorBench& bench, const Part& motor,
                        const MotorFitOptions& options) {
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

}  // namespace loadline
