// Slow sewing and other supplies against the motors' own equations, solved by hand.
#include "fit/drive/points/steadiness.h"

#include <doctest/doctest.h>

#include <cmath>

#include "db/basis/error.h"
#include "db/basis/units.h"
#include "drive_bench.h"
#include "fit/drive/answer.h"
#include "fit/drive/points/operating_point.h"

using namespace loadline;
using namespace loadline::test;

namespace {

LoadLine plain_line(double ratio) {
  LoadLine line;
  line.ratio = ratio;
  return line;
}

}  // namespace

TEST_CASE("A resistance pedal is the resistance that the series motor's equation asks for") {
  // A/((ω+ω0+ρ)²+ωx²) = c0/i  ⇒  ρ = √(A·i/c0 − ωx²) − ω − ω0; a seam adds to c0, ρ held.
  const double a = 5e4, w0 = 250, wx = 300, c0 = 0.2, i = 7, seam = 0.05, slow = 10;
  const Steadiness found = slow_steadiness(DriveCurve(series_motor(a, w0, wx, 1000)),
                                           DriveCurve(machine_drag(c0, 0, 0, 100)), plain_line(i),
                                           Pedal::kResistance, slow, seam);
  const double reach = std::sqrt(a * i / c0 - wx * wx);
  const double rho = reach - i * slow - w0;
  REQUIRE(found.setting.has_value());
  CHECK(found.setting->value == doctest::Approx(rho).epsilon(1e-10));
  // At so slow a speed this seam is too much: the pedalled motor would have to turn backwards.
  REQUIRE(std::sqrt(a * i / (c0 + seam) - wx * wx) - w0 - rho < 0);
  CHECK(found.running == SlowRunning::kStalls);
  CHECK_FALSE(found.drop.has_value());
}

TEST_CASE("The drop under a seam is the one of the equation, and a seam too thick stalls") {
  const double a = 5e4, w0 = 250, wx = 300, c0 = 0.2, i = 7, slow = 30;
  const DriveCurve motor(series_motor(a, w0, wx, 1000));
  const DriveCurve machine(machine_drag(c0, 0, 0, 100));
  const double rho = std::sqrt(a * i / c0 - wx * wx) - i * slow - w0;
  const auto slowed_by = [&](double seam) {
    return std::sqrt(a * i / (c0 + seam) - wx * wx) - w0 - rho;
  };
  const auto steady =
      slow_steadiness(motor, machine, plain_line(i), Pedal::kResistance, slow, 0.02);
  REQUIRE(slowed_by(0.02) > 0);
  REQUIRE(steady.running == SlowRunning::kSteady);
  CHECK(steady.drop->value == doctest::Approx(1 - slowed_by(0.02) / (i * slow)).epsilon(1e-9));
  const double stall = i * a / ((w0 + rho) * (w0 + rho) + wx * wx) - c0;
  CHECK(steady.stall_torque->value == doctest::Approx(stall).epsilon(1e-10));
  REQUIRE(slowed_by(0.2) < 0);
  CHECK(slow_steadiness(motor, machine, plain_line(i), Pedal::kResistance, slow, 0.2).running ==
        SlowRunning::kStalls);
}

TEST_CASE(
    "A lowered voltage keeps a magnet motor's slope, so the drop in speed does not depend on it") {
  // T = Ts(v − ω/ωn): v = T/Ts + ω/ωn, and a seam M lowers ω by ωn·M/(i·Ts).
  const double ts = 0.3, wn = 800, c0 = 0.25, i = 6, slow = 25, seam = 0.04;
  const DriveCurve motor(magnet_motor(ts, wn)), machine(machine_drag(c0, 0, 0, 100));
  const auto found = slow_steadiness(motor, machine, plain_line(i), Pedal::kVoltage, slow, seam);
  REQUIRE(found.running == SlowRunning::kSteady);
  CHECK(found.setting->value == doctest::Approx(c0 / i / ts + i * slow / wn).epsilon(1e-10));
  CHECK(found.drop->value == doctest::Approx(wn * seam / (i * ts) / (i * slow)).epsilon(1e-9));
  CHECK(slow_steadiness(motor, machine, plain_line(i), Pedal::kResistance, slow, seam).running ==
        SlowRunning::kNoModel);
}

