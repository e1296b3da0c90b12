// Brake runs in steps, brakes that chatter and tachometers that are late: files made of formulas,
// or of a shaft integrated here by Euler's method.
#include <doctest/doctest.h>

#include <cmath>
#include <functional>
#include <random>
#include <utility>

#include "fit/motors/motor_fit.h"
#include "fit/readings/speeds/speed.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"

using namespace loadline;

namespace {

/// Ts(1 − ω/ωn) against a brake that holds `levels` one after the other: between steps the speed
/// goes to its end as e^(−t/θ), θ = J·ωn/Ts. The cell gives the mean over `window_s` until now.
struct SteppedBench {
  double stall = 0.3, top = 900, inertia = 1e-4;
  double step_s = 3, window_s = 0.4, rows_hz = 20, noise = 0;
  int levels = 8;
  unsigned seed = 1;

  double level(int k) const { return 0.9 * stall * std::max(0, k) / (levels - 1); }
  double seconds() const { return step_s * levels; }
  double end_of(int k) const { return top * (1 - level(k) / stall); }
  double speed(double t) const {
    const double theta = inertia * top / stall;
    double w = top;
    int k = 0;
    for (; (k + 1) * step_s <= t && k + 1 < levels; ++k)
      w = end_of(k) + (w - end_of(k)) * std::exp(-step_s / theta);
    return end_of(k) + (w - end_of(k)) * std::exp(-(t - k * step_s) / theta);
  }
  double impulse(double t) const {  // ∫ of the brake's torque
    double sum = 0;
    for (int k = 0; k < levels; ++k)
      sum += level(k) * std::clamp(t - k * step_s, 0.0, k + 1 < levels ? step_s : 1e9);
    return sum;
  }
  std::vector<ImportedReading> rows() const {
    std::mt19937 random(seed);
    std::normal_distribution<double> normal;
    std::vector<ImportedReading> rows;
    for (double t = window_s + 1 / rows_hz; t < seconds(); t += 1 / rows_hz) {
      ImportedReading row;
      row.time_s = t;
      row.motor_rpm = speed(t) * tests::kRpm * (1 + 2e-4 * normal(random));
      row.torque_nm =
          (impulse(t) - impulse(t - window_s)) / window_s + noise * stall * normal(random);
      rows.push_back(row);
    }
    return rows;
  }
};

MotorFit fit_rows(const std::vector<ImportedReading>& rows, double inertia) {
  tests::ScratchBook scratch;
  const Part part = tests::add_part(scratch.book(), PartKind::kMotor, "M");
  Run run;
  run.kind = RunKind::kBrake;
  run.motor = part.id;
  run.inertia_kgm2 = inertia;
  tests::store(scratch.book(), run, rows);
  return fit_motor(scratch.book(), part);
}

bool holds(const Estimate& estimate, double truth) {
  return estimate.low && estimate.high && *estimate.low <= truth && truth <= *estimate.high;
}

}  // namespace

TEST_CASE("steps with a slow cell: neither the cell's window nor the shaft's settling bends them") {
  constexpr int kRuns = 12;
  std::mt19937 random(77);
  const auto between = [&](double low, double high) {
    return std::uniform_real_distribution<double>(low, high)(random);
  };
  int stall_held = 0, top_held = 0;
  double error = 0;
  for (int i = 0; i < kRuns; ++i) {
    CAPTURE(i);
    SteppedBench bench;
    bench.stall = between(0.1, 0.5);
    bench.top = between(700, 1400);
    bench.inertia = between(4e-5, 1.5e-4);
    bench.step_s = between(2, 6);
    bench.levels = i % 2 == 0 ? 8 : 11;
    bench.noise = between(0.001, 0.003);
    bench.seed = static_cast<unsigned>(i + 1);
    const MotorFit fit = fit_rows(bench.rows(), bench.inertia);
    REQUIRE(fit.stall_torque.value);
    error += std::fabs(*fit.stall_torque.value / bench.stall - 1) / kRuns;
    stall_held += holds(fit.stall_torque, bench.stall) ? 1 : 0;
    top_held += holds(fit.no_load_speed, bench.top * tests::kRpm) ? 1 : 0;
  }
  // At 95 % fewer than 9 of 12 happen in 0.02 % of cases.
  CHECK(stall_held >= 9);
  CHECK(top_held >= 9);
  CHECK(error < 0.025);
}

