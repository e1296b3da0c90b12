// Load cell, converter and tachometers: that they lie in exactly the way that is said of them.
#include "firmware-protocol/simrig/sensors.h"

#include <doctest/doctest.h>

#include <cmath>
#include <functional>
#include <numbers>

namespace loadline::simrig {
namespace {

constexpr double kStep = 1e-4;

CellSpec quiet_cell() {
  CellSpec cell;
  cell.noise_counts = 0.0;
  cell.zero_counts = 1000.0;
  cell.counts_per_n = 100000.0;
  cell.arm_mm = 100.0;
  return cell;
}

/// Times and counts of the conversions while the arm feels torque(t).
std::vector<std::pair<double, double>> convert(const CellSpec& spec, double seconds,
                                               const std::function<double(double)>& torque) {
  LoadCell cell(spec, 1);
  std::vector<std::pair<double, double>> out;
  for (int n = 0; n * kStep < seconds; ++n) {
    const double t0 = n * kStep;
    double after = 0.0;
    while (cell.due(kStep, &after))
      out.emplace_back(t0 + after, cell.convert(torque(t0), torque(t0 + kStep), kStep, after, 0.0));
    cell.pass(torque(t0), torque(t0 + kStep), kStep);
  }
  return out;
}

}  // namespace

TEST_CASE("a steady torque reads slope times force once four periods have passed") {
  for (const double rate : {10.0, 80.0}) {
    CellSpec spec = quiet_cell();
    spec.converter_hz = rate;
    for (const auto& [t, counts] : convert(spec, 1.0, [](double) { return 0.05; })) {
      if (t > 4.0 / rate + 1e-3)
        CHECK(counts == doctest::Approx(1000.0 + 100000.0 * 0.5).epsilon(1e-5));
      if (t < 3.9 / rate) CHECK(counts < 51000.0 - 10.0);  // settling takes all of the four
    }
  }
}

// A linear filter with delay d answers a ramp by the same ramp d later. The 24-bit bridge
// converters of this trade settle in four conversions (data sheet), a delay of two.
TEST_CASE("a ramp is read two periods late, plus the lag of the arm") {
  for (const double lag : {0.0, 0.015}) {
    CellSpec spec = quiet_cell();
    spec.lag_s = lag;
    const double delay = 2.0 / 80.0 + lag;
    CHECK(LoadCell(spec, 1).delay_s() == doctest::Approx(delay));
    for (const auto& [t, counts] : convert(spec, 2.0, [](double s) { return 0.1 * s; }))
      if (t > 0.5) CHECK(counts == doctest::Approx(1000.0 + 100000.0 * (t - delay)).epsilon(1e-4));
  }
}

TEST_CASE("a torque at the conversion rate is filtered out altogether") {
  // Moving averages over two periods have their first zero at half the conversion rate.
  for (const double hz : {40.0, 80.0})
    for (const auto& [t, counts] : convert(quiet_cell(), 1.0, [&](double s) {
           return 0.05 + 0.05 * std::sin(2.0 * std::numbers::pi * hz * s);
         }))
      if (t > 0.1) CHECK(counts == doctest::Approx(51000.0).epsilon(1e-3));
}

TEST_CASE("noise has the size and the memory that the scenario gives it") {
  CellSpec spec = quiet_cell();
  spec.noise_counts = 40.0;
  spec.slow_noise_counts = 100.0;
  spec.slow_noise_s = 0.25;
  const auto readings = convert(spec, 400.0, [](double) { return 0.0; });
  double mean = 0.0, square = 0.0, lagged = 0.0;
  const std::size_t n = readings.size(), shift = 20;  // 20 conversions = 0.25 s
  for (const auto& r : readings) mean += r.second / static_cast<double>(n);
  for (std::size_t k = 0; k + shift < n; ++k) {
    square += std::pow(readings[k].second - mean, 2) / static_cast<double>(n - shift);
    lagged += (readings[k].second - mean) * (readings[k + shift].second - mean) /
              static_cast<double>(n - shift);
  }
  CHECK(std::sqrt(square) == doctest::Approx(std::hypot(40.0, 100.0)).epsilon(0.08));
  CHECK(lagged == doctest::Approx(100.0 * 100.0 / std::numbers::e).epsilon(0.2));
}

TEST_CASE("zero drift and creep grow as told") {
  CellSpec spec = quiet_cell();
  spec.drift_counts_per_min = 600.0;
  CHECK(convert(spec, 30.0, [](double) { return 0.0; }).back().second ==
        doctest::Approx(1300.0).epsilon(2e-3));
  spec.drift_counts_per_min = 0.0;
  spec.creep = 0.01;
  spec.creep_s = 5.0;
  CHECK(convert(spec, 5.0, [](double) { return 0.05; }).back().second ==
        doctest::Approx(1000.0 + 50000.0 * (1.0 + 0.01 * (1.0 - std::exp(-1.0)))).epsilon(1e-4));
}

TEST_CASE("counts stop at 24 bits") {
  CHECK(convert(quiet_cell(), 0.2, [](double) { return 100.0; }).back().second == 8388607.0);
  CHECK(convert(quiet_cell(), 0.2, [](double) { return -100.0; }).back().second == -8388608.0);
}

TEST_CASE("edges of an even disc come at the exact times of a uniform acceleration") {
  TachSpec spec;
  spec.pulses = 8;
  Tachometer tach(spec, 1, 20);
  const double alpha = 40.0;
  std::vector<double> edges, some;
  for (int n = 0; n < 20000; ++n) {
    const double t0 = n * kStep, t1 = t0 + kStep;
    tach.pass(0.5 * alpha * t0 * t0, 0.5 * alpha * t1 * t1, alpha * t0, alpha * t1, t0, kStep);
    tach.take_until(t1, some);
    edges.insert(edges.end(), some.begin(), some.end());
  }
  REQUIRE(edges.size() == 102);  // 80 rad is 12.73 turns: 12·8 + 6
  for (std::size_t n = 0; n < edges.size(); ++n) {
    const double angle = 2.0 * std::numbers::pi * (static_cast<double>(n) + 0.5) / 8.0;
    CHECK(edges[n] == doctest::Approx(std::sqrt(2.0 * angle / alpha)).epsilon(1e-9));
  }
}

TEST_CASE("an uneven disc spoils single intervals and leaves whole turns exact") {
  TachSpec spec;
  spec.pulses = 6;
  spec.uneven = 0.05;
  Tachometer tach(spec, 7, 20);
  const double speed = 500.0;
  std::vector<double> edges, some;
  for (int n = 0; n < 10000; ++n) {
    const double t0 = n * kStep;
    tach.pass(speed * t0, speed * (t0 + kStep), speed, speed, t0, kStep);
    tach.take_until(t0 + kStep, some);
    edges.insert(edges.end(), some.begin(), some.end());
  }
  double worst = 0.0;
  const double slot = 2.0 * std::numbers::pi / 6.0 / speed;
  for (std::size_t n = 6; n < edges.size(); ++n) {
    CHECK(edges[n] - edges[n - 6] == doctest::Approx(6.0 * slot).epsilon(1e-9));
    worst = std::max(worst, std::abs(edges[n] - edges[n - 1] - slot) / slot);
  }
  CHECK(worst > 0.02);
}

}  // namespace loadline::simrig
