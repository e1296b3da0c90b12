// Belt length and tension against handbook formulas and worked examples.
#include <doctest/doctest.h>

#include <cmath>
#include <random>

#include "db/basis/error.h"
#include "db/basis/units.h"
#include "fit/belts/grooves/length.h"
#include "fit/belts/grooves/tension.h"

using namespace loadline;

// D 90, d 18, C 210 mm: exact values computed from the formula in any text on machine elements, in
// plain double arithmetic; the handbooks' approximation 2C + π(D+d)/2 + (D−d)²/4C gives 595.8174.
TEST_CASE("open belt length: exact, with wraps") {
  const DriveLength g = open_length({210, 90, 18});
  CHECK(g.length_mm == doctest::Approx(595.8327).epsilon(1e-7));
  CHECK(deg_from_rad(g.small_wrap_rad) == doctest::Approx(160.2582).epsilon(1e-6));
  CHECK(g.length_mm ==
        doctest::Approx(2 * 210 + kPi * 108 / 2 + 72.0 * 72 / 4 / 210).epsilon(5e-5));
}

// Data of a school problem page (D 393, d 105, C 697 mm). That page takes the arctangent where the
// arcsine is right and arrives at 2204.85 mm; the exact values are recomputed from its data.
TEST_CASE("open belt length: the arctangent trap") {
  const DriveLength g = open_length({697, 393, 105});
  CHECK(g.length_mm == doctest::Approx(2206.1141).epsilon(1e-7));
  CHECK(deg_from_rad(g.small_wrap_rad) == doctest::Approx(156.1537).epsilon(1e-6));
  CHECK(deg_from_rad(g.big_wrap_rad) == doctest::Approx(203.8463).epsilon(1e-6));
}

// A polygon of tangent spans and arcs walked in small steps: the formula's slow, obvious peer.
TEST_CASE("open belt length agrees with walking round the pulleys") {
  std::mt19937_64 engine(3);
  std::uniform_real_distribution<double> any(0, 1);
  for (int i = 0; i < 50; ++i) {
    const double big = 20 + 150 * any(engine), small = 5 + (big - 5) * any(engine);
    const double centre = (big + small) / 2 + 300 * any(engine);
    // Outer tangent by its touching points: both radii point along the same normal n.
    const double s = (big - small) / 2 / centre, c = std::sqrt(1 - s * s);
    const double x1 = s * big / 2, y1 = c * big / 2;
    const double x2 = centre + s * small / 2, y2 = c * small / 2;
    const double span = std::hypot(x2 - x1, y2 - y1);
    const double big_arc = big / 2 * 2 * (kPi - std::atan2(y1, x1));
    const double small_arc = small / 2 * 2 * std::atan2(y2, x2 - centre);
    const DriveLength g = open_length({centre, big, small});
    CHECK(g.span_mm == doctest::Approx(span).epsilon(1e-12));
    CHECK(g.length_mm == doctest::Approx(2 * span + big_arc + small_arc).epsilon(1e-12));
    CHECK(centre_for_length(g.length_mm, big, small) == doctest::Approx(centre).epsilon(1e-9));
  }
}

TEST_CASE("cords: the middle is ordered, the ends are the play") {
  const double up[] = {588, 601, 615}, down[] = {615, 601, 588}, bad[] = {601, 588, 615};
  for (const auto& cords : {up, down}) {
    const LengthWanted wanted = wanted_from_cords(std::span(cords, 3));
    CHECK(wanted.order_mm == 601);
    CHECK(*wanted.shortest_mm == 588);
    CHECK(*wanted.longest_mm == 615);
    CHECK(wanted.takes(610));
    CHECK_FALSE(wanted.takes(616));
  }
  CHECK_THROWS_WITH_AS(wanted_from_cords(bad), doctest::Contains("must lie between"), Error);
}

// The number after the section is the outside length in tenths of an inch: 3L470 is 47.0 in
// (a parts page on V-belt numbers).
TEST_CASE("light-duty numbers are tenths of an inch outside") {
  const double outside = 47.0 * 25.4;
  const double line = tension_line_length(outside, 7.0 / 32 * 25.4, true);
  const LightDutyNumber number = light_duty_number("3L", line);
  CHECK(number.name == "3L470");
  CHECK(number.outside_mm == doctest::Approx(outside));
  CHECK(number.tension_line_mm == doctest::Approx(line));
  CHECK_THROWS_AS(light_duty_number("9Z", 500), Error);
}

