#include "fit/motor_runs/motor_gate.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>

#include "db/basis/estimate.h"
#include "db/basis/units.h"
#include "fit/brake_runs/sweeps/brake_constants.h"
#include "fit/readings/noise/noise.h"

namespace loadline {
namespace {

using namespace brake_chosen;

constexpr std::size_t kLeastToPush = 20;  // values, of which the fastest tell a zero

// Values beside a change at once: a twentieth of the run's, and no fewer than these.
constexpr std::size_t kLeastBeside = 15, kBesideOf = 20;

// Means of what is left over, by speed and half of the run.
constexpr std::size_t kSpeedBins = 8;
struct Left {
  double sum = 0, count = 0;
  double mean() const { return sum / count; }
};
using LeftBins = std::array<std::array<Left, 2>, kSpeedBins>;

LeftBins left_over(const Sweep& sweep, const std::vector<double>& residuals,
                   const std::vector<double>& weight) {
  double low = 1e300, high = 0;
  for (const SweepRow& row : sweep.rows) {
    low = std::min(low, row.speed);
    high = std::max(high, row.speed);
  }
  LeftBins bins{};
  for (std::size_t i = 0; i < sweep.rows.size(); ++i) {
    const double place = (sweep.rows[i].speed - low) / std::max(high - low, 1e-9);
    const auto bin = std::min(kSpeedBins - 1, static_cast<std::size_t>(place * kSpeedBins));
    Left& left = bins[bin][sweep.rows[i].share < 0.5 ? 0 : 1];
    left.sum += weight[i] * residuals[i];
    left.count += weight[i];
  }
  return bins;
}

struct Structure {
  double between_halves = 0, over_speed = 0;  ///< rms beyond what noise makes of it, N·m
};

Structure structure_of(const LeftBins& bins, const SweepNoise& noise) {
  double halves = 0, halves_n = 0, speeds = 0, speeds_n = 0;
  const double one = noise.sd * noise.sd * noise.correlation;
  for (const auto& [first, second] : bins) {
    if (first.count >= 2 && second.count >= 2) {
      const double d = first.mean() - second.mean();
      halves += d * d - one / first.count - one / second.count;
      halves_n += 1;
    }
    const Left both{first.sum + second.sum, first.count + second.count};
    if (both.count < 3) continue;
    speeds += both.mean() * both.mean() - one / both.count;
    speeds_n += 1;
  }
  return {std::sqrt(std::max(0.0, halves / std::max(1.0, halves_n))),
          std::sqrt(std::max(0.0, speeds / std::max(1.0, speeds_n)))};
}

// What drift and warming have to make of the second half against the first at the same speed: as a
// share of the greatest torque, and of the torque of that speed (a gain). A winding that warms
// takes torque away, and not the better part of it.
constexpr double kLeastShared = 4;  // of the bins of speed
std::string halves_apart(const SweepFit& fit, std::size_t j, double greatest) {
  const Sweep& sweep = fit.sweeps[j];
  const std::vector<double>& weight = fit.problem->noise[j].weight;
  const int column = fit.problem->column_of(j);
  Eigen::VectorXd without = fit.solution.parameters;
  for (const auto which : {SweepProblem::kDrift, SweepProblem::kHeat, SweepProblem::kTimeHeat})
    without[column + which] = 0;
  const std::vector<double> with = fit.problem->plain_residuals(fit.solution.parameters, j);
  std::vector<double> made = fit.problem->plain_residuals(without, j), torque;
  for (std::size_t i = 0; i < made.size(); ++i) made[i] -= with[i];
  for (const SweepRow& row : sweep.rows) torque.push_back(row.torque);
  const LeftBins rises = left_over(sweep, made, weight), torques = left_over(sweep, torque, weight);
  double sum = 0, count = 0, by_torque = 0, squares = 0;
  for (std::size_t k = 0; k < rises.size(); ++k) {
    const auto& [first, second] = rises[k];
    if (first.count < 2 || second.count < 2) continue;
    const double rise = second.mean() - first.mean(),
                 usual = (torques[k][0].mean() + torques[k][1].mean()) / 2;
    sum += rise;
    count += 1;
    by_torque += rise * usual;
    squares += usual * usual;
  }
  // A run one way has hardly a speed in both halves; what it makes of that is no evidence.
  if (count < kLeastShared || !(squares > 0)) return "";
  const double shift = sum / count / greatest, gain = by_torque / squares;
  const double rise = std::fabs(gain) > std::fabs(shift) ? gain : shift;
  if (rise < kMostRise && rise > -kMostFall) return "";
  return fmt::format(
      "at the same speed the second half of run {} has {} % of its torque {} than the first; a "
      "winding that warms takes a little torque away: look at cell, arm and supply, and repeat the "
      "run",
      sweep.run, significant(100 * std::fabs(rise), 2), rise > 0 ? "more" : "less");
}

// Where what is left over goes up or down at once, at about one speed, by more than it scatters on
// either side, and stays there: something changed between two readings. A sweep one way has
// nothing else to tell it by.
std::string changes_at_once(const SweepFit& fit, std::size_t j, double greatest) {
  const Sweep& sweep = fit.sweeps[j];
  const std::vector<SweepRow>& rows = sweep.single();
  const std::size_t each = std::max(kLeastBeside, rows.size() / kBesideOf);
  if (sweep.typed || rows.size() < 4 * each) return "";
  const std::vector<double> left = fit.problem->single_residuals(fit.solution.parameters, j);
  const double top = sweep_scale(fit.sweeps).speed;
  const auto beside = [&](const auto& of, std::size_t from) {
    std::vector<double> values;
    for (std::size_t i = from; i < from + each; ++i) values.push_back(of(i));
    return values;
  };
  const auto residual = [&](std::size_t i) { return left[i]; };
  const auto speed = [&](std::size_t i) { return rows[i].speed; };
  for (std::size_t at = each; at + each <= rows.size(); at += std::max<std::size_t>(1, each / 8)) {
    const std::vector<double> before = beside(residual, at - each), after = beside(residual, at);
    const double step = median(after) - median(before);
    const double scatter = std::max(robust_sd(before), robust_sd(after));
    if (std::fabs(step) < std::max(kStepAtOnce * greatest, kAtOnceScatters * scatter)) continue;
    if (std::fabs(median(beside(speed, at)) - median(beside(speed, at - each))) > kMovedShare * top)
      continue;
    return fmt::format(
        "the torque of run {} goes {} at once by {} % of its greatest, at about {:.1f} s and "
        "{} rpm, and stays there: look at cell, arm and supply, and repeat the run",
        sweep.run, step > 0 ? "up" : "down", significant(100 * std::fabs(step) / greatest, 2),
        rows[at].time_s, rpm_text(rows[at].speed));
  }
  return "";
}

struct Nuisance {
  SweepProblem::Nuisance which;
  double most;
  const char* words;
};

std::string far_off(const SweepFit& fit, std::size_t j) {
  const Nuisance kOf[] = {{SweepProblem::kDrift, kFarOff, "its zero drifted"},
                          {SweepProblem::kHeat, kTooWarm, "its winding warmed"},
                          {SweepProblem::kTimeHeat, kTooWarm, "its winding warmed"}};
  for (const Nuisance& of : kOf) {
    const double size = fit.solution.parameters[fit.problem->column_of(j) + of.which];
    if (std::fabs(size) > of.most)
      return fmt::format(
          "run {} follows a curve only if {} by {:.0f} times what is usual: something changed on "
          "its way (cell, arm, brake, supply, or two motors in one run); repeat it",
          fit.sweeps[j].run, of.words, std::fabs(size));
  }
  return "";
}

// Nothing turns with an inertia below nothing: what asks for one is a delay.
std::string below_nothing(const SweepFit& fit, std::size_t j, double greatest) {
  const Sweep& sweep = fit.sweeps[j];
  const int column = fit.problem->column_of(j) + SweepProblem::kInertia;
  const double inertia = fit.problem->nuisance(fit.solution.parameters, j, SweepProblem::kInertia);
  const double sd = std::sqrt(std::max(0.0, fit.covariance(column, column))) *
                    fit.problem->nuisance_sd_before(j, SweepProblem::kInertia);
  if (inertia > -kCertainly * sd || -inertia * sweep.acceleration_scale < kSmall * greatest)
    return "";
  return fmt::format(
      "run {} follows a curve only if what turns with the shaft had an inertia below nothing: its "
      "torques are late, or of another time than its speeds; look at the instruments' settings, or "
      "repeat it with slower sweeps",
      sweep.run);
}

// While cell and tachometer are apart in time by what nobody knows, a sweep that is quick against
// that looks like another curve.
std::string too_quick(const SweepFit& fit, std::size_t j) {
  const Sweep& sweep = fit.sweeps[j];
  if (fit.unknown_inertia(j) > kMostBlur)
    return fmt::format(
        "run {} goes one way only, and quickly, and nobody said what turns with the shaft: give "
        "--inertia-kgm2, or let the brake off again as slowly as it came on",
        sweep.run);
  if (fit.blur(j) < kMostBlur) return "";
  return fmt::format(
      "run {} goes from its lowest to its highest speed or back within {} s, too quickly for rows "
      "{} s apart whose torques may be late by some {} s: what is late looks like another curve; "
      "take ten seconds or more each way, or give --inertia-kgm2",
      sweep.run, significant(sweep.one_way_s, 2), significant(sweep.row_s, 2),
      significant(2 * fit.lag_sd(j), 2));
}

std::string misfit_of(const SweepFit& fit, std::size_t j, const std::vector<double>& residuals,
                      double greatest, bool smooth) {
  const Sweep& sweep = fit.sweeps[j];
  const SweepNoise& noise = fit.problem->noise[j];
  double kept = 0;
  for (const double weight : noise.weight) kept += weight;
  const double rows = static_cast<double>(noise.weight.size());
  const auto aside = static_cast<double>(std::count(sweep.stray.begin(), sweep.stray.end(), 1));
  if (aside > kMostAside * static_cast<double>(sweep.stray.size()) ||
      rows - kept > kMostAside * rows)
    return fmt::format(
        "more than a fifth of the values of run {} belong to no curve: look at speed and torque "
        "over time for dropouts, and repeat it",
        sweep.run);
  if (std::string quick = too_quick(fit, j); !quick.empty()) return quick;
  if (std::string below = below_nothing(fit, j, greatest); !below.empty()) return below;
  const Structure left = structure_of(left_over(sweep, residuals, noise.weight), noise);
  const auto share = [&](double torque) { return significant(100 * torque / greatest, 2); };
  if (left.between_halves > kMisfit * greatest)
    return fmt::format(
        "the first and the second half of run {} disagree by {} % of its greatest torque at the "
        "same speed, more than lag, inertia, drift and warming make: look at cell, arm and supply, "
        "and repeat it",
        sweep.run, share(left.between_halves));
  if (!smooth && left.over_speed > kMisfit * greatest)
    return fmt::format(
        "no motor equation follows run {}: {} % of its greatest torque are left over in a pattern "
        "over speed; look at its readings, or follow them with --model smooth",
        sweep.run, share(left.over_speed));
  if (std::string apart = halves_apart(fit, j, greatest); !apart.empty()) return apart;
  if (std::string at_once = changes_at_once(fit, j, greatest); !at_once.empty()) return at_once;
  return far_off(fit, j);
}

// Of each run: of the curve, where it tells more than the fit behind it and every row is a point.
std::vector<std::vector<double>> residuals_of(const MotorFit& out, const SweepFit& fit) {
  const bool of_curve = out.curve.model != "smooth" &&
                        out.curve.parameters.size() > fit.shape->size() &&
                        static_cast<int>(out.points.size()) == fit.problem->data_rows();
  std::vector<std::vector<double>> residuals;
  auto point = out.points.begin();
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
    residuals.push_back(fit.problem->plain_residuals(fit.solution.parameters, j));
    for (std::size_t i = 0; of_curve && i < residuals.back().size(); ++i, ++point)
      residuals.back()[i] = point->residual;
  }
  return residuals;
}

std::string misfit(const MotorFit& out, const SweepFit& fit) {
  const double greatest = sweep_scale(fit.sweeps).torque;
  const bool smooth = out.curve.model == "smooth";
  const std::vector<std::vector<double>> residuals = residuals_of(out, fit);
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j)
    if (std::string found = misfit_of(fit, j, residuals[j], greatest, smooth); !found.empty())
      return found;
  if ((smooth ? fit.single_rms : out.residual_rms) > kMostScatter * greatest)
    return "the torques scatter about any curve by more than a tenth of the greatest: look whether "
           "speed and torque are of one bench and one time";
  return "";
}

