// Belts on other pulleys, loads and motors, against published laws and calculations of its own.
#include "fit/drive/load_lines/belt_law.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numbers>

#include "drive_bench.h"
#include "figure_derivatives.h"
#include "fit/drive/answer.h"
#include "fit/drive/trade_off.h"

using namespace loadline;
using namespace loadline::test;

namespace {

BeltSight sight_on(double motor_mm, double hand_mm) {
  BeltSight sight;
  sight.motor_diameter = motor_mm / 1000;
  sight.hand_diameter = hand_mm / 1000;
  sight.loss = 0.010;
  sight.slip = 0.012;
  sight.torque = 0.06;
  return sight;
}

// Two motors and a machine, a belt seen with the first on 20 and 110 mm: slip 2 %, loss 0.008 N·m.
struct Seen {
  Curve motor = series_motor(4.2e4, 280, 260, 1000, 0.005);
  Curve other = series_motor(3.6e4, 260, 250, 1000, 0.005);
  Curve machine = machine_drag(0.10, 1.2e-3, 8e-6, 170, 0.01);
  static constexpr double kSmall = 0.020, kLarge = 0.110, kLoss = 0.008, kSlip = 0.02;

  BeltSeen runs(const Curve& with, double small, double loss, double slip, std::int64_t id) const {
    LoadLine line;
    line.ratio = kLarge / small;
    line.slip = slip;
    line.belt_loss = loss;
    const auto found = find_operating_point(DriveCurve(with), DriveCurve(machine), line);
    BeltSeen seen;
    seen.motor_speed = {*found.motor_speed, 1e-3 * *found.motor_speed};
    seen.speed_quotient = {(1 - slip) / line.ratio.value, 1e-4 / line.ratio.value};
    seen.motor_pulley = KnownPulley{id, {small, 3e-5}};
    seen.hand_pulley = KnownPulley{9, {kLarge, 1e-4}};
    seen.with_loss = true;
    if (&with != &motor) seen.motor = &with;
    return seen;
  }
  DriveQuestion question(double small, std::int64_t id) const {
    DriveQuestion question = question_of(motor, machine, 1);
    question.motor_diameter = Uncertain{small, 3e-5};
    question.hand_diameter = Uncertain{kLarge, 1e-4};
    question.motor_pulley = id;
    question.hand_pulley = 9;
    question.stroke_m = 0.030;
    question.belt_seen = runs(motor, kSmall, kLoss, kSlip, 1);
    return question;
  }
};

double value_of(const DriveAnswer& answer, Figure figure) {
  const AnswerLine* line = answer.find(figure);
  REQUIRE_MESSAGE(line != nullptr, info(figure).key);
  return *line->estimate.value;
}

double half_width(const DriveAnswer& answer, Figure figure) {
  const Estimate& e = answer.find(figure)->estimate;
  return (*e.high - *e.low) / 2;
}

}  // namespace

TEST_CASE("On equal pulleys torque is lost as 1/R and speed as 1/R², as was published") {
  // Radii of 51, 36 and 21 mm: see the header for the source.
  const BeltSight seen = sight_on(102, 102);
  for (const double radius : {51.0, 36.0, 21.0}) {
    const double d = 2 * radius / 1000;
    CHECK(loss_change(d, d, seen, 1).value == doctest::Approx(51 / radius).epsilon(1e-12));
    CHECK(slip_change(d, d, seen, 2).value ==
          doctest::Approx(std::pow(51 / radius, 2)).epsilon(1e-12));
  }
}

TEST_CASE("Unequal pulleys each add their bending, worked out from power") {
  // A belt of speed v loses the power v·k/R² at each pulley that bends it (work of bending goes
  // with the square of the curvature); at the motor shaft that is a torque of R_m·k·(1/R_m² +
  // 1/R_h²).
  const auto torque = [](double small, double large) {
    return small / 2 * (4 / (small * small) + 4 / (large * large));
  };
  const BeltSight seen = sight_on(20, 110);
  CHECK(loss_change(0.014, 0.090, seen, 1).value ==
        doctest::Approx(torque(0.014, 0.090) / torque(0.020, 0.110)).epsilon(1e-12));
}