TEST_CASE("impossible drives are refused") {
  CHECK_THROWS_WITH_AS(open_length({40, 90, 18}), doctest::Contains("overlap"), Error);
  CHECK_THROWS_AS(open_length({0, 90, 18}), Error);
  CHECK_THROWS_WITH_AS(centre_for_length(200, 90, 18), doctest::Contains("does not go round"),
                       Error);
}

// µ = 0.3, θ = π: exp(µθ/sin(β/2)) in any text; values by plain arithmetic.
TEST_CASE("Euler and Eytelwein with the wedge of the groove") {
  const auto ratio = [](Wedge wedge, double degrees) {
    return strand_ratio(effective_friction(wedge, 0.3, rad_from_deg(degrees)), kPi);
  };
  CHECK(ratio(Wedge::kFlat, 180) == doctest::Approx(2.56633).epsilon(1e-5));
  CHECK(ratio(Wedge::kV, 180) == doctest::Approx(2.56633).epsilon(1e-5));
  CHECK(ratio(Wedge::kV, 40) == doctest::Approx(15.7308).epsilon(1e-5));
  CHECK(ratio(Wedge::kV, 38) == doctest::Approx(18.0812).epsilon(1e-5));
  CHECK(ratio(Wedge::kV, 34) == doctest::Approx(25.1174).epsilon(1e-5));
}

// Khurmi, Theory of Machines, V-belt example (citation from memory, unverified; the numbers were
// recomputed): two belts of 750 mm², 1200 kg/m³, 7 MPa, groove 30°, µ 0.12, 300 mm pulleys, 180°,
// 1500 rpm: 171.7 kW.
TEST_CASE("a V drive at speed: power with the centrifugal tension taken off") {
  const double v = kPi * 0.3 * 1500 / 60, area = 750e-6;
  const double tc = centrifugal_tension(area * 1200, v);
  CHECK(tc == doctest::Approx(499.65).epsilon(1e-5));
  const double t1 = 7e6 * area - tc;
  const double ratio = strand_ratio(effective_friction(Wedge::kV, 0.12, rad_from_deg(30)), kPi);
  CHECK(ratio == doctest::Approx(4.2913).epsilon(2e-5));
  CHECK(2 * (t1 - t1 / ratio) * v == doctest::Approx(171690).epsilon(1e-5));
}

TEST_CASE("the tension for a torque carries exactly that torque, and bears on the shaft") {
  const double ratio = strand_ratio(effective_friction(Wedge::kV, 0.4, rad_from_deg(38)), 2.8);
  const Tension t = tension_for_torque(0.2, 0.009, ratio, 2.8);
  CHECK((t.tight_n - t.slack_n) * 0.009 == doctest::Approx(0.2));
  CHECK(t.tight_n / t.slack_n == doctest::Approx(ratio));
  CHECK(slip_torque(t.rest_n, 0.009, ratio) == doctest::Approx(0.2));
  // The strands as vectors leaving the pulley at ±(π − θ)/2 from the line of centres.
  const double a = (kPi - 2.8) / 2;
  const double along = (t.tight_n + t.slack_n) * std::cos(a);
  const double across = (t.tight_n - t.slack_n) * std::sin(a);
  CHECK(t.bearing_load_n == doctest::Approx(std::hypot(along, across)));
  CHECK(t.bearing_rest_n == doctest::Approx(2 * t.rest_n * std::cos(a)));
  // At the same capacity the wedge needs the least tension, the flat belt the most.
  const double flat = strand_ratio(effective_friction(Wedge::kFlat, 0.4, 0), 2.8);
  const double round = strand_ratio(effective_friction(Wedge::kRoundGroove, 0.4, 0), 2.8);
  CHECK(t.rest_n < tension_for_torque(0.2, 0.009, round, 2.8).rest_n);
  CHECK(tension_for_torque(0.2, 0.009, round, 2.8).rest_n <
        tension_for_torque(0.2, 0.009, flat, 2.8).rest_n);
}

// Stretched string, f = √(T/m)/2L: 100 N, 10 g/m, 0.5 m → 100 Hz exactly.
TEST_CASE("a span is tapped at the note of a string") {
  CHECK(span_frequency(100, 0.01, 0.5) == doctest::Approx(100));
  CHECK(tension_from_frequency(100, 0.01, 0.5) == doctest::Approx(100));
}
