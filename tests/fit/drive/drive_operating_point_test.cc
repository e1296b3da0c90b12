// Operating points against closed forms, textbook motors, GSL and a brute-force scan.
#include "fit/drive/points/operating_point.h"

#include <doctest/doctest.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_roots.h>

#include "db/basis/units.h"
#include "drive_bench.h"

using namespace loadline;
using namespace loadline::test;

namespace {

OperatingSearch settle(const Curve& motor, const Curve& machine, double ratio) {
  LoadLine line;
  line.ratio = ratio;
  return find_operating_point(DriveCurve(motor), DriveCurve(machine), line);
}

double reached_rpm(const OperatingSearch& search) {
  REQUIRE(search.motor_speed.has_value());
  return rpm_from_rad_per_s(*search.motor_speed);
}

// Every sign change of the spare torque on a fine even grid: slow and obvious.
std::vector<double> scan(const Curve& motor, const Curve& machine, double ratio, double slip,
                         double loss, double high) {
  const int steps = 200000;
  const auto spare = [&](double w) {
    return ratio * (motor.torque(w) - loss) - machine.torque(w * (1 - slip) / ratio);
  };
  std::vector<double> found;
  double last = spare(0);
  for (int k = 1; k <= steps; ++k) {
    const double now = spare(high * k / steps);
    if ((last > 0) != (now > 0)) found.push_back(high * (k - 0.5) / steps);
    last = now;
  }
  return found;
}

}  // namespace

TEST_CASE("A permanent-magnet motor on a linear drag settles where two straight lines cross") {
  // i·Ts(1 − ω/ωn) = c0 + c1·ω/i, solved for ω by hand.
  const double ts = 0.4, wn = 900, c0 = 0.3, c1 = 6e-3, i = 7;
  const auto search = settle(magnet_motor(ts, wn), machine_drag(c0, c1, 0, 120), i);
  CHECK(search.settling == Settling::kRuns);
  REQUIRE(search.crossings.size() == 1);
  CHECK(search.crossings[0].stable);
  CHECK(*search.motor_speed ==
        doctest::Approx((i * ts - c0) / (i * ts / wn + c1 / i)).epsilon(1e-11));
}

TEST_CASE("The 240 V series motor of a textbook runs at its two printed speeds") {
  // Guru & Hiziroglu, Electric Machinery and Transformers (as a tutorial problem; torques derived
  // from its data: 6.5 A at 0.94 and 12.81 A at 0.74): R = 10.7 Ω, X = 12.6 Ω, 12,000 rpm; loaded
  // more, 1582 rpm. Developed torque is E·I/ω at each point.
  const double v = 240, r = 10.7, x = 12.6;
  const double e = v * 0.94 - 6.5 * r;
  const double k = e / (6.5 * rad_per_s_from_rpm(12000));
  const Curve motor = series_motor(v * v / k, r / k, x / k, rad_per_s_from_rpm(14000));
  const double light = e * 6.5 / rad_per_s_from_rpm(12000);
  CHECK(reached_rpm(settle(motor, machine_drag(light, 0, 0, 1400), 1)) ==
        doctest::Approx(12000).epsilon(0.001));
  const double heavy = (v * 0.74 - 12.81 * r) * 12.81 / rad_per_s_from_rpm(1582);
  CHECK(reached_rpm(settle(motor, machine_drag(heavy, 0, 0, 1400), 1)) ==
        doctest::Approx(1582).epsilon(0.003));
}

TEST_CASE("The 12-pole induction motor of a textbook runs at its full-load speed") {
  // 12 poles, 50 Hz, R2 0.15 Ω, X2 0.25 Ω, full load at 480 rpm: breakdown torque 117.342 N·m at
  // slip 0.6, full-load torque 15.576 N·m (a textbook companion's example 10.19, by its formulas).
  const Curve motor = induction_motor(117.342, 0.6, rad_per_s_from_rpm(500));
  const auto search = settle(motor, machine_drag(15.576, 0, 0, 50), 1);
  CHECK(reached_rpm(search) == doctest::Approx(480).epsilon(1e-4));
  CHECK(motor.torque(0) == doctest::Approx(103.54).epsilon(1e-4));
}

TEST_CASE("A load between standstill and breakdown torque crosses an induction curve twice") {
  // Kloss solved for slip: s = sb·(Tb/T)·(1 ± √(1 − (T/Tb)²)).
  const double tb = 2, sb = 0.2, ws = 157, load = 1.2;
  const auto search = settle(induction_motor(tb, sb, ws), machine_drag(load, 0, 0, 150), 1);
  const double root = std::sqrt(1 - load * load / (tb * tb));
  REQUIRE(search.crossings.size() == 2);
  CHECK(search.crossings[0].motor_speed ==
        doctest::Approx(ws * (1 - sb * tb / load * (1 + root))).epsilon(1e-10));
  CHECK_FALSE(search.crossings[0].stable);
  CHECK(search.crossings[1].stable);
  CHECK(*search.motor_speed ==
        doctest::Approx(ws * (1 - sb * tb / load * (1 - root))).epsilon(1e-10));
  CHECK(search.settling == Settling::kNeedsPush);
}

