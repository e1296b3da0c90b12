#include "fit/curves/bench_faults.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "db/basis/estimate.h"
#include "db/basis/units.h"
#include "fit/curves/brake_constants.h"
#include "fit/readings/noise.h"

namespace loadline {
namespace {

using namespace brake_chosen;

struct Mean {
  double value = 0, sd = 0;
};

// Of part of the rows in order of speed, `from` to `to` out of 1: torque of the shaft. Neighbours
// remember; ten of them count as one.
Mean mean_of(const std::vector<SweepRow>& by_speed, const Sweep& sweep, double from, double to) {
  const auto count = static_cast<double>(by_speed.size());
  std::vector<double> torque;
  for (auto i = static_cast<std::size_t>(from * count); i < static_cast<std::size_t>(to * count);
       ++i)
    torque.push_back(by_speed[i].torque + sweep.inertia.mean * by_speed[i].acceleration);
  if (torque.empty()) return {};
  const double sd = robust_sd(torque) / std::sqrt(std::max(1.0, double(torque.size()) / 10));
  return {median(std::move(torque)), sd};
}

std::string in_nm(double torque) { return significant(torque, 2) + " N·m"; }
std::string in_rpm(double speed) { return significant(rpm_from_rad_per_s(speed), 3) + " rpm"; }

double top_of(const SpeedTrace& trace) {
  double top = 0;
  for (const double speed : trace.speed) top = std::max(top, speed);
  return top;
}

std::string sign_fault(const Sweep& sweep) {
  std::vector<SweepRow> rows = sweep.rows;
  if (rows.size() < 20) return "";
  std::sort(rows.begin(), rows.end(),
            [](const SweepRow& a, const SweepRow& b) { return a.speed < b.speed; });
  const Mean slow = mean_of(rows, sweep, 0, 0.2), fast = mean_of(rows, sweep, 0.8, 1),
             fastest = mean_of(rows, sweep, 0.95, 1);
  if (slow.value < 0 && -slow.value > 2 * std::fabs(fast.value))
    return fmt::format(
        "the torque of run {} is below zero where the motor is braked most ({}): turn the sign of "
        "its torque and import or calibrate again",
        sweep.run, in_nm(slow.value));
  const double least = std::max(kSmall * slow.value, 4 * fastest.sd);
  if (slow.value > 0 && fastest.value < -least)
    return fmt::format(
        "run {} reads {} where its motor runs fastest, and a brake cannot push: its zero is off by "
        "that at least; take the zero again with nothing on the arm and repeat the run, or take it "
        "off the torques",
        sweep.run, in_nm(fastest.value));
  return "";
}

// Before the motor is switched on the cell should read nothing.
std::string rest_fault(const BenchRun& run) {
  const SpeedTrace& trace = run.readings.motor;
  const double top = top_of(trace);
  double greatest = 0;
  for (const double torque : run.readings.torque) greatest = std::max(greatest, torque);
  const auto moves = std::find_if(trace.speed.begin(), trace.speed.end(),
                                  [&](double speed) { return speed > 0.02 * top; });
  const auto at = static_cast<std::size_t>(moves - trace.speed.begin());
  if (at == trace.speed.size()) return "";
  const double until = trace.start_s[at] - 0.3;
  std::vector<double> rest;
  for (std::size_t i = 0; i < run.readings.time_s.size() && run.readings.time_s[i] < until; ++i)
    rest.push_back(run.readings.torque[i]);
  if (rest.size() < 5) return "";
  const double sd = robust_sd(rest) / std::sqrt(static_cast<double>(rest.size()));
  const double zero = median(std::move(rest));
  if (std::fabs(zero) < std::max(kSmall * greatest, 5 * sd) || std::fabs(zero) > 0.5 * greatest)
    return "";
  return fmt::format(
      "run {} reads {} before its motor turns: its zero is off; take the zero again with nothing "
      "on the arm and repeat the run, or take it off the torques",
      run.readings.run.id, in_nm(zero));
}

struct Span {
  double low = 1e300, high = 0;
  void take(double speed) {
    low = std::min(low, speed);
    high = std::max(high, speed);
  }
};

Span speeds_between(const SpeedTrace& trace, double from_s, double to_s) {
  Span span;
  for (std::size_t i = 0; i < trace.speed.size(); ++i) {
    if (trace.start_s[i] < from_s || trace.end_s[i] > to_s) continue;
    span.take(trace.speed[i]);
  }
  return span;
}

// A torque that stands for long while the speed goes up or down.
std::string stand_fault(const BenchRun& run) {
  const Readings& r = run.readings;
  const SpeedTrace& trace = r.motor;
  const double top = top_of(trace);
  const double least = std::max(kLongestStand_s, kStandRows * std::min(r.torque_interval_s, 0.2));
  for (std::size_t i = 0; i < r.torque.size();) {
    std::size_t next = i + 1;
    while (next < r.torque.size() && r.torque[next] == r.torque[i]) ++next;
    const bool to_the_end = next == r.torque.size();
    // Values that were taken for held ones are not there: the next is where that ended.
    const double until = to_the_end     ? trace.end_s.back()
                         : next > i + 1 ? r.time_s[next - 1]
                                        : r.time_s[next];
    const Span span = speeds_between(trace, r.time_s[i], until);
    if (until - r.time_s[i] > least && span.high - span.low > kMovedShare * top)
      return fmt::format(
          "the torque of run {} stands at {} from {:.1f} to {:.1f} s while the speed goes between "
          "{} and {}: the cell hangs, or its converter is at its end; look at the cell and repeat "
          "the run",
          r.run.id, in_nm(r.torque[i]), r.time_s[i], until, in_rpm(span.low), in_rpm(span.high));
    i = next;
  }
  return "";
}

// A converter at its end gives its greatest value again and again, at whatever speed.
constexpr std::size_t kFewAtEnd = 5;
std::string clip_fault(const BenchRun& run) {
  const Readings& r = run.readings;
  if (r.torque.empty() || r.motor.speed.empty()) return "";
  const double greatest = *std::max_element(r.torque.begin(), r.torque.end());
  const double top = top_of(r.motor);
  std::size_t count = 0;
  Span span;
  for (std::size_t i = 0; i < r.torque.size(); ++i) {
    if (r.torque[i] != greatest) continue;
    ++count;
    const SmoothSpeed::Value at = run.speed.at(r.time_s[i]);
    if (at.valid) span.take(at.speed);
  }
  const bool often = count >= kFewAtEnd && static_cast<double>(count) >
                                               kLeastAtEnd * static_cast<double>(r.torque.size());
  if (!often || !(span.high - span.low > kMovedShare * top)) return "";
  return fmt::format(
      "{} torques of run {} are {} exactly, at speeds from {} to {}: the cell or its converter is "
      "at its end; take a longer range or a shorter arm, and repeat the run",
      count, r.run.id, in_nm(greatest), in_rpm(span.low), in_rpm(span.high));
}

// A value of exactly nothing between two that are not is one that the cell did not give.
std::string dropout_fault(const BenchRun& run) {
  const std::vector<double>& torque = run.readings.torque;
  double greatest = 0;
  for (const double value : torque) greatest = std::max(greatest, std::fabs(value));
  std::size_t count = 0;
  for (std::size_t i = 1; i + 1 < torque.size(); ++i)
    if (torque[i] == 0 && std::fabs(torque[i - 1]) > kLoaded * greatest &&
        std::fabs(torque[i + 1]) > kLoaded * greatest)
      ++count;
  if (count < 3 || static_cast<double>(count) < kDroppedOut * static_cast<double>(torque.size()))
    return "";
  return fmt::format(
      "{} torques of run {} are exactly 0 between others that are not: its channel drops out; look "
      "at plugs and cable, and repeat the run",
      count, run.readings.run.id);
}

// Motor and brake together change the speed of what they turn by no more than their torques allow.
std::string jump_fault(const BenchRun& run) {
  const SpeedTrace& trace = run.readings.motor;
  if (!run.readings.run.inertia_kgm2 || trace.from_edges || trace.speed.empty()) return "";
  std::vector<double> torques = run.readings.torque;
  std::sort(torques.begin(), torques.end());
  const double greatest = torques.empty() ? 0 : torques[torques.size() * 49 / 50];
  const double top = top_of(trace);
  for (std::size_t i = 3; i + 4 < trace.speed.size(); ++i) {
    const double before = trace.speed[i], after = trace.speed[i + 1];
    const double push = *run.readings.run.inertia_kgm2 * std::fabs(after - before) /
                        (trace.middle_s(i + 1) - trace.middle_s(i));
    if (std::min(before, after) < 0.2 * top || push < kMostPush * greatest ||
        std::fabs(after - before) < kJump * before)
      continue;
    return fmt::format(
        "the speed of run {} jumps from {} to {} at {:.1f} s, quicker than its inertia allows: its "
        "tachometer lost pulses there or counted too many, or the inertia is wrong; look at it and "
        "repeat the run",
        run.readings.run.id, in_rpm(before), in_rpm(after), trace.middle_s(i));
  }
  return "";
}

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

// What drift and warming have to make of the second half against the first at the same speed. A
// winding that warms takes torque away, and not the better part of it.
constexpr double kLeastShared = 4;  // of the bins of speed
std::string halves_apart(const SweepFit& fit, std::size_t j, double greatest) {
  const Sweep& sweep = fit.sweeps[j];
  const int column = fit.problem->column_of(j);
  Eigen::VectorXd without = fit.solution.parameters;
  for (const auto which : {SweepProblem::kDrift, SweepProblem::kHeat, SweepProblem::kTimeHeat})
    without[column + which] = 0;
  const std::vector<double> with = fit.problem->plain_residuals(fit.solution.parameters, j);
  std::vector<double> made = fit.problem->plain_residuals(without, j);
  for (std::size_t i = 0; i < made.size(); ++i) made[i] -= with[i];
  double sum = 0, count = 0;
  for (const auto& [first, second] : left_over(sweep, made, fit.problem->noise[j].weight)) {
    if (first.count < 2 || second.count < 2) continue;
    sum += second.mean() - first.mean();
    count += 1;
  }
  // A run one way has hardly a speed in both halves; what it makes of that is no evidence.
  const double rise = count >= kLeastShared ? sum / count : 0;
  if (rise < kMostRise * greatest && rise > -kMostFall * greatest) return "";
  return fmt::format(
      "at the same speed the second half of run {} has {} % of its greatest torque {} than the "
      "first; a winding that warms takes a little torque away: look at cell, arm and supply, and "
      "repeat the run",
      sweep.run, significant(100 * std::fabs(rise) / greatest, 2), rise > 0 ? "more" : "less");
}

struct Nuisance {
  SweepProblem::Nuisance which;
  double most;
  const char* words;
};

std::string far_off(const SweepFit& fit, std::size_t j) {
  const Nuisance kOf[] = {
      {SweepProblem::kDrift, kFarOff, "its zero drifted"},
      {SweepProblem::kHeat, kTooWarm, "its winding warmed"},
      {SweepProblem::kTimeHeat, kTooWarm, "its winding warmed"},
      {SweepProblem::kWarm, kTooWarm, "its winding was warmer or colder than in the first run"}};
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

std::string misfit_of(const SweepFit& fit, std::size_t j, double greatest) {
  const Sweep& sweep = fit.sweeps[j];
  const SweepNoise& noise = fit.problem->noise[j];
  const std::vector<double> residuals = fit.problem->plain_residuals(fit.solution.parameters, j);
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
  const Structure left = structure_of(left_over(sweep, residuals, noise.weight), noise);
  const auto share = [&](double torque) { return significant(100 * torque / greatest, 2); };
  if (left.between_halves > kMisfit * greatest)
    return fmt::format(
        "the first and the second half of run {} disagree by {} % of its greatest torque at the "
        "same speed, more than lag, inertia, drift and warming make: look at cell, arm and supply, "
        "and repeat it",
        sweep.run, share(left.between_halves));
  if (left.over_speed > kMisfit * greatest)
    return fmt::format(
        "no motor equation follows run {}: {} % of its greatest torque are left over in a pattern "
        "over speed; look at its readings, or follow them with --model smooth",
        sweep.run, share(left.over_speed));
  if (std::string apart = halves_apart(fit, j, greatest); !apart.empty()) return apart;
  return far_off(fit, j);
}

std::string reading_fault(const BenchRun& run, const Sweep& sweep) {
  if (std::string stands = stand_fault(run); !stands.empty()) return stands;
  if (std::string clipped = clip_fault(run); !clipped.empty()) return clipped;
  if (std::string drops = dropout_fault(run); !drops.empty()) return drops;
  if (std::string rest = rest_fault(run); !rest.empty()) return rest;
  if (std::string jumps = jump_fault(run); !jumps.empty()) return jumps;
  return sign_fault(sweep);
}

}  // namespace

std::string reading_fault(const MotorBench& bench, const std::vector<Sweep>& sweeps) {
  for (std::size_t j = 0; j < bench.brake.size(); ++j)
    if (std::string fault = reading_fault(*bench.brake[j], sweeps[j]); !fault.empty()) return fault;
  return "";
}

std::string misfit(const SweepFit& fit) {
  const double greatest = sweep_scale(fit.sweeps).torque;
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j)
    if (std::string found = misfit_of(fit, j, greatest); !found.empty()) return found;
  return "";
}

}  // namespace loadline