// N·m by which the readings at a run's highest speeds lie below nothing for certain, drift taken
// off.
double certainly_below(const SweepFit& fit, std::size_t j) {
  const Sweep& sweep = fit.sweeps[j];
  std::vector<std::size_t> order(sweep.single().size());
  std::iota(order.begin(), order.end(), 0);
  std::sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    return sweep.single()[a].speed > sweep.single()[b].speed;
  });
  if (sweep.typed || order.size() < kLeastToPush) return 0;
  order.resize(std::max<std::size_t>(3, order.size() / 20));
  const int column = fit.problem->column_of(j) + SweepProblem::kDrift;
  const double drift = fit.problem->nuisance(fit.solution.parameters, j, SweepProblem::kDrift);
  const double drift_sd = std::sqrt(std::max(0.0, fit.covariance(column, column))) *
                          fit.problem->nuisance_sd_before(j, SweepProblem::kDrift);
  double sum = 0, shares = 0;
  for (const std::size_t i : order) {
    sum += sweep.single()[i].torque - drift * sweep.single()[i].share;
    shares += sweep.single()[i].share;
  }
  const auto n = static_cast<double>(order.size());
  const double sd = std::hypot(fit.single_rms * std::sqrt(fit.problem->noise[j].correlation / n),
                               drift_sd * shares / n);
  return std::max(0.0, -sum / n - kCertainly * sd);
}