TEST_CASE("A pair of crossings closer together than the scan's grid is found") {
  // A load barely below breakdown torque: the two crossings lie within 0.5 % of each other.
  const double tb = 2, sb = 0.2, ws = 157;
  for (const double part : {0.9999, 0.99999, 0.999999}) {
    const double load = tb * part;
    const auto search = settle(induction_motor(tb, sb, ws), machine_drag(load, 0, 0, 150), 1);
    REQUIRE(search.crossings.size() == 2);
    const double root = std::sqrt(1 - part * part);
    CHECK(search.crossings[1].motor_speed ==
          doctest::Approx(ws * (1 - sb / part * (1 - root))).epsilon(1e-7));
  }
  CHECK(settle(induction_motor(tb, sb, ws), machine_drag(tb * 1.000001, 0, 0, 150), 1)
            .crossings.empty());
}

TEST_CASE("A drag above the motor at every speed leaves no operating point") {
  const auto search = settle(magnet_motor(0.2, 800), machine_drag(3, 0, 0, 100), 6);
  CHECK(search.settling == Settling::kTooWeak);
  CHECK(search.crossings.empty());
  CHECK_FALSE(search.motor_speed.has_value());
}

TEST_CASE("A motor that nothing holds back is still pulling at the end of the search") {
  // A series motor's torque never reaches zero; a machine without drag never catches it.
  const auto search = settle(series_motor(3e4, 200, 300, 900), machine_drag(0, 0, 0, 100), 6);
  CHECK(search.settling == Settling::kStillPulling);
  CHECK_FALSE(search.motor_speed.has_value());
}

TEST_CASE("A crossing beyond both measured ranges is found there") {
  // A/((ω+ω0)²+ωx²) = c0/i at ω = √(A·i/c0 − ωx²) − ω0.
  const double a = 3e4, w0 = 200, wx = 300, c0 = 0.02, i = 6;
  const auto search = settle(series_motor(a, w0, wx, 900), machine_drag(c0, 0, 0, 100), i);
  CHECK(*search.motor_speed == doctest::Approx(std::sqrt(a * i / c0 - wx * wx) - w0));
  CHECK(*search.motor_speed > 900 * 1.25);
}

TEST_CASE("Random drives agree with a brute-force scan") {
  std::mt19937_64 random(41);
  for (int n = 0; n < 60; ++n) {
    const RandomPair pair = random_pair(random);
    LoadLine line;
    line.ratio = pair.ratio;
    line.slip = 0.02;
    line.belt_loss = 0.01;
    const auto search =
        find_operating_point(DriveCurve(pair.motor), DriveCurve(pair.machine), line);
    const double high = search.searched_high;
    const auto seen = scan(pair.motor, pair.machine, pair.ratio, 0.02, 0.01, high);
    REQUIRE(search.crossings.size() == seen.size());
    for (std::size_t k = 0; k < seen.size(); ++k)
      CHECK(std::fabs(search.crossings[k].motor_speed - seen[k]) <= high / 200000);
  }
}

TEST_CASE("Random drives agree with the Brent solver of the GNU Scientific Library") {
  struct Pair {
    const Curve *motor, *machine;
    double ratio;
  };
  gsl_function function;
  function.function = [](double w, void* data) {
    const auto& p = *static_cast<Pair*>(data);
    return p.ratio * p.motor->torque(w) - p.machine->torque(w / p.ratio);
  };
  gsl_root_fsolver* solver = gsl_root_fsolver_alloc(gsl_root_fsolver_brent);
  std::mt19937_64 random(42);
  int solved = 0;
  for (int n = 0; n < 500; ++n) {
    const RandomPair pair = random_pair(random);
    const auto search = settle(pair.motor, pair.machine, pair.ratio);
    if (search.crossings.size() != 1) continue;
    Pair data{&pair.motor, &pair.machine, pair.ratio};
    function.params = &data;
    REQUIRE(gsl_root_fsolver_set(solver, &function, 0, search.searched_high) == GSL_SUCCESS);
    for (int step = 0; step < 200; ++step) {
      gsl_root_fsolver_iterate(solver);
      if (gsl_root_test_interval(gsl_root_fsolver_x_lower(solver), gsl_root_fsolver_x_upper(solver),
                                 0, 1e-13) == GSL_SUCCESS)
        break;
    }
    CHECK(*search.motor_speed == doctest::Approx(gsl_root_fsolver_root(solver)).epsilon(1e-11));
    ++solved;
  }
  gsl_root_fsolver_free(solver);
  CHECK(solved > 400);
}
