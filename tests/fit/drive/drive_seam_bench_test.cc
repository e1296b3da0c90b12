// Slow stitching's answers against the simulated bench with a seam in it: motor, belt and machine
// followed through time, on direct and on alternating current, beside the equation over a turn.
//
// The bench shares no code with fit/drive, and knows more: a winding's inductance, a current that
// swings with the mains, a belt that is a stiff spring of creep, a seam of another shape.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <string>
#include <utility>
#include <vector>

#include "drive_bench.h"
#include "firmware-protocol/simrig/bench.h"
#include "fit/drive/answer.h"

using namespace loadline;
using namespace loadline::test;

namespace {

constexpr double kPi = std::numbers::pi, kRpm = kPi / 30;

// What a run on the bench came to: speeds of whole turns of the hand wheel, rad/s.
struct Sewn {
  double before = 0;  // mean of the last turns before the seam
  double after = 0;   // mean of the last turns in it
  double least = 0;   // the lowest in it; 0 where it stood
};

Sewn sew_on_bench(simrig::Scenario s, double seam_at, double seconds) {
  s.run.play = simrig::Play::kTopSpeed;
  s.run.lead_s = 0;
  s.run.tail_s = 0;
  s.run.action_s = seconds;
  s.machine.seam_at_s = seam_at;
  s.cell.converter_hz = 2000;
  simrig::Bench bench(s, 1);
  simrig::Moment moment;
  struct Mark {
    double time, angle;
  };
  Sewn result;
  std::vector<Mark> turns;  // where the hand wheel ends a turn
  Mark last{0, 0};
  const auto mean_of_last = [&](std::size_t count) {
    if (turns.size() <= count) return 0.0;
    return 2 * kPi * static_cast<double>(count) /
           (turns.back().time - turns[turns.size() - 1 - count].time);
  };
  bool sewing = false;
  double least = 1e9;
  while (bench.next(moment)) {
    const auto& now = moment.truth;
    if (!sewing && now.action_s >= seam_at) {
      sewing = true;
      result.before = mean_of_last(5);
    }
    const double turn = 2 * kPi;
    if (std::floor(now.handwheel_angle / turn) > std::floor(last.angle / turn)) {
      const double end = std::floor(now.handwheel_angle / turn) * turn;
      const double part = (end - last.angle) / (now.handwheel_angle - last.angle);
      turns.push_back({last.time + part * (now.time_s - last.time), end});
    }
    last = {now.time_s, now.handwheel_angle};
    if (sewing) least = std::min(least, now.handwheel_speed);
  }
  result.after = mean_of_last(5);
  result.least = least;
  return result;
}

simrig::Scenario plain_bench(const std::string& more) {
  return simrig::parse_scenario(
      "[motor]\nbrush_v = 0\nsaturation_a = 0\nmagnet_per_k = 0\ncopper_per_k = 0\n"
      "friction_c1_nms = 0\nfriction_c2_nms2 = 0\n" +
      more);
}

// The machine of a scenario, and the line to it with the belt's creep as it is for small loads.
Curve drag_of(const simrig::Scenario& s) {
  return machine_drag(s.machine.c0_nm, s.machine.c1_nms, s.machine.c2_nms2, 170);
}

DriveQuestion question_for(const simrig::Scenario& s, const Curve& motor, const Curve& machine,
                           double slow_rpm, double seam_nm) {
  DriveQuestion question = question_of(motor, machine, s.ratio());
  question.belt_loss = {s.belt.loss_nm, 0};
  question.slow_speed = slow_rpm * kRpm;
  question.seam_nm = seam_nm;
  question.machine_inertia = Uncertain{s.machine.inertia_kgm2, 0};
  question.rotor_inertia = s.motor.inertia_kgm2;
  return question;
}

double value(const DriveAnswer& answer, Figure figure) {
  REQUIRE(answer.find(figure) != nullptr);
  return *answer.find(figure)->estimate.value;
}

}  // namespace