// N·m by which the motor's torque lies below nothing for certain where a run has least of it, by
// the curve at the supply, the warmth and the flux of that moment. One in four hundred may be a
// knock.
double curve_below(const SweepFit& fit, std::size_t j) {
  const int size = fit.shape->size(), column = fit.problem->column_of(j);
  const Eigen::VectorXd& solution = fit.solution.parameters;
  const Eigen::VectorXd u = solution.head(size), p = fit.shape->natural(u);
  MotorShape::Torque of_motor;
  double by_nuisance[SweepProblem::kNuisances];
  const auto torque_at = [&](const SweepRow& row) {
    fit.problem->predict(p, solution.data() + column, j, row, of_motor, by_nuisance);
    return of_motor.value;
  };
  std::vector<std::pair<double, const SweepRow*>> torques;
  for (const SweepRow& row : fit.sweeps[j].single())
    if (row.speed <= fit.sweeps[j].fastest) torques.emplace_back(torque_at(row), &row);
  if (torques.empty()) return 0;
  const auto least = torques.begin() + static_cast<std::ptrdiff_t>(torques.size() / 400);
  std::nth_element(torques.begin(), least, torques.end());
  const double below = -torque_at(*least->second);
  Eigen::VectorXd by = Eigen::VectorXd::Zero(solution.size());
  by.head(size) = fit.shape->natural_by_internal(u).transpose() * of_motor.by_p;
  for (const auto which : {SweepProblem::kHeat, SweepProblem::kTimeHeat, SweepProblem::kWarm,
                           SweepProblem::kFlux, SweepProblem::kTimeFlux})
    by[column + which] = by_nuisance[which];
  const double variance = by.dot(fit.covariance * by);
  return std::max(0.0, below - kCertainly * std::sqrt(std::max(0.0, variance)));
}

