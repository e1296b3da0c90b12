// Best ratios against the identities that every drive obeys.
#include "fit/drive/points/best_ratio.h"

#include <doctest/doctest.h>

#include "drive_bench.h"
#include "fit/drive/points/operating_point.h"

using namespace loadline;
using namespace loadline::test;

namespace {

struct Drive {
  DriveCurve motor, machine;
  LoadLine line;

  Drive(const Curve& m, const Curve& k) : motor(m), machine(k) {}
  double top_speed(double ratio) const {
    LoadLine at = line;
    at.ratio = ratio;
    const auto search = find_operating_point(motor, machine, at);
    return search.motor_speed ? handwheel_speed(at, motor, *search.motor_speed) : 0;
  }
  std::optional<DrivePoint> best() const {
    return best_for_top_speed(motor, machine, line, peak_power_speed(motor, line.belt_loss));
  }
};

// The slow, obvious search: settle the drive at ever finer ratios around the fastest.
double best_ratio_by_trial(const Drive& drive) {
  double low = 0.5, high = 60, best = low;
  for (int round = 0; round < 12; ++round) {
    const double step = (high - low) / 40;
    double top = -1;
    for (int k = 0; k <= 40; ++k)
      if (const double speed = drive.top_speed(low + k * step); speed > top) {
        top = speed;
        best = low + k * step;
      }
    low = std::max(best - step, 1e-3);
    high = best + step;
  }
  return best;
}

}  // namespace

TEST_CASE("Peak-power speeds are those of the closed forms") {
  // Series: √(ω0²+ωx²); permanent magnet: ωn/2 (maximum power transfer; any machines text).
  const auto series = peak_power_speed(DriveCurve(series_motor(5e4, 300, 400, 1000)), 0);
  REQUIRE(series.has_value());
  CHECK(series->value == doctest::Approx(500).epsilon(1e-11));
  const auto magnet = peak_power_speed(DriveCurve(magnet_motor(0.3, 840)), 0);
  REQUIRE(magnet.has_value());
  CHECK(magnet->value == doctest::Approx(420).epsilon(1e-11));
}

TEST_CASE("Over all ratios the top speed is highest with the motor at its peak-power speed") {
  std::mt19937_64 random(43);
  for (int n = 0; n < 3000; ++n) {
    const RandomPair pair = random_pair(random);
    const Drive drive(pair.motor, pair.machine);
    const auto best = drive.best();
    REQUIRE(best.has_value());
    const double w0 = pair.motor.parameters[1], wx = pair.motor.parameters[2];
    const double peak = std::sqrt(w0 * w0 + wx * wx);
    CHECK(best->motor_speed.value == doctest::Approx(peak).epsilon(1e-9));
    // The drive settled at that ratio must run there, and any other ratio must be slower.
    const double top = drive.top_speed(best->ratio.value);
    CHECK(top == doctest::Approx(best->handwheel_speed.value).epsilon(1e-9));
    CHECK(top * best->ratio.value == doctest::Approx(peak).epsilon(1e-9));
    for (const double off : {0.7, 0.9, 0.99, 1.01, 1.1, 1.4})
      CHECK(drive.top_speed(best->ratio.value * off) < top);
  }
}

TEST_CASE("The best ratio is what trying ratios finds, with belt loss and slip too") {
  std::mt19937_64 random(44);
  for (int n = 0; n < 25; ++n) {
    const RandomPair pair = random_pair(random);
    Drive drive(pair.motor, pair.machine);
    drive.line.slip = 0.03;
    drive.line.belt_loss = 0.05 * pair.motor.torque(0);
    const auto best = drive.best();
    REQUIRE(best.has_value());
    // A flat optimum: the trial knows its place to about the root of the solver's precision.
    CHECK(best_ratio_by_trial(drive) == doctest::Approx(best->ratio.value).epsilon(1e-4));
    CHECK(drive.top_speed(best->ratio.value) ==
          doctest::Approx(best->handwheel_speed.value).epsilon(1e-9));
  }
}

TEST_CASE("A permanent-magnet motor on constant drag has its best ratio at twice the drag") {
  // Peak power Ts·ωn/4 at ωn/2 drives c0·ω: ω_h = Ts·ωn/(4·c0), i = 2·c0/Ts.
  const double ts = 0.25, wn = 800, c0 = 0.6;
  const Drive drive(magnet_motor(ts, wn), machine_drag(c0, 0, 0, 100));
  const auto best = drive.best();
  REQUIRE(best.has_value());
  CHECK(best->ratio.value == doctest::Approx(2 * c0 / ts).epsilon(1e-10));
  CHECK(best->handwheel_speed.value == doctest::Approx(ts * wn / (4 * c0)).epsilon(1e-10));
}

TEST_CASE("A wanted top speed has a lower and a higher ratio, and both give it") {
  std::mt19937_64 random(45);
  for (int n = 0; n < 200; ++n) {
    const RandomPair pair = random_pair(random);
    const Drive drive(pair.motor, pair.machine);
    const auto peak = peak_power_speed(drive.motor, 0);
    const double wanted = 0.9 * drive.best()->handwheel_speed.value;
    const auto points = ratios_for_top_speed(drive.motor, drive.machine, drive.line, wanted, peak);
    REQUIRE(points.size() == 2);
    CHECK(points[0].ratio.value < points[1].ratio.value);
    CHECK(points[0].motor_speed.value < peak->value);
    CHECK(points[1].motor_speed.value > peak->value);
    for (const DrivePoint& point : points)
      CHECK(drive.top_speed(point.ratio.value) == doctest::Approx(wanted).epsilon(1e-9));
    CHECK(ratios_for_top_speed(drive.motor, drive.machine, drive.line,
                               1.01 * drive.best()->handwheel_speed.value, peak)
              .empty());
  }
}

TEST_CASE("A motor whose power still rises at its measured end has no best ratio within it") {
  // A smooth curve says nothing beyond its range, so neither may the answer.
  Curve motor = magnet_motor(0.3, 1000);
  motor.model = "smooth";
  motor.speed_high = 400;
  CHECK_FALSE(peak_power_speed(DriveCurve(motor), 0).has_value());
  motor.speed_high = 600;
  CHECK(peak_power_speed(DriveCurve(motor), 0)->value == doctest::Approx(500));
}