TEST_CASE("Where the belt was measured nothing changes, whatever its law") {
  const Seen bench;
  const DriveQuestion by_law = bench.question(Seen::kSmall, 1);
  DriveQuestion plain = by_law;
  plain.belt_seen->motor_pulley.reset();
  plain.belt_seen->hand_pulley.reset();
  const auto now = answer(DriveDesk(by_law)), before = answer(DriveDesk(plain));
  for (const Figure figure :
       {Figure::kMotorSpeed, Figure::kHandwheelSpeed, Figure::kShaftPower, Figure::kBeltLoss,
        Figure::kBeltSlip, Figure::kBeltPower, Figure::kStandstillTorque, Figure::kNeedleForce}) {
    INFO(std::string(info(figure).key));
    CHECK(value_of(now, figure) == doctest::Approx(value_of(before, figure)).epsilon(1e-9));
    // At rest nobody saw the belt: how its creep goes with the load is not in any of these.
    CHECK(half_width(now, figure) == doctest::Approx(half_width(before, figure)).epsilon(2e-3));
  }
}

TEST_CASE("A smaller motor pulley gains less than without the law, and is known less well") {
  const Seen bench;
  DriveQuestion question = bench.question(Seen::kSmall, 1);
  question.what_if_diameter = Uncertain{0.014, 3e-5};
  const auto found = answer(DriveDesk(question));
  // 20 to 14 mm, by the two laws and the bending at the hand wheel, worked out above.
  REQUIRE(found.what_if.has_value());
  double loss = 0;
  for (const AnswerLine& line : found.what_if->lines)
    if (line.figure == Figure::kBeltLoss) loss = *line.estimate.value;
  const double part = 20.0 / 110, change = 14.0 / 110;
  CHECK(loss ==
        doctest::Approx(Seen::kLoss * (20.0 / 14) * (1 + change * change) / (1 + part * part))
            .epsilon(1e-6));
  // The settled drive, by the plain equations at that loss and the creep at what is carried.
  double wheel = 0;
  for (const AnswerLine& line : found.what_if->lines)
    if (line.figure == Figure::kHandwheelSpeed)
      wheel = *line.estimate.value * std::numbers::pi / 30;
  const double ratio = 110.0 / 14, carried = bench.machine.torque(wheel) / ratio;
  const auto today = answer(DriveDesk(bench.question(Seen::kSmall, 1)));
  const double then = value_of(today, Figure::kHandwheelSpeed) * std::numbers::pi / 30;
  const double shape = (1 / 0.014 + 1 / 0.110) / (1 / 0.020 + 1 / 0.110) * (0.020 / 0.014);
  const double slip = Seen::kSlip * shape * carried / (bench.machine.torque(then) / 5.5);
  const double motor = wheel * ratio / (1 - slip);
  CHECK(bench.motor.torque(motor) == doctest::Approx(carried + loss).epsilon(1e-6));
}

TEST_CASE("Creep grows with the load, and so does not the belt's loss") {
  const Seen bench;
  DriveQuestion question = bench.question(Seen::kSmall, 1);
  question.extra_nm = 0.1;
  const DriveDesk desk(question);
  const auto found = answer(desk);
  const double wheel = value_of(found, Figure::kLoadedHandwheelSpeed) * std::numbers::pi / 30;
  const double motor = value_of(found, Figure::kLoadedMotorSpeed) * std::numbers::pi / 30;
  const double free = value_of(found, Figure::kHandwheelSpeed) * std::numbers::pi / 30;
  const double more = (bench.machine.torque(wheel) + 0.1) / bench.machine.torque(free);
  CHECK(1 - 5.5 * wheel / motor == doctest::Approx(Seen::kSlip * more).epsilon(1e-6));
}

