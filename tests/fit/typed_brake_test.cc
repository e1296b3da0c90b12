// A notebook of points against a brake: torque from a spring balance, speed from a hand tachometer,
// no times. The motor is a straight line, 1 N·m at standstill and 10,000 rpm without load, or one
// bent by a fan, or a series motor by its circuit.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <random>

#include "fit/motors/motor_fit.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"

using namespace loadline;

namespace {

constexpr double kStall = 1.0, kFree = 10000;

// How a notebook is written: its points, what they scatter by and whether that stands beside them.
struct Notebook {
  int points;
  double torque_sd;      // N·m
  double speed_sd;       // relative
  double lowest = 0.15;  // over kFree
  bool stated = false;
  std::string model = "permanent-magnet";
};

MotorFit fit_points(const Notebook& book, unsigned seed,
                    const std::function<double(double)>& torque) {
  std::mt19937 random(seed);
  std::normal_distribution<double> normal;
  tests::ScratchBook scratch;
  const Part motor = tests::add_part(scratch.book(), PartKind::kMotor, "M");
  Run run;
  run.kind = RunKind::kBrake;
  run.steady = true;
  run.motor = motor.id;
  run.supply_v = 230;
  std::vector<ImportedReading> rows;
  for (int i = 0; i < book.points; ++i) {
    const double rpm = kFree * (0.98 - (0.98 - book.lowest) * i / (book.points - 1));
    ImportedReading row;
    row.time_s = i + 1;
    row.motor_rpm = std::round(rpm * (1 + book.speed_sd * normal(random)));
    row.torque_nm =
        std::round((torque(rpm / kFree) + book.torque_sd * normal(random)) * 1000) / 1000;
    if (book.stated) {
      row.motor_rpm_sd = rpm * book.speed_sd;
      row.torque_nm_sd = book.torque_sd;
    }
    rows.push_back(row);
  }
  tests::store(scratch.book(), run, rows);
  MotorFitOptions options;
  options.model = book.model;
  return fit_motor(scratch.book(), motor, options);
}

double line(double u) { return kStall * (1 - u); }

double half_width(const Estimate& estimate) { return (*estimate.high - *estimate.low) / 2; }

double median(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

bool holds(const Estimate& estimate, double truth) {
  return *estimate.low <= truth && truth <= *estimate.high;
}

}  // namespace

TEST_CASE("eight points typed from a notebook give a curve that holds the truth") {
  int held_stall = 0, held_free = 0;
  std::vector<double> widths;
  constexpr int kNotebooks = 40;
  for (unsigned seed = 1; seed <= kNotebooks; ++seed) {
    const MotorFit fit = fit_points({8, 0.005, 0.002}, seed, line);
    CAPTURE(seed);
    REQUIRE(fit.stall_torque.low.has_value());
    REQUIRE(fit.no_load_speed.low.has_value());
    held_stall += holds(fit.stall_torque, kStall);
    held_free += holds(fit.no_load_speed, kFree);
    widths.push_back(half_width(fit.stall_torque));
  }
  // With a coverage of 95 % fewer than 34 of 40 hold the truth in 0.3 % of cases (binomial).
  CHECK(held_stall >= 34);
  CHECK(held_free >= 34);
  // Ordinary least squares, by hand: eight points spread evenly over 0.83 of the line, 0.005 N·m
  // each and 0.2 % of the speed, which is 0.0011 N·m in the mean of squares, told at standstill
  // 0.565 from their mean: 0.0051·√(1/8 + 0.565²/0.59), times t(0.975; 6) = 2.447: 0.0102 N·m.
  CHECK(median(widths) < 1.5 * 0.0102);
}

TEST_CASE("stated uncertainties give the limits of the plain weighted fit, and little more") {
  std::vector<double> stall, free;
  int held = 0;
  constexpr int kNotebooks = 24, kPoints = 14;
  for (unsigned seed = 101; seed < 101 + kNotebooks; ++seed) {
    const MotorFit fit = fit_points({kPoints, 0.005, 0.002, 0.1, true}, seed, line);
    CAPTURE(seed);
    stall.push_back(half_width(fit.stall_torque));
    free.push_back(half_width(fit.no_load_speed));
    held += holds(fit.stall_torque, kStall) + holds(fit.no_load_speed, kFree);
  }
  // Of T = a + b·u with weights 1/s², s² = 0.005² + (0.002·u)² N²·m²: normal equations.
  double w = 0, wu = 0, wuu = 0;
  for (int i = 0; i < kPoints; ++i) {
    const double u = 0.98 - 0.88 * i / (kPoints - 1);
    const double weight = 1 / (0.005 * 0.005 + 0.002 * 0.002 * u * u);
    w += weight;
    wu += weight * u;
    wuu += weight * u * u;
  }
  const double determinant = w * wuu - wu * wu;
  const double stall_sd = std::sqrt(wuu / determinant);
  // ωₙ = −a/b: by a + b = 0 at the truth, its share is (da + db)/kStall.
  const double free_sd = kFree * std::sqrt((wuu + w - 2 * wu) / determinant);
  CHECK(median(stall) < 1.5 * 1.96 * stall_sd);
  CHECK(median(free) < 1.5 * 1.96 * free_sd);
  CHECK(held >= 40);  // of 48: fewer in 0.3 % of cases, were all independent (binomial)
}

TEST_CASE("a line that a fan and the armature bend is held, by limits that say so") {
  int held = 0, counted = 0;
  std::vector<double> bent_widths, widths;
  for (unsigned seed = 201; seed < 213; ++seed) {
    CAPTURE(seed);
    // Quasi-quadratic drag of the fan: 6 % of the standstill torque at top speed.
    const auto bent = [](double u) { return kStall * (1 - u) - 0.06 * u * u; };
    const double free = (std::sqrt(1 + 4 * 0.06) - 1) / (2 * 0.06) * kFree;
    const MotorFit fit = fit_points({14, 0.002, 0.001, 0.15, true}, seed, bent);
    const MotorFit straight = fit_points({14, 0.002, 0.001, 0.15, true}, seed, line);
    held += holds(fit.stall_torque, kStall) + holds(fit.no_load_speed, free);
    counted += 2;
    bent_widths.push_back(half_width(fit.stall_torque));
    widths.push_back(half_width(straight.stall_torque));
  }
  CHECK(held >= counted - 4);
  CHECK(median(bent_widths) > 1.5 * median(widths));
}

TEST_CASE("a series motor's standstill torque is not told from above its corner") {
  // T = T₀/(1 + ω/ω₀)² of the circuit without reactance (design formula of any machines text), ω₀
  // 0.3 of the free speed, less friction. Its power is greatest near ω₀.
  const auto series = [](double u) { return 0.5 / std::pow(1 + u / 0.3, 2) - 0.02 * u; };
  Notebook notebook{14, 0.002, 0.002, 0.05, true, "series"};
  const MotorFit low = fit_points(notebook, 1, series);
  REQUIRE(low.stall_torque.value.has_value());
  CHECK(holds(low.stall_torque, 0.5));
  notebook.lowest = 0.4;
  const MotorFit high = fit_points(notebook, 1, series);
  CHECK_FALSE(high.stall_torque.value.has_value());
  CHECK(high.peak_power.value.has_value());
}

TEST_CASE("points without any scatter are not taken for old values") {
  const MotorFit fit = fit_points({20, 0, 0}, 1, line);
  CHECK(*fit.stall_torque.value == doctest::Approx(kStall).epsilon(0.005));
  CHECK(*fit.no_load_speed.value == doctest::Approx(kFree).epsilon(0.005));
}