// A brake cannot push: no motor runs faster than without load, and no reading is below nothing,
// however the speed changes.
std::string pushed(const MotorFit& fit, const SweepFit& brake) {
  const Curve& curve = fit.curve;
  const double rpm = rpm_from_rad_per_s(1), top = rpm * curve.speed_high;
  const Estimate& no_load = fit.no_load_speed;
  if (!no_load.high || !no_load.value || *no_load.value > top) return "";
  double below = 0;
  for (std::size_t j = 0; j < brake.sweeps.size(); ++j)
    below = std::max(
        {below, certainly_below(brake, j), *no_load.high > top ? 0 : curve_below(brake, j)});
  if (below < kSmall * curve.torque(curve.speed_low)) return "";
  return fmt::format(
      "the torque falls through nothing at {} rpm, and the readings go on to {} rpm, where a brake "
      "would have to push: the zero is off by {} N·m at least; take it again with nothing on the "
      "arm and repeat the run, or take it off the torques",
      significant(*no_load.value, 3), significant(top, 3), significant(below, 2));
}

// Plates of old motors are off by tens of per cent and may state input or output: only a factor
// counts.
std::string against_plate(const MotorFit& fit, const Part& motor) {
  const auto plate = motor.number("rated-w");
  if (!plate || !fit.peak_power.value || *fit.peak_power.value < kMostOfPlate * *plate) return "";
  return fmt::format(
      "a peak power of {} is more than {:.0f} times what the plate says ({} W): look at the units "
      "of torque and speed, the arm, or the inertia",
      to_text(fit.peak_power), kMostOfPlate, significant(*plate, 3));
}

}  // namespace

std::string undescribed(const MotorFit& fit, const Part& motor, const SweepFit& brake) {
  if (std::string found = misfit(fit, brake); !found.empty()) return found;
  if (std::string found = pushed(fit, brake); !found.empty()) return found;
  return against_plate(fit, motor);
}

std::string undescribed_spin_up(const MotorFit& fit, const Part& motor) {
  const double range = fit.curve.speed_high - fit.curve.speed_low;
  if (fit.residual_rms > kMostSpeedResidual * range)
    return "the speeds of the spin-up lie far off any curve: look whether it is one, and at its "
           "inertia";
  return against_plate(fit, motor);
}

}  // namespace loadline
