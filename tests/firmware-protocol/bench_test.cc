// The simulated bench against closed forms, textbook motors and the conservation of energy.
#include "firmware-protocol/simrig/bench.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numbers>

#include "firmware-protocol/simrig/loads.h"
#include "firmware-protocol/simrig/motor.h"
#include "firmware-protocol/simrig/play.h"
#include "firmware-protocol/simrig/truth.h"

namespace loadline::simrig {
namespace {

constexpr double kRpm = std::numbers::pi / 30.0;
constexpr double kTwoPi = 2.0 * std::numbers::pi;

Scenario scenario(const std::string& text) { return parse_scenario(text); }

/// A series motor on the linear part of its iron, without brushes or own friction.
Scenario linear_series(double volts, double hz, double r, double x, double k) {
  Scenario s = scenario("");
  s.supply.volts = volts;
  s.supply.hz = hz;
  s.motor.saturation_a = 0.0;
  s.motor.brush_v = 0.0;
  s.motor.friction_c0_nm = s.motor.friction_c1_nms = s.motor.friction_c2_nms2 = 0.0;
  s.motor.resistance_ohm = r;
  s.motor.field_h = x / (kTwoPi * hz);
  s.motor.leakage_h = 0.0;
  s.motor.k_vs_per_a = k;
  return s;
}

}  // namespace

// Problem of Guru and Hiziroglu, Electric Machinery and Transformers (data; results derived):
// 240 V, 50 Hz, R = 6.15 + 4.55 Ω, X = 9.4 + 3.2 Ω; 6.5 A at power factor 0.94 and 12,000 rpm gives
// E = 156.05 V; loaded to 12.81 A at power factor 0.74 it runs at 1582 rpm.
TEST_CASE("a textbook series motor runs through both of its points") {
  const double k = (240.0 * 0.94 - 6.5 * 10.7) / (6.5 * 12000.0 * kRpm);
  const Scenario s = linear_series(240.0, 50.0, 10.7, 12.6, k);
  CHECK(rms_current(s.motor, s.supply, 240.0, 20.0, 12000.0 * kRpm) ==
        doctest::Approx(6.50).epsilon(1e-3));
  CHECK(rms_current(s.motor, s.supply, 240.0, 20.0, 1582.0 * kRpm) ==
        doctest::Approx(12.81).epsilon(1e-3));
  // Developed power 1014.3 W at 12,000 rpm.
  CHECK(mean_torque(s.motor, s.supply, 240.0, 20.0, 12000.0 * kRpm) * 12000.0 * kRpm ==
        doctest::Approx(1014.3).epsilon(1e-3));
}

// Problem of Sen, Principles of Electric Machines and Power Electronics (data; results derived):
// 120 V, R = 20 Ω, L = 0.25 H, 0.6 A at 2000 rpm on d.c.; on 60 Hz 0.6 A comes at 1738 rpm with
// 0.309 N·m.
TEST_CASE("a textbook universal motor on direct and on alternating current") {
  const double k = (120.0 - 0.6 * 20.0) / (0.6 * 2000.0 * kRpm);
  Scenario s = linear_series(120.0, 60.0, 20.0, kTwoPi * 60.0 * 0.25, k);
  CHECK(rms_current(s.motor, s.supply, 120.0, 20.0, 1738.0 * kRpm) ==
        doctest::Approx(0.6).epsilon(1e-3));
  CHECK(mean_torque(s.motor, s.supply, 120.0, 20.0, 1738.0 * kRpm) ==
        doctest::Approx(0.309).epsilon(2e-3));
  s.supply.hz = 0.0;
  CHECK(rms_current(s.motor, s.supply, 120.0, 20.0, 2000.0 * kRpm) ==
        doctest::Approx(0.6).epsilon(1e-6));
}

// Maximum power transfer: the converted power peaks where K·ω = √(R² + X²), at V²/2(R + √(R² +
// X²)).
TEST_CASE("the converted power of a linear series motor peaks where theory puts it") {
  const double k = 0.0191047, z = std::hypot(10.7, 12.6);
  const Scenario s = linear_series(240.0, 50.0, 10.7, 12.6, k);
  const MotorTruth truth = motor_truth(s.motor, s.supply, 240.0, 20.0);
  CHECK(truth.peak_power_speed == doctest::Approx(z / k).epsilon(1e-4));
  CHECK(truth.peak_power == doctest::Approx(240.0 * 240.0 / (2.0 * (10.7 + z))).epsilon(1e-6));
  // T = K·V²/((R + Kω)² + X²) along the whole curve.
  for (const auto& [speed, torque] : truth.curve)
    if (speed < 3000.0)
      CHECK(torque ==
            doctest::Approx(k * 240.0 * 240.0 / (std::pow(10.7 + k * speed, 2) + 12.6 * 12.6))
                .epsilon(1e-5));
}

TEST_CASE("a resistor in series and a warm winding act as more resistance") {
  Scenario s = linear_series(240.0, 50.0, 10.7, 12.6, 0.0191047);
  const double plain = mean_torque(s.motor, s.supply, 240.0, 20.0, 500.0);
  s.supply.series_ohm = 3.0;
  const double dimmed = mean_torque(s.motor, s.supply, 240.0, 20.0, 500.0);
  const auto theory = [](double r) {
    return 0.0191047 * 240.0 * 240.0 / (std::pow(r + 0.0191047 * 500.0, 2) + 12.6 * 12.6);
  };
  CHECK(plain == doctest::Approx(theory(10.7)).epsilon(1e-5));
  CHECK(dimmed == doctest::Approx(theory(13.7)).epsilon(1e-5));
  // Copper gains 0.393 % per kelvin (IEC 60028, from memory).
  s.supply.series_ohm = 0.0;
  CHECK(mean_torque(s.motor, s.supply, 240.0, 80.0, 500.0) ==
        doctest::Approx(theory(10.7 * (1.0 + 60.0 * 0.00393))).epsilon(1e-5));
}

// At stall 230 V over |140 + 116i| Ω drive 1.26 A, at which the flux of the bent iron is 1/√(1
// + 1.26²) = 0.62 of the straight one's; at 1500 rad/s 230 V over |470 + 116i| Ω leave 0.48 A and
// 0.90, which the weaker back voltage makes up for in part.
TEST_CASE("iron that bends costs torque at stall and changes little at light load") {
  Scenario s = linear_series(230.0, 50.0, 140.0, 116.0, 0.22);
  const double straight_stall = mean_torque(s.motor, s.supply, 230.0, 20.0, 0.0);
  const double straight_fast = mean_torque(s.motor, s.supply, 230.0, 20.0, 1500.0);
  s.motor.saturation_a = 1.0;
  CHECK(mean_torque(s.motor, s.supply, 230.0, 20.0, 0.0) < 0.85 * straight_stall);
  CHECK(mean_torque(s.motor, s.supply, 230.0, 20.0, 1500.0) ==
        doctest::Approx(straight_fast).epsilon(0.06));
}

// Permanent magnet (any text): T = Ts·(1 − ω/ωn), peak power Ts·ωn/4 at ωn/2.
TEST_CASE("a permanent-magnet motor has its straight line") {
  Scenario s = scenario(
      "[supply]\nhz = 0\nvolts = 24\n[motor]\nkind = permanent-magnet\nke_vs = 0.05\n"
      "resistance_ohm = 2\nleakage_h = 0.001\nbrush_v = 0\nfriction_c0_nm = 0\n"
      "friction_c1_nms = 0\nfriction_c2_nms2 = 0\n");
  const MotorTruth t = motor_truth(s.motor, s.supply, 24.0, 20.0);
  CHECK(t.stall_torque == doctest::Approx(0.05 * 24.0 / 2.0).epsilon(1e-6));
  CHECK(t.no_load_speed == doctest::Approx(24.0 / 0.05).epsilon(1e-6));
  CHECK(t.peak_power == doctest::Approx(0.6 * 480.0 / 4.0).epsilon(1e-6));
  CHECK(t.peak_power_speed == doctest::Approx(240.0).epsilon(1e-3));
}

// Run-up of the same motor against its rotor: a system of second order (derived),
// J·L·ω'' + J·R·ω' + ke²·ω = ke·V, so ω = ωn·(1 − (τ1·e^(−t/τ1) − τ2·e^(−t/τ2))/(τ1 − τ2)).
TEST_CASE("a permanent-magnet motor runs up exponentially") {
  Scenario s = scenario(
      "[run]\nkind = spin-up\nlead_s = 0\ntail_s = 0\naction_s = 2\n[supply]\nhz = 0\nvolts = 24\n"
      "[motor]\nkind = permanent-magnet\nke_vs = 0.05\nresistance_ohm = 2\nleakage_h = 0.0006\n"
      "brush_v = 0\nfriction_c0_nm = 0\nfriction_c1_nms = 0\nfriction_c2_nms2 = 0\nstart_c = 20\n"
      "winding_j_per_k = 1e12\ninertia_kgm2 = 5e-5\n[flywheel]\ninertia_kgm2 = 4.5e-4\n");
  const double sum = 2.0 / 6e-4, product = 0.05 * 0.05 / (5e-4 * 6e-4);
  const double root = std::sqrt(0.25 * sum * sum - product);
  const double t1 = 1.0 / (0.5 * sum - root), t2 = 1.0 / (0.5 * sum + root);
  for (const TrueState& t : record(s, 1).truth) {
    const double left = (t1 * std::exp(-t.time_s / t1) - t2 * std::exp(-t.time_s / t2)) / (t1 - t2);
    CHECK(t.motor_speed == doctest::Approx(480.0 * (1.0 - left)).epsilon(1e-7).scale(480.0));
  }
}

// Kloss, exact when the stator has no impedance: 12 poles, 50 Hz, R2 0.15 Ω, X2 0.25 Ω, 32 V a
// phase; start 103.54 N·m, highest 117.342 N·m at slip 0.6 (200 rpm), 15.576 N·m at 480 rpm (a
// solved textbook problem; digits recomputed with its formulas).
TEST_CASE("an induction motor without stator impedance follows Kloss") {
  const Scenario s = scenario(
      "[supply]\nhz = 50\nvolts = 32\n[motor]\nkind = induction\npoles = 12\nr1_ohm = 0\n"
      "x1_ohm = 0\nr2_ohm = 0.15\nx2_ohm = 0.25\nxm_ohm = 1e9\n");
  const auto torque = [&](double rpm) {
    return mean_torque(s.motor, s.supply, 32.0, 20.0, rpm * kRpm);
  };
  CHECK(torque(0.0) == doctest::Approx(103.536844).epsilon(1e-6));
  CHECK(torque(480.0) == doctest::Approx(15.576339).epsilon(1e-6));
  CHECK(torque(200.0) == doctest::Approx(117.342).epsilon(1e-5));
  CHECK(torque(190.0) < torque(200.0));
  CHECK(torque(210.0) < torque(200.0));
  CHECK(torque(500.0) == doctest::Approx(0.0));
}

// Closed forms of the retardation test (derived): with c0 and c1
// ω = (ω0 + c0/c1)·exp(−c1·t/J) − c0/c1; with c0 and c2
// ω = √(c0/c2)·tan(atan(ω0·√(c2/c0)) − t·√(c0·c2)/J). J = 2e-4 kg·m², c0 = 0.02 N·m, ω0 = 600
// rad/s.
TEST_CASE("coast-downs follow their closed forms and stop when they should") {
  const std::string common =
      "[run]\nkind = coast-down\nlead_s = 0.5\naction_s = 8\ntail_s = 0\n[cell]\n"
      "converter_hz = 500\n[machine]\ninertia_kgm2 = 2e-4\nc0_nm = 0.02\nhold_s = 0.5\n"
      "start_rpm = 5729.5779513082325\n";
  struct Case {
    std::string keys;
    double stop_s, after_1s;
  };
  const Case cases[] = {{"c1_nms = 1e-4\nc2_nms2 = 0\n", 2.772588722, 285.2245278},
                        {"c1_nms = 0\nc2_nms2 = 2e-7\n", 3.433432028, 306.3409242}};
  for (const Case& c : cases) {
    const Scenario s = scenario(common + c.keys);
    const double release = 0.5 + 1.5 + 0.5;
    double stopped = 0.0, near_1s = 0.0;
    for (const TrueState& t : record(s, 1).truth) {
      const double since = t.time_s - release;
      if (since < 1e-6) continue;
      double exact = s.machine.c1_nms > 0.0
                         ? (600.0 + 200.0) * std::exp(-0.5 * since) - 200.0
                         : std::sqrt(1e5) * std::tan(std::atan(600.0 / std::sqrt(1e5)) -
                                                     since * std::sqrt(0.02 * 2e-7) / 2e-4);
      if (since > c.stop_s) exact = 0.0;
      CHECK(t.handwheel_speed == doctest::Approx(exact).epsilon(1e-9).scale(600.0));
      if (std::abs(since - 1.0) < 1e-6) near_1s = t.handwheel_speed;
      if (t.handwheel_speed > 0.0) stopped = since;
    }
    CHECK(near_1s == doctest::Approx(c.after_1s).epsilon(1e-9));
    CHECK(stopped == doctest::Approx(c.stop_s).epsilon(2e-3));
  }
}

// Newton: a torque T for a time t takes T·t/J from the speed, here 0.01·0.5/2e-4 = 25 rad/s in the
// mean over the turns of the seam, some thirty, of which the last is cut anywhere.
TEST_CASE("a seam of cloth takes its torque for its time, and no longer") {
  const std::string keys =
      "[run]\nkind = coast-down\nlead_s = 0.5\naction_s = 5\ntail_s = 0\n[cell]\n"
      "converter_hz = 500\n[machine]\ninertia_kgm2 = 2e-4\nc0_nm = 0.02\nc1_nms = 0\n"
      "c2_nms2 = 0\nhold_s = 0.5\nstart_rpm = 5729.5779513082325\nseam_at_s = 3\n"
      "seam_over_deg = 360\nseam_from_deg = 0\n";
  const auto speed_after = [&](const std::string& seam, double action_s) {
    double speed = 0.0;
    for (const TrueState& t : record(scenario(keys + seam), 1).truth)
      if (t.time_s <= 0.5 + action_s) speed = t.handwheel_speed;
    return speed;
  };
  const std::string seam = "seam_j = 0.06283185307179587\nseam_s = 0.5\n";  // 2π · 0.01
  CHECK(speed_after(seam, 2.9) == doctest::Approx(speed_after("", 2.9)).epsilon(1e-9));
  for (const double later : {3.6, 4.4})
    CHECK(speed_after("", later) - speed_after(seam, later) == doctest::Approx(25).epsilon(0.02));
}

TEST_CASE("energy is conserved in every kind of run") {
  const char* kinds[] = {"no-load",    "brake",     "spin-up",   "driven",
                         "slip-check", "top-speed", "coast-down"};
  for (const char* kind : kinds) {
    for (const char* subject : {"machine", "both"}) {
      Scenario s =
          scenario(std::string("[run]\nkind = ") + kind +
                   "\n[machine]\nripple2_nm = 0.02\nseam_j = 0.2\n"
                   "seam_at_s = 1\nseam_s = 0.7\nsubject = " +
                   subject + "\n[supply]\nlevels_v = 120,180,230\nlevel_s = 2\nsource_ohm = 3\n" +
                   "[belt]\ncapacity_nm = 0.12\nseam_nm = 0.001\n[brake]\nsweep_s = 8\n");
      s.run.tail_s = 0.0;
      if (s.run.play != Play::kCoastDown) s.run.action_s = s.action_seconds() - 0.01;
      const Energy e = record(s, 3).energy;
      const double in = e.supplied + e.pushed;
      const double out = e.resistance + e.brushes + e.own_friction + e.brake + e.belt + e.machine +
                         e.kinetic + e.magnetic;
      CAPTURE(kind);
      CAPTURE(subject);
      CHECK(in > 0.1);
      // The field's energy is lost at the switch when a circuit is opened: some millijoules.
      CHECK(out == doctest::Approx(in).epsilon(2e-3));
    }
  }
}

// Two roads to the same point: time stepping until nothing changes, and root finding on the
// averaged curves.
TEST_CASE("the drive settles where the curves cross") {
  for (const double ratio : {4.0, 7.0, 11.0}) {
    Scenario s = scenario(
        "[run]\nkind = top-speed\naction_s = 8\ntail_s = 0\n[motor]\n"
        "winding_j_per_k = 1e12\n[belt]\nseam_nm = 0\n");
    s.belt.ratio = ratio;
    const Recording r = record(s, 1);
    const MotorTruth motor = motor_truth(s.motor, s.supply, 230.0, s.motor.start_c);
    const DriveTruth d = drive_truth(motor, s.machine, s.belt, ratio);
    const TrueState& end = r.truth[r.truth.size() - 2];
    CHECK(end.motor_speed == doctest::Approx(d.motor_speed).epsilon(5e-3));
    CHECK(end.handwheel_speed == doctest::Approx(d.handwheel_speed).epsilon(5e-3));
  }
}

// Over all ratios top speed is highest where the motor runs at its peak-power speed, when the belt
// neither slips nor loses (derived: power balance).
TEST_CASE("the best ratio brings the motor to its peak-power speed") {
  Scenario s = scenario("[belt]\nloss_nm = 0\nloss_nms = 0\ncreep = 0\ncapacity_nm = 10\n");
  const MotorTruth motor = motor_truth(s.motor, s.supply, 230.0, 40.0);
  const auto [ratio, speed] = best_ratio(motor, s.machine, s.belt);
  const DriveTruth d = drive_truth(motor, s.machine, s.belt, ratio);
  CHECK(d.motor_speed == doctest::Approx(motor.peak_power_speed).epsilon(0.01));
  CHECK(speed * machine_mean_drag(s.machine, speed) ==
        doctest::Approx(motor.peak_power).epsilon(1e-3));
}

TEST_CASE("a brake that moves slowly reads the motor's curve; the cradle reads it at once") {
  Scenario s = scenario(
      "[brake]\nprogramme = steps\nstep_count = 5\nstep_s = 2\nmax_nm = 0.15\n[motor]\n"
      "winding_j_per_k = 1e12\n[cell]\nnoise_counts = 0\nzero_counts = 0\n");
  const MotorTruth motor = motor_truth(s.motor, s.supply, 230.0, s.motor.start_c);
  for (const char* position : {"brake", "motor"}) {
    s.cell.position = position;
    const Recording r = record(s, 1);
    for (int step = 1; step <= 5; ++step) {
      // The last half second of each step, averaged over whole mains periods and conversions.
      double torque = 0.0, speed = 0.0;
      int n = 0;
      for (std::size_t k = 0; k < r.samples.size(); ++k) {
        const double in_step = r.truth[k].action_s - s.brake.settle_s - 2.0 * step;
        if (in_step < -0.6 || in_step > -0.1) continue;
        torque += r.samples[k].torque_counts / s.cell.counts_per_n * s.cell.arm_mm * 1e-3;
        speed += r.truth[k].motor_speed;
        ++n;
      }
      REQUIRE(n > 20);
      CHECK(torque / n == doctest::Approx(motor.net_torque(speed / n)).epsilon(0.01));
    }
  }
}

TEST_CASE("a held hand wheel lets the belt creep at its capacity") {
  const Scenario s = scenario(
      "[run]\nkind = slip-check\n[belt]\ncapacity_nm = 0.09\nloss_nm = 0\n"
      "loss_nms = 0\n[motor]\nwinding_j_per_k = 1e12\n");
  const Recording r = record(s, 1);
  const MotorTruth motor = motor_truth(s.motor, s.supply, 230.0, s.motor.start_c);
  double speed = 0.0;
  for (const TrueState& t : r.truth) {
    CHECK(t.handwheel_speed == 0.0);
    if (t.action_s > 1.0 && t.action_s < 1.9) speed = t.motor_speed;
  }
  CHECK(motor.net_torque(speed) == doctest::Approx(0.09).epsilon(0.01));
}

TEST_CASE(
    "a motor that is braked beyond its strength stands and the brake feels the stall torque") {
  const Scenario s = scenario(
      "[brake]\nprogramme = steps\nstep_count = 1\nstep_s = 3\nmax_nm = 0.6\n[motor]\n"
      "winding_j_per_k = 1e12\n[cell]\nnoise_counts = 0\nzero_counts = 0\n");
  const MotorTruth motor = motor_truth(s.motor, s.supply, 230.0, s.motor.start_c);
  const Recording r = record(s, 1);
  double torque = 0.0;
  int n = 0;
  for (std::size_t k = 0; k < r.samples.size(); ++k) {
    if (r.truth[k].action_s < 3.5 || r.truth[k].action_s > 4.9) continue;
    CHECK(r.truth[k].motor_speed == 0.0);
    torque += r.samples[k].torque_counts / s.cell.counts_per_n * s.cell.arm_mm * 1e-3;
    ++n;
  }
  REQUIRE(n > 50);
  // Static friction eats what is below it twice a period, so the mean is a little above T − c0.
  CHECK(torque / n == doctest::Approx(motor.stall_torque).epsilon(0.02));
  CHECK(torque / n >= motor.stall_torque);
}

TEST_CASE("the motor warms up, and its torque sinks with that") {
  const Scenario s = scenario(
      "[run]\nkind = brake\n[brake]\nprogramme = steps\nstep_count = 1\n"
      "step_s = 60\nmax_nm = 0.1\n");
  const Recording r = record(s, 1);
  double early = 0.0, late = 0.0, warm = 0.0;
  for (const TrueState& t : r.truth) {
    if (t.action_s > 4.0 && early == 0.0) early = t.motor_speed;
    if (t.action_s > 60.0 && late == 0.0) {
      late = t.motor_speed;
      warm = t.winding_c;
    }
  }
  CHECK(warm > 40.0);
  CHECK(late < 0.98 * early);
}

}  // namespace loadline::simrig