TEST_CASE("A magnet motor on lowered voltage sews as slow stitching says") {
  simrig::Scenario s = plain_bench(
      "kind = permanent-magnet\nresistance_ohm = 60\nke_vs = 0.2\nfriction_c0_nm = 0\n"
      "inertia_kgm2 = 3e-5\nleakage_h = 0.02\n[supply]\nhz = 0\nvolts = 110\n"
      "[belt]\ncreep = 0.004\ncapacity_nm = 0.4\nloss_nm = 0.004\nloss_nms = 0\nratio = 6\n"
      "[machine]\nc0_nm = 0.1\nc1_nms = 1e-3\nc2_nms2 = 0\nseam_j = 0.3\ninertia_kgm2 = 2e-3\n");
  // T = ke(V − ke·ω)/R (any machines text).
  const Curve motor = magnet_motor(0.2 * 110 / 60, 110 / 0.2), machine = drag_of(s);
  // The slower, the less of a seam before the swing within a turn is no small one any more.
  for (const auto& [rpm, work] : {std::pair(150.0, 0.08), std::pair(300.0, 0.3)}) {
    CAPTURE(rpm);
    s.machine.seam_j = work;
    const auto found =
        answer(DriveDesk(question_for(s, motor, machine, rpm, s.machine.seam_j / (2 * kPi))));
    simrig::Scenario slow = s;
    slow.supply.volts = 110 * value(found, Figure::kPedalVoltage) / 100;
    const Sewn sewn = sew_on_bench(slow, 6, 14);
    CHECK(sewn.before == doctest::Approx(rpm * kRpm).epsilon(0.01));
    const double drop = 100 * (1 - sewn.after / sewn.before);
    CHECK(value(found, Figure::kVoltageDrop) == doctest::Approx(drop).epsilon(0.08));
    CHECK(value(found, Figure::kVoltageLeastSpeed) * kRpm ==
          doctest::Approx(sewn.least).epsilon(0.05));
    CHECK(sewn.least < sewn.after);
  }
}

TEST_CASE("A series motor behind a resistor sews on alternating current as slow stitching says") {
  simrig::Scenario s = plain_bench(
      "kind = series\nresistance_ohm = 120\nfield_h = 0.25\nleakage_h = 0.1\nk_vs_per_a = 0.25\n"
      "friction_c0_nm = 0.004\ninertia_kgm2 = 3e-5\n[supply]\nhz = 50\nvolts = 230\n"
      "[belt]\ncreep = 0.004\ncapacity_nm = 0.4\nloss_nm = 0.004\nloss_nms = 0\nratio = 6\n"
      "[machine]\nc0_nm = 0.1\nc1_nms = 1e-3\nc2_nms2 = 0\nseam_j = 0.06\ninertia_kgm2 = 2e-3\n");
  // T = A/((ω + R/k)² + (X/k)²) − c₀, A = V²/k, X = 2πf(L_field + L_leakage).
  const double k = 0.25, x = 2 * kPi * 50 * 0.35;
  Curve motor = curve_of("series", {230.0 * 230 / k, 120 / k, x / k, 0.004, 0, 0}, 10, 1500);
  motor.supply_v = 230;
  const Curve machine = drag_of(s);
  const double rpm = 200;
  const auto found =
      answer(DriveDesk(question_for(s, motor, machine, rpm, s.machine.seam_j / (2 * kPi))));
  simrig::Scenario slow = s;
  slow.supply.series_ohm = value(found, Figure::kPedalResistance);
  const Sewn sewn = sew_on_bench(slow, 16, 32);
  CHECK(sewn.before == doctest::Approx(rpm * kRpm).epsilon(0.02));
  const double drop = 100 * (1 - sewn.after / sewn.before);
  CHECK(value(found, Figure::kResistanceDrop) == doctest::Approx(drop).epsilon(0.1));
  CHECK(value(found, Figure::kResistanceLeastSpeed) * kRpm ==
        doctest::Approx(sewn.least).epsilon(0.1));
}

TEST_CASE("Where slow stitching says that the seam stops the machine, it stands on the bench") {
  simrig::Scenario s = plain_bench(
      "kind = permanent-magnet\nresistance_ohm = 60\nke_vs = 0.2\nfriction_c0_nm = 0\n"
      "inertia_kgm2 = 3e-5\nleakage_h = 0.02\n[supply]\nhz = 0\nvolts = 110\n"
      "[belt]\ncreep = 0.004\ncapacity_nm = 0.4\nloss_nm = 0.004\nloss_nms = 0\nratio = 6\n"
      "[machine]\nc0_nm = 0.1\nc1_nms = 1e-3\nc2_nms2 = 0\nseam_j = 1.2\ninertia_kgm2 = 2e-3\n");
  const Curve motor = magnet_motor(0.2 * 110 / 60, 110 / 0.2), machine = drag_of(s);
  const auto found =
      answer(DriveDesk(question_for(s, motor, machine, 60, s.machine.seam_j / (2 * kPi))));
  CHECK(found.stalls[Pedal::kVoltage] == 1);
  simrig::Scenario slow = s;
  slow.supply.volts = 110 * value(found, Figure::kPedalVoltage) / 100;
  CHECK(sew_on_bench(slow, 6, 14).least == 0);
}