TEST_CASE("A higher ratio sews slowly more steadily") {
  // With a magnet motor on lowered voltage the drop goes with 1/i² (see above).
  const DriveCurve motor(magnet_motor(0.3, 800)), machine(machine_drag(0.25, 0, 0, 100));
  const auto low = slow_steadiness(motor, machine, plain_line(5), Pedal::kVoltage, 20, 0.03);
  const auto high = slow_steadiness(motor, machine, plain_line(6), Pedal::kVoltage, 20, 0.03);
  CHECK(low.drop->value / high.drop->value == doctest::Approx(36.0 / 25).epsilon(1e-8));
}

TEST_CASE("A speed above the motor's reach is too slow a motor, not a setting") {
  const DriveCurve motor(magnet_motor(0.3, 800)), machine(machine_drag(0.25, 0, 0, 100));
  const auto found = slow_steadiness(motor, machine, plain_line(8), Pedal::kVoltage, 99, 0.01);
  CHECK(found.running == SlowRunning::kTooSlow);
  CHECK_FALSE(found.setting.has_value());
}

TEST_CASE("An induction motor on lowered voltage does not hold a slow speed below its breakdown") {
  const DriveCurve motor(induction_motor(2, 0.2, 157)), machine(machine_drag(0.5, 0, 0, 150));
  CHECK(slow_steadiness(motor, machine, plain_line(1), Pedal::kVoltage, 60, 0.01).running ==
        SlowRunning::kUnsteady);
}

TEST_CASE("A textbook magnet motor on half its voltage runs at the printed speed") {
  // 120 V gives 6000 rpm without load, R = 2.5 Ω; at 60 V with 0.5 N·m: 2672.75 rpm (a textbook
  // companion's example 4.5, by its data: ke = 120/(6000·2π/60), ω = (60 − R·0.5/ke)/ke).
  const double ke = 120 / rad_per_s_from_rpm(6000), r = 2.5;
  Curve motor = magnet_motor(120 * ke / r, 120 / ke);
  motor.supply_v = 120;
  std::vector<std::string> warnings;
  const DriveCurve moved = moved_to_supply(DriveCurve(motor), {60.0, {}, {}}, "M", warnings);
  CHECK(warnings.size() == 1);  // half the voltage is far
  const auto search =
      find_operating_point(moved, DriveCurve(machine_drag(0.5, 0, 0, 700)), plain_line(1));
  CHECK(rpm_from_rad_per_s(*search.motor_speed) == doctest::Approx(2672.75).epsilon(1e-5));
}

TEST_CASE(
    "A series motor's torque goes with the square of the voltage, its reactance with frequency") {
  Curve curve = series_motor(5e4, 250, 300, 1000);
  curve.supply_v = 230;
  std::vector<std::string> warnings;
  const DriveCurve motor(curve);
  const DriveCurve higher = moved_to_supply(motor, {240.0, {}, {}}, "M", warnings);
  CHECK(warnings.empty());
  CHECK(*higher.supply_v() == 240);
  for (const double w : {0.0, 200.0, 800.0})
    CHECK(higher.torque(w) / motor.torque(w) ==
          doctest::Approx(240.0 * 240 / (230 * 230)).epsilon(1e-12));
  const DriveCurve other = moved_to_supply(motor, {{}, 60.0, 50.0}, "M", warnings);
  CHECK(other.torque(100) == doctest::Approx(5e4 / (350.0 * 350 + 360.0 * 360)).epsilon(1e-12));
  CHECK(warnings.size() == 1);
}

TEST_CASE("A textbook universal motor on direct current, 50 and 60 Hz") {
  // 120 V, 20 Ω, 0.25 H, 0.6 A at 2,000 rpm on direct current, magnetically linear (a textbook's
  // problem; Sen, Principles of Electric Machines and Power Electronics). Recomputed by
  // E = √(V² − (XI)²) − RI at 0.6 A: 1,821 rpm at 50 Hz, 1,738 rpm at 60 Hz, 0.309 N·m throughout.
  const double volts = 120, r = 20, amps = 0.6;
  const double k = (volts - amps * r) / (amps * rad_per_s_from_rpm(2000));
  const auto reactance = [&](double hertz) { return 2 * std::acos(-1.0) * hertz * 0.25; };
  Curve at_50 = series_motor(volts * volts / k, r / k, reactance(50) / k, 1000);
  at_50.supply_v = volts;
  std::vector<std::string> warnings;
  const DriveCurve motor(at_50);
  CHECK(motor.torque(rad_per_s_from_rpm(1821)) == doctest::Approx(0.309).epsilon(2e-3));
  const DriveCurve at_60 = moved_to_supply(motor, {{}, 60.0, 50.0}, "M", warnings);
  CHECK(at_60.torque(rad_per_s_from_rpm(1738)) == doctest::Approx(0.309).epsilon(2e-3));
  const DriveCurve direct = moved_to_supply(motor, {{}, 0.0, 50.0}, "M", warnings);
  CHECK(direct.torque(rad_per_s_from_rpm(2000)) == doctest::Approx(0.309).epsilon(2e-3));
  CHECK_THROWS_AS(
      moved_to_supply(DriveCurve(induction_motor(2, 0.2, 157)), {{}, 0.0, 50.0}, "M", warnings),
      Error);
}

