// The seam over a turn against an integration in time of its own, and what slow figures can be.
#include "fit/drive/points/seam_turn.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "drive_bench.h"
#include "fit/drive/answer.h"

using namespace loadline;
using namespace loadline::test;

namespace {

constexpr double kPi = std::numbers::pi;

// A magnet motor on part of its voltage, drag c0 + c1·ω and the push, stepped through time by the
// plain equations: J·dω/dt = i·Ts(v − iω/ωn) − c0 − c1ω − p(φ), dφ/dt = ω (Runge–Kutta in time).
struct InTime {
  double ts, wn, v, i, c0, c1, inertia, work;

  double push(double angle) const {
    const double turn = std::fmod(angle, 2 * kPi), first = 120 * kPi / 180, width = 60 * kPi / 180;
    if (turn < first || turn > first + width) return 0;
    return work * (1 - std::cos(2 * kPi * (turn - first) / width)) / width;
  }
  double rate(double w, double angle) const {
    return (i * ts * (v - i * w / wn) - c0 - c1 * w - push(angle)) / inertia;
  }
  struct Result {
    double least, given, dragged, gained;
  };
  // Follows `turns` turns from speed w; the energies are those of the last one.
  Result follow(double w, int turns, double dt) const {
    double angle = 0, given = 0, dragged = 0, least = w, at_start = w;
    int turn = 0;
    while (true) {
      const double k1 = rate(w, angle), l1 = w;
      const double k2 = rate(w + dt / 2 * k1, angle + dt / 2 * l1), l2 = w + dt / 2 * k1;
      const double k3 = rate(w + dt / 2 * k2, angle + dt / 2 * l2), l3 = w + dt / 2 * k2;
      const double k4 = rate(w + dt * k3, angle + dt * l3), l4 = w + dt * k3;
      const double dw = dt / 6 * (k1 + 2 * k2 + 2 * k3 + k4);
      const double turned = dt / 6 * (l1 + 2 * l2 + 2 * l3 + l4);
      // The last step of a turn is cut where the turn ends; its part by proportion.
      const double left = (turn + 1) * 2 * kPi - angle;
      const double part = turned < left ? 1 : left / turned;
      const double middle = w + part * dw / 2;
      given += i * ts * (v - i * middle / wn) * turned * part;
      dragged += (c0 + c1 * middle) * turned * part;
      if (part < 1) {
        const double at_end = w + part * dw;
        const Result result{least, given, dragged,
                            inertia / 2 * (at_end * at_end - at_start * at_start)};
        if (++turn == turns) return result;
        const double rest = (w + dw + at_end) / 2;
        given = i * ts * (v - i * rest / wn) * turned * (1 - part);
        dragged = (c0 + c1 * rest) * turned * (1 - part);
        at_start = at_end;
      }
      w += dw;
      angle += turned;
      least = std::min(least, w);
      if (!(w > 0)) return {0, given, dragged, 0};
    }
  }
};

}  // namespace

TEST_CASE("A stitch in the seam: speed and energy are those of an integration in time") {
  const InTime own{0.3, 800, 0.45, 6, 0.15, 2e-3, 2.5e-3, 0.25};
  const Curve motor = magnet_motor(own.ts, own.wn), drag = machine_drag(own.c0, own.c1, 0, 100);
  LoadLine line;
  line.ratio = own.i;
  SeamPush push;
  push.work = own.work;
  const double speed = own.wn / own.i * 0.2;
  const SeamTurn found = sew_seam(with_pedal(DriveCurve(motor), Pedal::kVoltage, own.v),
                                  DriveCurve(drag), line, own.inertia, speed, push, 720);
  REQUIRE_FALSE(found.stalls);
  const auto in_time = own.follow(speed, found.turns, 2e-6);
  CHECK(found.least_speed == doctest::Approx(in_time.least).epsilon(1e-6));
  CHECK(found.given == doctest::Approx(in_time.given).epsilon(1e-6));
  CHECK(found.dragged == doctest::Approx(in_time.dragged).epsilon(1e-6));
  // What the motor gave is what drag and seam took and the masses gained.
  CHECK(std::fabs(found.given - found.dragged - own.work - found.gained) < 1e-6 * own.work);
  CHECK(std::fabs(in_time.given - in_time.dragged - own.work - in_time.gained) < 1e-5 * own.work);
}