TEST_CASE("The best ratio with the loss inside is what trying ratios finds") {
  const Seen bench;
  DriveQuestion question = bench.question(Seen::kSmall, 1);
  question.belt_seen = bench.runs(bench.motor, Seen::kSmall, 0.03, 0.03, 1);
  const DriveDesk desk(question);
  const auto found = answer(desk);
  const auto speed = [&](double ratio) {
    const LoadLine line = at_ratio(desk.setup().line, ratio);
    const auto search = find_operating_point(desk.setup().motor, desk.setup().machine, line);
    return search.motor_speed ? handwheel_speed(line, desk.setup().motor, *search.motor_speed) : 0;
  };
  double low = 1, high = 20, best = low;
  for (int round = 0; round < 10; ++round) {
    const double step = (high - low) / 40;
    double top = -1;
    for (int k = 0; k <= 40; ++k)
      if (const double here = speed(low + k * step); here > top) top = here, best = low + k * step;
    low = best - step, high = best + step;
  }
  CHECK(value_of(found, Figure::kBestRatio) == doctest::Approx(best).epsilon(2e-4));
  CHECK(value_of(found, Figure::kBestHandwheelSpeed) * std::numbers::pi / 30 ==
        doctest::Approx(speed(best)).epsilon(1e-8));
  // A loss that stayed the same would ask for a higher ratio.
  DriveQuestion constant = question;
  constant.belt_seen->motor_pulley.reset();
  constant.belt_seen->hand_pulley.reset();
  CHECK(best < 0.99 * value_of(answer(DriveDesk(constant)), Figure::kBestRatio));
}

TEST_CASE("With a belt's law derivatives of every figure agree with finite differences") {
  const Seen bench;
  DriveQuestion question = bench.question(0.016, 2);
  question.belt_elsewhere = {bench.runs(bench.other, 0.025, 0.0066, 0.014, 3)};
  question.what_if_diameter = Uncertain{0.014, 3e-5};
  question.extra_nm = 0.03;
  question.max_motor_speed = 500;
  question.wanted_speed = 60;
  question.slow_speed = 25;
  question.seam_nm = 0.02;
  CHECK(check_derivatives_of_figures(question, 1e-3, 1e-4) > 400);
}

TEST_CASE("Runs on a second pair of pulleys narrow the exponent by the two doubts' weights") {
  // Normal theory: a prior of 1 ± 0.5 and one sighting of 0.6 ± 0.2 make
  // (1/0.25 + 0.6/0.04)/(1/0.25 + 1/0.04), of variance 1/(1/0.25 + 1/0.04).
  const auto lost = [](double d) {
    return 0.01 * d * (std::pow(d, -1.6) + std::pow(110, -1.6)) /
           (20 * (std::pow(20, -1.6) + std::pow(110, -1.6)));
  };
  const std::vector<SeenQuantity> seen = {{20, 110, lost(20)}, {14, 110, lost(14)}};
  const auto found =
      narrowed_exponent(BeltQuantity::kLoss, seen, 1e-16 * Eigen::MatrixXd::Identity(2, 2));
  CHECK(found.value == doctest::Approx((4 + 0.6 * 25) / 29).epsilon(0.01));
  CHECK(found.own_sd == doctest::Approx(std::sqrt(1.0 / 29)).epsilon(0.05));
  // Where the sightings are lost in their errors the published exponent stays.
  const auto blind = narrowed_exponent(BeltQuantity::kLoss, seen, Eigen::MatrixXd::Identity(2, 2));
  CHECK(blind.value == doctest::Approx(1).epsilon(1e-3));
  CHECK(blind.own_sd == doctest::Approx(0.5).epsilon(1e-3));
  CHECK(narrowed_exponent(BeltQuantity::kSlip, {seen.front()}, Eigen::MatrixXd::Zero(1, 1)).value ==
        2);
}