TEST_CASE("Brushes and friction take their share of a lowered voltage as the circuit says") {
  // A magnet motor, V = V_b + R·I + kΦ·ω, T = kΦ·I − T_f, solved here for the net torque.
  const double ke = 0.2, r = 60, brushes = 2, friction = 0.008, volts = 110;
  const auto net = [&](double v, double w) { return ke * (v - brushes - ke * w) / r - friction; };
  const double stall = net(volts, 0);
  DriveCurve magnet(magnet_motor(stall, stall * r / (ke * ke)));
  magnet.set_lost((brushes * ke / r + friction) / stall);
  for (const double v : {110.0, 60.0, 25.0})
    for (const double w : {0.0, 50.0, 100.0})
      CHECK(with_voltage(magnet, v / volts).torque(w) == doctest::Approx(net(v, w)).epsilon(1e-9));
  // Step by step it comes to the same.
  CHECK(with_voltage(with_voltage(magnet, 0.5), 0.4).torque(30) ==
        doctest::Approx(net(0.2 * volts, 30)).epsilon(1e-9));
  // A series motor without reactance: I = (V − V_b)/(R + Kω), T = K·I² − T_f.
  const double k = 0.5;
  const auto series = [&](double v, double w) {
    return k * std::pow((v - brushes) / (120 + k * w), 2) - friction;
  };
  Curve curve =
      curve_of("series", {std::pow(230 - brushes, 2) / k, 120 / k, 0, friction, 0, 0}, 20, 1000);
  DriveCurve motor(curve);
  motor.set_lost(brushes / (230 - brushes));
  for (const double v : {200.0, 50.0})
    CHECK(with_voltage(motor, v / 230).torque(40) == doctest::Approx(series(v, 40)).epsilon(1e-9));
}

TEST_CASE("What a desk takes off a lowered voltage is in the pedal's limits") {
  Curve motor = magnet_motor(0.3, 800);
  const Curve machine = machine_drag(0.25, 0, 0, 100);
  DriveQuestion question = question_of(motor, machine, 5);
  question.slow_speed = 20;
  const auto setting = [&] {
    return answer(DriveDesk(question)).find(Figure::kPedalVoltage)->estimate;
  };
  const Estimate without = setting();
  motor.supply_v = 110;
  const Estimate with = setting();
  // v = (f + b)/(1 + b): brushes of 1.5 V and friction of 5 % (MotorEquation).
  const double b = 1.5 / 110 + 0.05;
  CHECK(*with.value == doctest::Approx((*without.value + 100 * b) / (1 + b)).epsilon(1e-6));
  CHECK(*with.high - *with.low > *without.high - *without.low);
}

TEST_CASE("An induction motor follows the frequency, and breaks down earlier on a higher one") {
  const DriveCurve motor(induction_motor(2, 0.2, 157));
  const DriveCurve other = with_frequency(motor, 1.2);
  // Synchronous speed 1.2 times, breakdown torque 1/1.44 at slip 0.2/1.2 (reactance alone).
  CHECK(other.torque(1.2 * 157) == doctest::Approx(0).epsilon(1e-12));
  CHECK(other.torque(1.2 * 157 * (1 - 0.2 / 1.2)) == doctest::Approx(2 / 1.44).epsilon(1e-12));
}

TEST_CASE("A curve without physics, voltage or frequency is not moved") {
  std::vector<std::string> warnings;
  Curve smooth = magnet_motor(0.3, 800);
  smooth.model = "smooth";
  CHECK_THROWS_AS(moved_to_supply(DriveCurve(smooth), {220.0, {}, {}}, "M", warnings), Error);
  CHECK_THROWS_AS(
      moved_to_supply(DriveCurve(magnet_motor(0.3, 800)), {220.0, {}, {}}, "M", warnings), Error);
  CHECK_THROWS_AS(
      moved_to_supply(DriveCurve(magnet_motor(0.3, 800)), {{}, 60.0, 50.0}, "M", warnings), Error);
}