// A kitchen scale and a display, filmed: the scale smooths over `smooth_s` and shows a new figure
// every 0.4 s, the display the mean of the last half second, and both are read twice a second. Of
// each step everything is known, of the way to the next nothing that could be relied on.
std::vector<ImportedReading> filmed_steps(const std::function<double(double)>& torque, double top,
                                          double smooth_s, unsigned seed) {
  constexpr double kStep = 0.01, kStepSeconds = 5, kSettles = 0.3;
  constexpr int kLevels = 9;
  std::mt19937 random(seed);
  std::normal_distribution<double> normal;
  std::vector<ImportedReading> rows;
  double w = 0.97 * top, scale = torque(w), shown = scale, angle = 0, display = w;
  for (int i = 0; i < static_cast<int>(kLevels * kStepSeconds / kStep); ++i) {
    const int level = static_cast<int>(i * kStep / kStepSeconds);
    w += kStep / kSettles * (top * (0.97 - 0.9 * level / (kLevels - 1)) - w);
    scale += kStep / smooth_s * (torque(w) - scale);
    angle += w * kStep;
    if (i % 40 == 7) shown = scale + 5e-4 * normal(random);
    if (i % 50 == 23) display = std::exchange(angle, 0) / 0.5;
    if (i < 100 || i % 50 != 0) continue;
    ImportedReading row;
    row.time_s = i * kStep;
    row.motor_rpm = std::round(display * tests::kRpm * (1 + 3e-4 * normal(random)));
    row.torque_nm = shown;
    rows.push_back(row);
  }
  return rows;
}

TEST_CASE("steps by instruments that smooth and renew: the ways between them are left out") {
  constexpr int kRuns = 10;
  std::mt19937 random(41);
  const auto between = [&](double low, double high) {
    return std::uniform_real_distribution<double>(low, high)(random);
  };
  int stall_held = 0, power_held = 0;
  double error = 0;
  for (int i = 0; i < kRuns; ++i) {
    CAPTURE(i);
    // A series motor (any machines text), with a bearing's friction.
    const double stall = between(0.2, 0.5), top = between(800, 1200);
    const double w0 = top * between(0.2, 0.3), wx = w0 * between(0.4, 1);
    const auto circuit = [&](double w) { return 1 / ((w + w0) * (w + w0) + wx * wx); };
    const auto torque = [&](double w) {
      return stall * (circuit(w) - circuit(top)) / (circuit(0) - circuit(top));
    };
    double peak = 0;
    for (double w = 0; w < top; ++w) peak = std::max(peak, w * torque(w));
    const MotorFit fit =
        fit_rows(filmed_steps(torque, top, between(0.3, 0.6), static_cast<unsigned>(i + 1)), 5e-5);
    REQUIRE(fit.stall_torque.value);
    error += std::fabs(*fit.stall_torque.value / stall - 1) / kRuns;
    stall_held += holds(fit.stall_torque, stall) ? 1 : 0;
    power_held += holds(fit.peak_power, peak) ? 1 : 0;
  }
  // At 95 % fewer than 8 of 10 happen in 1 % of cases.
  CHECK(stall_held >= 8);
  CHECK(power_held >= 8);
  CHECK(error < 0.03);
}

TEST_CASE("readings that repeat exactly within a step were true, not stale") {
  // 1 N·m and 10,000 rpm, twenty levels, a row every tenth of a second, no noise at all.
  std::vector<ImportedReading> rows;
  for (int k = 0; k < 20; ++k)
    for (int i = 0; i < 10; ++i) {
      ImportedReading row;
      row.time_s = 0.1 * static_cast<double>(rows.size() + 1);
      row.torque_nm = 0.045 * k;
      row.motor_rpm = 10000 * (1 - row.torque_nm);
      rows.push_back(row);
    }
  const MotorFit fit = fit_rows(rows, 1e-9);
  REQUIRE(fit.stall_torque.value);
  CHECK(std::fabs(*fit.stall_torque.value - 1) < 0.005);
  CHECK(std::fabs(*fit.no_load_speed.value - 10000) < 20);
}

TEST_CASE("magnets that warm: the loss of flux is no drift of the zero") {
  // T = f·Ts(1 − f·ω/ωn), f falling by 8 % from the run's start to its end, as ferrite does that
  // warms by 40 K; every row is steady. The curve is that of the middle of the run.
  const double stall = 1.2, top = 450, seconds = 32;
  constexpr int kLevels = 8;
  std::mt19937 random(5);
  std::normal_distribution<double> normal;
  std::vector<ImportedReading> rows;
  for (double t = 0.05; t < seconds; t += 0.05) {
    const int level = static_cast<int>(t / seconds * kLevels);
    const double f = 1 - 0.08 * (t / seconds - 0.5), torque = 0.75 * stall * level / (kLevels - 1);
    ImportedReading row;
    row.time_s = t;
    row.motor_rpm =
        top / f * (1 - torque / (f * stall)) * tests::kRpm * (1 + 3e-4 * normal(random));
    row.torque_nm = torque + 0.002 * stall * normal(random);
    rows.push_back(row);
  }
  const MotorFit fit = fit_rows(rows, 1e-9);
  CHECK(fit.not_described == "");
  CHECK(holds(fit.stall_torque, stall));
  CHECK(holds(fit.no_load_speed, top * tests::kRpm));
  CHECK(holds(fit.peak_power, stall * top / 4));
}

