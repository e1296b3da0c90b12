#include "fit/motor_runs/bench_faults.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>

#include "db/basis/estimate.h"
#include "db/basis/units.h"
#include "fit/brake_runs/sweeps/brake_constants.h"
#include "fit/readings/noise/noise.h"

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
std::string in_rpm(double speed) { return rpm_text(speed) + " rpm"; }

double top_of(const SpeedTrace& trace) {
  double top = 0;
  for (const double speed : trace.speed) top = std::max(top, speed);
  return top;
}

std::string sign_fault(const Sweep& sweep) {
  std::vector<SweepRow> rows = sweep.rows;
  double greatest = 0;
  std::size_t below = 0;
  for (const SweepRow& row : rows) greatest = std::max(greatest, std::fabs(row.torque));
  for (const SweepRow& row : rows) below += row.torque < -kNegative * greatest ? 1 : 0;
  if (2 * below > rows.size())
    return fmt::format(
        "the torque of run {} is below zero in most readings: look at the sign of the cell, or at "
        "its zero",
        sweep.run);
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

// Median of the torques read from `from_s` to `to_s`; nothing where there are too few.
std::optional<double> torque_between(const Readings& readings, double from_s, double to_s) {
  const std::vector<double>& time = readings.time_s;
  const auto first = std::lower_bound(time.begin(), time.end(), from_s);
  const auto last = std::upper_bound(first, time.end(), to_s);
  if (last - first < 3) return std::nullopt;
  const auto torque = readings.torque.begin();
  return median({torque + (first - time.begin()), torque + (last - time.begin())});
}

Span of_values(const std::vector<double>& values, std::size_t from, std::size_t count) {
  Span span;
  for (std::size_t i = from; i < from + count; ++i) span.take(values[i]);
  return span;
}

// Whatever turns with the shaft, a brake that halves its speed holds more than before. Where the
// speed is half, or twice, of what it was from one value to the next and stays so, and the torque
// stays as it was, it is the tachometer that changed.
constexpr std::size_t kBesideHalving = 5;  // values either way
std::string halved_fault(const BenchRun& run) {
  const SpeedTrace& trace = run.readings.motor;
  const std::size_t n = kBesideHalving;
  if (trace.from_edges || trace.speed.size() < 4 * n || run.readings.torque.empty()) return "";
  const double top = top_of(trace);
  const double greatest = *std::max_element(run.readings.torque.begin(), run.readings.torque.end());
  for (std::size_t i = n; i + n < trace.speed.size(); ++i) {
    const double before = trace.speed[i - 1], after = trace.speed[i];
    const double jump = std::fabs(after - before);
    if (std::max(before, after) < kFastHalving * top ||
        std::fabs(std::max(before, after) - 2 * std::min(before, after)) > kNearHalf * jump)
      continue;
    const Span earlier = of_values(trace.speed, i - n, n), later = of_values(trace.speed, i, n);
    if (std::max(earlier.high - earlier.low, later.high - later.low) > kStandsBeside * jump)
      continue;
    const auto read = torque_between(run.readings, trace.start_s[i - n], trace.end_s[i - 1]),
               next = torque_between(run.readings, trace.start_s[i], trace.end_s[i + n - 1]);
    if (!read || !next || std::fabs(*next - *read) > kSameTorque * greatest) continue;
    return fmt::format(
        "the speed of run {} goes from {} to {} at {:.1f} s, from one value to the next, while its "
        "torque stays: from there on the tachometer counts {} pulse; look at it and repeat the run",
        run.readings.run.id, in_rpm(before), in_rpm(after), trace.middle_s(i),
        after < before ? "only every other" : "every");
  }
  return "";
}

std::string reading_fault(const BenchRun& run, const Sweep& sweep) {
  if (std::string stands = stand_fault(run); !stands.empty()) return stands;
  if (std::string clipped = clip_fault(run); !clipped.empty()) return clipped;
  if (std::string drops = dropout_fault(run); !drops.empty()) return drops;
  if (std::string rest = rest_fault(run); !rest.empty()) return rest;
  if (std::string jumps = jump_fault(run); !jumps.empty()) return jumps;
  if (std::string halved = halved_fault(run); !halved.empty()) return halved;
  return sign_fault(sweep);
}

}  // namespace

std::string reading_fault(const MotorBench& bench, const std::vector<Sweep>& sweeps) {
  for (std::size_t j = 0; j < bench.brake.size(); ++j)
    if (std::string fault = reading_fault(*bench.brake[j], sweeps[j]); !fault.empty()) return fault;
  return "";
}

}  // namespace loadline
