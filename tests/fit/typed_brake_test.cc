// A notebook of points against a brake: torque from a spring balance, speed from a hand tachometer,
// no times. The motor is a straight line, 1 N·m at standstill and 10,000 rpm without load, or one
// bent by a fan, or a series motor by its circuit.
#include <doctest/doctest.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <functional>
#include <random>
#include <utility>
#include <vector>

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
  std::string model = "permanent-magnet";  // "": chosen by the fit
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
  if (!book.model.empty()) options.model = book.model;
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

// Half widths of a line's standstill torque and speed without load by weighted least squares: of
// T = a + b·u with weights 1/s², s² = torque_sd² + (speed_sd·u)², normal equations.
std::pair<double, double> plain_of_line(const Notebook& book) {
  double w = 0, wu = 0, wuu = 0;
  for (int i = 0; i < book.points; ++i) {
    const double u = 0.98 - (0.98 - book.lowest) * i / (book.points - 1);
    const double weight = 1 / (std::pow(book.torque_sd, 2) + std::pow(book.speed_sd * u, 2));
    w += weight;
    wu += weight * u;
    wuu += weight * u * u;
  }
  const double determinant = w * wuu - wu * wu;
  // ωₙ = −a/b: by a + b = 0 at the truth, its share is (da + db)/kStall.
  return {1.96 * std::sqrt(wuu / determinant),
          1.96 * kFree * std::sqrt((wuu + w - 2 * wu) / determinant)};
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
  const auto [plain_stall, plain_free] = plain_of_line({kPoints, 0.005, 0.002, 0.1});
  CHECK(median(stall) < 1.5 * plain_stall);
  CHECK(median(free) < 1.5 * plain_free);
  CHECK(held >= 40);  // of 48: fewer in 0.3 % of cases, were all independent (binomial)
}

TEST_CASE("a line that a fan and the armature bend is held, by limits that say so") {
  int held = 0, counted = 0;
  std::vector<double> widths;
  const Notebook notebook{14, 0.002, 0.001, 0.15, true};
  for (unsigned seed = 201; seed < 213; ++seed) {
    CAPTURE(seed);
    // Quasi-quadratic drag of the fan: 6 % of the standstill torque at top speed.
    const auto bent = [](double u) { return kStall * (1 - u) - 0.06 * u * u; };
    const double free = (std::sqrt(1 + 4 * 0.06) - 1) / (2 * 0.06) * kFree;
    const MotorFit fit = fit_points(notebook, seed, bent);
    held += holds(fit.stall_torque, kStall) + holds(fit.no_load_speed, free);
    counted += 2;
    widths.push_back(half_width(fit.stall_torque));
  }
  CHECK(held >= counted - 4);
  CHECK(median(widths) > 1.5 * plain_of_line(notebook).first);
}

TEST_CASE("a line that the armature bends far is an answer still") {
  // T = Ts(1 − u)/(1 − αu)² with α a quarter of the flux (any machines text): no straight line
  // comes nearer to it than some per cent of Ts everywhere.
  const auto bent = [](double u) { return kStall * (1 - u) / std::pow(1 - 0.25 * u, 2); };
  int held = 0;
  for (unsigned seed = 601; seed < 607; ++seed) {
    CAPTURE(seed);
    const MotorFit fit = fit_points({14, 0.004, 0.002, 0.08, false}, seed, bent);
    CHECK(fit.not_described == "");
    held += holds(fit.stall_torque, kStall) + holds(fit.no_load_speed, kFree);
  }
  CHECK(held >= 9);  // of 12: fewer in 0.02 % of cases, were all independent (binomial)
}

// Kloss: 2Tb/(s/s_b + s_b/s), s = 1 − u/u_s, p = Tb, s_b, u_s.
double kloss(const Eigen::Vector3d& p, double u) {
  const double s = 1 - u / p[2];
  return 2 * p[0] * s * p[1] / (s * s + p[1] * p[1]);
}

// Half widths of standstill torque and speed without load by the plain weighted fit of Kloss'
// equation to these points: normal equations at the truth, derivatives by differences.
std::pair<double, double> plain_half_widths(const Notebook& book, const Eigen::Vector3d& p) {
  const auto by_p = [&](double u) {
    Eigen::Vector3d by;
    for (int k = 0; k < 3; ++k) {
      const Eigen::Vector3d step = 1e-6 * Eigen::Vector3d::Unit(k);
      by[k] = (kloss(p + step, u) - kloss(p - step, u)) / 2e-6;
    }
    return by;
  };
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  for (int i = 0; i < book.points; ++i) {
    const double u = 0.98 - (0.98 - book.lowest) * i / (book.points - 1);
    const double slope = (kloss(p, u + 1e-6) - kloss(p, u - 1e-6)) / 2e-6;
    const double variance = std::pow(book.torque_sd, 2) + std::pow(slope * book.speed_sd * u, 2);
    normal += by_p(u) * by_p(u).transpose() / variance;
  }
  const Eigen::Matrix3d covariance = normal.inverse();
  return {1.96 * std::sqrt(by_p(0).dot(covariance * by_p(0))),
          1.96 * kFree * std::sqrt(covariance(2, 2))};
}