TEST_CASE("a brake that chatters against a slow cell gives no lag that cancels it") {
  // T = Ts(1 − ω/ωn), the brake goes up and down in a straight line and chatters besides; the cell
  // takes means over 0.4 s, the tachometer none to speak of.
  constexpr int kRuns = 8;
  int held = 0;
  for (int i = 0; i < kRuns; ++i) {
    CAPTURE(i);
    const double stall = 0.3, top = 1000, inertia = 2e-4, seconds = 30 + 3 * i, dt = 1e-3;
    tests::RememberingNoise chatter(0.02 * stall, std::exp(-dt / 0.1),
                                    static_cast<unsigned>(i + 1));
    std::mt19937 random(static_cast<unsigned>(100 + i));
    std::normal_distribution<double> normal;
    std::vector<double> impulse{0}, angle{0};
    double w = top;
    for (double t = 0; t < seconds; t += dt) {
      const double asked = 0.85 * stall * (1 - std::fabs(2 * t / seconds - 1));
      const double brake = std::max(0.0, asked + chatter());
      w += dt * (stall * (1 - w / top) - brake) / inertia;
      impulse.push_back(impulse.back() + brake * dt);
      angle.push_back(angle.back() + w * dt);
    }
    std::vector<ImportedReading> rows;
    for (std::size_t at = 500; at < angle.size(); at += 20) {
      ImportedReading row;
      row.time_s = static_cast<double>(at) * dt;
      row.motor_rpm = (angle[at] - angle[at - 20]) / (20 * dt) * tests::kRpm;
      row.torque_nm = (impulse[at] - impulse[at - 400]) / 0.4 + 1e-3 * stall * normal(random);
      rows.push_back(row);
    }
    const MotorFit fit = fit_rows(rows, inertia);
    REQUIRE(fit.findings.size() == 1);
    CHECK(*fit.findings[0].lag_ms.value > 100);  // 200 ms less half a row
    CHECK(*fit.findings[0].lag_ms.value < 300);
    held += holds(fit.peak_power, stall * top / 4) && holds(fit.stall_torque, stall) ? 1 : 0;
  }
  CHECK(held >= 6);
}

TEST_CASE("a display a quarter of a second late is found in the difference of down and up") {
  tests::BrakeBench bench;
  bench.torque = [](double w) { return 0.3 * (1 - w / 900); };
  bench.top = 860;
  bench.seconds = 20;
  bench.rows_hz = 20;
  bench.noise = 0.001;
  bench.lag_s = -0.25;  // of the torque against the speed
  const MotorFit fit = fit_rows(bench.rows(), bench.inertia);
  CHECK(holds(fit.stall_torque, 0.3));
  CHECK(holds(fit.peak_power, 0.3 * 900 / 4));
  // A row's speed is taken for the mean since the row before, here it was the speed at the row.
  const double half_row_ms = 500 / bench.rows_hz;
  CHECK(*fit.findings.front().lag_ms.low < -250);
  CHECK(*fit.findings.front().lag_ms.high > -250 - 2 * half_row_ms);
}

TEST_CASE("speeds that a lost pulse made are left out, with a count") {
  tests::BrakeBench bench;
  bench.torque = [](double w) { return 0.3 * (1 - w / 900); };
  bench.top = 860;
  bench.rows_hz = 20;
  bench.noise = 0.001;
  std::vector<ImportedReading> rows = bench.rows();
  for (std::size_t i = 15; i < rows.size(); i += 30) rows[i].motor_rpm *= 2.0 / 3;
  const MotorFit fit = fit_rows(rows, bench.inertia);
  CHECK(holds(fit.peak_power, 0.3 * 900 / 4));
  CHECK(std::fabs(*fit.peak_power.value / (0.3 * 900 / 4) - 1) < 0.02);
  const bool counted =
      std::any_of(fit.warnings.begin(), fit.warnings.end(), [](const std::string& warning) {
        return warning.find("of the speeds were left out") != std::string::npos;
      });
  CHECK(counted);
}

TEST_CASE("a spike is dropped, a step and a turn are not") {
  SpeedTrace trace;
  for (int i = 0; i < 60; ++i) {
    trace.start_s.push_back(0.1 * i);
    trace.end_s.push_back(0.1 * (i + 1));
    trace.speed.push_back(i < 20 ? 500 : (i < 40 ? 400 : 400 + 5 * std::abs(i - 50)));
  }
  CHECK(drop_spikes(trace) == 0);
  trace.speed[30] = 300;
  trace.speed[31] = 267;
  trace.speed[46] *= 1.5;
  CHECK(drop_spikes(trace) == 3);
  CHECK(trace.speed.size() == 57);
}

TEST_CASE("on a slope, a value that scatters like all others is no spike") {
  std::mt19937 random(3);
  std::normal_distribution<double> normal;
  for (int run = 0; run < 10; ++run) {
    SpeedTrace trace;
    for (int i = 0; i < 900; ++i) {
      trace.start_s.push_back(0.1 * i);
      trace.end_s.push_back(0.1 * (i + 1));
      trace.speed.push_back(490 + 415 * std::cos(0.021 * i) + 2 * normal(random));
    }
    CHECK(drop_spikes(trace) == 0);
    trace.speed[225] *= 2;
    CHECK(drop_spikes(trace) == 1);
  }
}