TEST_CASE("A belt seen with one motor serves another, with more doubt") {
  const Seen bench;
  DriveQuestion question = bench.question(Seen::kSmall, 1);
  const auto own = answer(DriveDesk(question));
  question.motor = &bench.other;
  question.belt_seen->motor = &bench.motor;
  const auto lent = answer(DriveDesk(question));
  CHECK(value_of(lent, Figure::kBeltLoss) == doctest::Approx(Seen::kLoss).epsilon(1e-6));
  CHECK(half_width(lent, Figure::kHandwheelSpeed) > 1.5 * half_width(own, Figure::kHandwheelSpeed));
}

TEST_CASE("From standstill the needle gets no more than the belt carries in its slip check") {
  const Seen bench;
  DriveQuestion question = bench.question(Seen::kSmall, 1);
  const double creep = 500;
  question.belt_seen->creep_speed = Uncertain{creep, 10};
  const auto found = answer(DriveDesk(question));
  // Held, the belt carries what the motor gives at its creep speed less the loss.
  const double most = 5.5 * (bench.motor.torque(creep) - Seen::kLoss);
  CHECK(value_of(found, Figure::kBeltCapacity) == doctest::Approx(most).epsilon(1e-6));
  CHECK(value_of(found, Figure::kNeedleForce) ==
        doctest::Approx((most - 0.10) / 0.015).epsilon(1e-6));
  CHECK(value_of(found, Figure::kStandstillTorque) ==
        doctest::Approx(5.5 * (bench.motor.torque(0) - Seen::kLoss)).epsilon(1e-6));
  // On a smaller pulley at the same tension the hand wheel gets less: the belt bends harder there.
  question.motor_diameter = Uncertain{0.014, 3e-5};
  question.motor_pulley = 2;
  CHECK(value_of(answer(DriveDesk(question)), Figure::kBeltCapacity) < 0.95 * most);
  CHECK(value_of(answer(DriveDesk(question)), Figure::kBeltCapacity) > 0.5 * most);
  // A belt that slips at less than the machine takes at its top speed is told of.
  question = bench.question(Seen::kSmall, 1);
  question.belt_seen->creep_speed = Uncertain{1.1 * question.belt_seen->motor_speed.value, 1};
  const auto slips = answer(DriveDesk(question));
  CHECK(value_of(slips, Figure::kBeltUse) > 100);
  bool told = false;
  for (const std::string& warning : slips.warnings)
    told = told || warning.find("slip") != std::string::npos;
  CHECK(told);
}

TEST_CASE("The largest pull is the capstan's, summed up along the wrap") {
  // dT = µ/sin(β/2)·T·dθ in a hundred thousand steps; T₁ − T₂ for T₁ + T₂ = 30 N.
  const double friction = 0.35, wrap = 2.6, angle = 36 * std::numbers::pi / 180;
  double tension = 1;
  const int steps = 100000;
  for (int k = 0; k < steps; ++k) {
    const double gain = friction / std::sin(angle / 2) * wrap / steps;
    tension *= 1 + gain + gain * gain / 2;
  }
  CHECK(most_pull(30, friction, wrap, angle) ==
        doctest::Approx(30 * (tension - 1) / (tension + 1)).epsilon(1e-8));
}

TEST_CASE("A belt grips less well on a small pulley, as was measured") {
  // T₁/T₂ of 21 on pulleys of 51 mm radius and 5 on 21 mm, half a turn of wrap each (abstract named
  // in belt_law.h): the pull over T₁ + T₂ is (q − 1)/(q + 1), its lever the radius.
  CHECK(capacity_change(0.042, 0.042, 0.102, 0.102) ==
        doctest::Approx(21.0 / 51 * (4.0 / 6) / (20.0 / 22)).epsilon(1e-9));
  CHECK(capacity_change(0.02, 0.11, 0.02, 0.11) == doctest::Approx(1));
  // Half the pulley carries less than half.
  CHECK(capacity_change(0.01, 0.11, 0.02, 0.11) < 0.45);
}