TEST_CASE("of an induction motor, too, points say how far its equation may be wrong") {
  const Eigen::Vector3d motor(0.5, 0.3, 1);
  Notebook notebook{14, 0.003, 0.001, 0.05, true, "induction"};
  const auto [plain_stall, plain_free] = plain_half_widths(notebook, motor);
  const auto true_torque = [&](double u) { return kloss(motor, u); };
  std::vector<double> stall, free;
  int held = 0;
  for (unsigned seed = 301; seed < 325; ++seed) {
    CAPTURE(seed);
    const MotorFit fit = fit_points(notebook, seed, true_torque);
    stall.push_back(half_width(fit.stall_torque));
    free.push_back(half_width(fit.no_load_speed));
    held += holds(fit.stall_torque, kloss(motor, 0)) + holds(fit.no_load_speed, kFree);
  }
  CHECK(median(stall) < 1.5 * plain_stall);
  CHECK(median(free) < 1.5 * plain_free);
  CHECK(held >= 40);  // of 48: fewer in 0.3 % of cases, were all independent (binomial)
  // A field that turns backwards is felt near standstill alone: from above, nothing excludes it.
  notebook.lowest = 0.4;
  const double plain_far = plain_half_widths(notebook, motor).first;
  const MotorFit far = fit_points(notebook, 301, true_torque);
  CHECK(holds(far.no_load_speed, kFree));
  if (far.stall_torque.value) {
    CHECK(half_width(far.stall_torque) > 2 * plain_far);
    CHECK(holds(far.stall_torque, kloss(motor, 0)));
  }
}

// Near the synchronous speed the curve is so steep that a hand tachometer's error is the larger
// part of what torques scatter, and elsewhere it is next to none.
TEST_CASE("without stated uncertainties points tell whether torque or speed scatters") {
  const Eigen::Vector3d motor(0.5, 0.3, 1);
  int held = 0;
  constexpr int kNotebooks = 24;
  for (unsigned seed = 701; seed < 701 + kNotebooks; ++seed) {
    CAPTURE(seed);
    const MotorFit fit = fit_points({12, 0.002, 0.005, 0.05, false, "induction"}, seed,
                                    [&](double u) { return kloss(motor, u); });
    held += holds(fit.no_load_speed, kFree);
  }
  CHECK(held >= 20);  // fewer in 0.2 % of cases (binomial)
}

TEST_CASE("an induction motor whose stator has a resistance is held, though Kloss leaves it out") {
  // Its circuit: stator R₁ in series with R₂/s and the leakage X, T = k·(R₂/s)/((R₁ + R₂/s)² + X²)
  // (any machines text), all over X; a capacitor leaves a backward field of a tenth besides.
  const double r1 = 0.25, r2 = 0.3;
  const auto field = [&](double s) { return r2 / s / (std::pow(r1 + r2 / s, 2) + 1); };
  const auto torque = [&](double u) {
    return u < 1 ? field(1 - u) - 0.1 * field(1 + u) : -0.1 * field(2);
  };
  // Where the two fields balance, by halving.
  double low = 0.9, high = 1;
  for (int i = 0; i < 60; ++i) (torque((low + high) / 2) > 0 ? low : high) = (low + high) / 2;
  int held = 0;
  for (unsigned seed = 401; seed < 413; ++seed) {
    CAPTURE(seed);
    const MotorFit fit = fit_points({14, 0.003, 0.001, 0.05, true, "induction"}, seed, torque);
    held += holds(fit.stall_torque, torque(0)) + holds(fit.no_load_speed, low * kFree);
    // As the book keeps it.
    const Curve kept = Curve::from_stored(fit.curve.to_stored());
    CHECK(kept.torque(50) == fit.curve.torque(50));
    CHECK(kept.torque_sd(50) == fit.curve.torque_sd(50));
  }
  CHECK(held >= 20);  // of 24
}

TEST_CASE("a dozen typed points are a dozen, not forty, where equations are compared") {
  int straight = 0;
  constexpr int kNotebooks = 20;
  for (unsigned seed = 501; seed < 501 + kNotebooks; ++seed)
    straight += fit_points({9, 0.005, 0.002, 0.15, false, ""}, seed, line).curve.model ==
                "permanent-magnet";
  CHECK(straight >= kNotebooks - 2);
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