TEST_CASE("A flywheel alone sews until its energy is used up") {
  // ½Jω² = 3.5 W: three stitches, and it stands in the fourth.
  const Curve motor = magnet_motor(1e-12, 800), drag = machine_drag(0, 0, 0, 100);
  LoadLine line;
  line.ratio = 6;
  SeamPush push;
  push.work = 0.2;
  const double inertia = 0.01, speed = std::sqrt(2 * 3.5 * push.work / inertia);
  const SeamTurn found = sew_seam(DriveCurve(motor), DriveCurve(drag), line, inertia, speed, push);
  CHECK(found.stalls);
  CHECK(found.turns == 4);
}

TEST_CASE("A heavier wheel carries a machine through a seam that stops a light one") {
  const Curve motor = magnet_motor(0.3, 800), drag = machine_drag(0.15, 0, 0, 100);
  LoadLine line;
  line.ratio = 6;
  SeamPush push;
  push.work = 0.4;  // a push of 0.76 N·m at its height; the motor gives 0.45 less the drag at rest
  const DriveCurve pedalled = with_pedal(DriveCurve(motor), Pedal::kVoltage, 0.25);
  CHECK(sew_seam(pedalled, DriveCurve(drag), line, 5e-4, 20, push).stalls);
  const SeamTurn heavy = sew_seam(pedalled, DriveCurve(drag), line, 2e-2, 20, push);
  CHECK_FALSE(heavy.stalls);
  CHECK(heavy.least_speed < heavy.speed);
}

TEST_CASE("What a brake run leaves open of a motor's friction makes no impossible pedal") {
  // Net torque is known, friction d₀ and strength A are not: A moves with d₀ so that the torque at
  // 300 rad/s stays. The truth lies 0.007 N·m of friction away from the best estimate of none.
  const double w0 = 300, wx = 200, at = (300 + w0) * (300 + w0) + wx * wx;
  Curve motor = series_motor(5e4, w0, wx, 1000);
  motor.supply_v = 230;
  Eigen::VectorXd along = Eigen::VectorXd::Zero(6);
  along[0] = at;  // of A for each N·m of d₀
  along[3] = 1;
  motor.covariance = 0.01 * 0.01 * along * along.transpose();
  const Curve machine = machine_drag(0.10, 1e-3, 0, 170);
  DriveQuestion question = question_of(motor, machine, 5.5);
  question.slow_speed = 2 * kPi;
  question.seam_nm = 0.01;
  question.machine_inertia = Uncertain{0.002, 1e-5};
  const auto found = answer(DriveDesk(question));
  Curve truth = motor;
  truth.parameters += 0.007 * along;
  truth.covariance.setZero();
  DriveQuestion told = question;
  told.motor = &truth;
  const auto true_answer = answer(DriveDesk(told));
  for (const Figure figure : {Figure::kPedalResistance, Figure::kPedalVoltage,
                              Figure::kVoltageStallTorque, Figure::kResistanceStallTorque}) {
    INFO(std::string(info(figure).key));
    const Estimate& e = found.find(figure)->estimate;
    const double value = *true_answer.find(figure)->estimate.value;
    CHECK(*e.low <= value);
    CHECK(value <= *e.high);
    CHECK(*e.low > 0);
  }
  CHECK(*found.find(Figure::kPedalVoltage)->estimate.high < 100);
  REQUIRE(found.find(Figure::kVoltageLeastSpeed) != nullptr);
  CHECK(*found.find(Figure::kVoltageLeastSpeed)->estimate.low >= 0);
}
