// Belts in grooves: the facts of the trade, geometry by hand, ratios and bores.
#include <doctest/doctest.h>

#include <cmath>

#include "db/basis/error.h"
#include "fit/belts/grooves/fit_check.h"
#include "fit/belts/grooves/seat.h"

using namespace loadline;

namespace {

BeltSection v_belt(double width, double height) {
  return {.kind = BeltKind::kV, .width_mm = width, .height_mm = height, .angle_deg = 40};
}
BeltSection ring(double diameter) {
  return {.kind = BeltKind::kRound, .width_mm = diameter, .height_mm = diameter, .angle_deg = 0};
}

// Grooves as turned for domestic machines: as wide as the belt, and not much deeper.
const Groove kForQuarterInch{.top_mm = 6.5, .depth_mm = 5, .angle_deg = 38, .rim_mm = 20};
const Groove kForFive{.top_mm = 5, .depth_mm = 4, .angle_deg = 38, .rim_mm = 18};

Part named(PartKind kind, const char* name,
           std::map<std::string, std::variant<double, std::string>> fields) {
  Part part;
  part.kind = kind;
  part.name = name;
  part.fields = std::move(fields);
  return part;
}

}  // namespace

// Common practice: what every restorer of small belt-driven machines knows.
TEST_CASE("a 6.35 mm belt seats on the sides of the groove made for it") {
  const Seat s = seat(v_belt(6.35, 4), kForQuarterInch);
  CHECK(s.ride == Ride::kSides);
  CHECK(s.fits);
  CHECK(s.touches == std::vector<std::string>{"sides"});
}

// The light-duty groove for it (top 0.240 in, depth 0.250 in, 32 to 38 degrees: ANSI/RMA IP-23,
// from memory, unverified) takes the 1/4 × 5/32 in belt too.
TEST_CASE("the 2L belt seats in the 2L groove at every angle of the standard") {
  for (const double angle : {32.0, 34.0, 36.0, 38.0}) {
    const Seat s = seat(v_belt(6.35, 3.97),
                        {.top_mm = 6.10, .depth_mm = 6.35, .angle_deg = angle, .rim_mm = 30});
    CHECK(s.fits);
    CHECK(std::fabs(s.top_below_rim_mm) < 0.4);
  }
}

TEST_CASE("6 mm and 6.35 mm belts share pulleys; 3L does not (common practice)") {
  CHECK(seat(v_belt(6, 4), kForQuarterInch).fits);
  CHECK(seat(v_belt(6.35, 4), {.top_mm = 6.1, .depth_mm = 5, .angle_deg = 38}).fits);
  const Seat wide = seat(v_belt(9.5, 5.6), kForQuarterInch);
  CHECK_FALSE(wide.fits);
  CHECK((wide.ride == Ride::kRim || wide.ride == Ride::kRimEdges));
}

TEST_CASE("a 5 mm belt in the groove for 6.35 mm goes to the bottom (common practice)") {
  const Seat s = seat(v_belt(5, 3), kForQuarterInch);
  CHECK(s.ride == Ride::kBottom);
  CHECK_FALSE(s.fits);
  CHECK(s.touches == std::vector<std::string>{"bottom"});
  // In a deeper groove it sinks out of sight and is refused as well.
  const Seat deep = seat(v_belt(5, 3), {.top_mm = 6.5, .depth_mm = 6.35, .angle_deg = 38});
  CHECK_FALSE(deep.fits);
}

TEST_CASE("a 6 mm belt on a 5 mm pulley stays on the rim (common practice)") {
  const Seat s = seat(v_belt(6, 4), kForFive);
  CHECK(s.ride == Ride::kRimEdges);
  CHECK_FALSE(s.fits);
}

TEST_CASE("a 6 mm ring rides on its edges there, a 5 mm ring goes in and grips (common practice)") {
  const Seat six = seat(ring(6), kForFive);
  CHECK(six.ride == Ride::kRimEdges);
  CHECK_FALSE(six.fits);
  const Seat five = seat(ring(5), kForFive);
  CHECK(five.ride == Ride::kSides);
  CHECK(five.fits);
}

// A circle of radius r in a V of half angle φ: its centre is r/sin φ above the apex (derived).
TEST_CASE("a ring's effective diameter is that of its centre") {
  const Groove groove{.top_mm = 6, .depth_mm = 6, .angle_deg = 60, .rim_mm = 40};
  const Seat s = seat(ring(4), groove);
  // φ = 30°: apex 3/tan 30° = 5.196 below the rim, centre 4 above it: 1.196 below the rim.
  CHECK(*s.effective_diameter.value == doctest::Approx(40 - 2 * 1.19615).epsilon(1e-5));
}

// A belt of the groove's own angle and width lies flush; its line is 0.34 of its height down.
TEST_CASE("a belt as wide as the groove lies flush with the rim") {
  const Seat s = seat({.kind = BeltKind::kV, .width_mm = 10, .height_mm = 6, .angle_deg = 38},
                      {.top_mm = 10, .depth_mm = 8, .angle_deg = 38, .rim_mm = 60});
  CHECK(s.top_below_rim_mm == doctest::Approx(0).epsilon(1e-9));
  CHECK(*s.effective_diameter.value == doctest::Approx(60 - 2 * 0.34 * 6));
}

TEST_CASE("sizes that are missing or impossible are refused by the option's name") {
  CHECK_THROWS_WITH_AS(seat(v_belt(0, 4), kForFive), doctest::Contains("--width-mm"), Error);
  CHECK_THROWS_WITH_AS(seat(ring(5), Groove{}), doctest::Contains("--groove-top-mm"), Error);
  CHECK_THROWS_WITH_AS(seat(v_belt(2, 4), kForFive), doctest::Contains("meet above"), Error);
}

TEST_CASE("the drawing is to scale: 10 mm of paper to 1 mm of part") {
  const Seat s = seat(ring(5), kForFive);
  const std::string svg = seat_drawing(ring(5), kForFive, s);
  CHECK(svg.find("<svg") == 0);
  CHECK(svg.find("r=\"25.00\"") != std::string::npos);
  // Width: groove or belt 5 mm, 3 mm of margin on either side.
  CHECK(svg.find("width=\"110.00mm\"") != std::string::npos);
  CHECK(svg.find("fits") != std::string::npos);
}

TEST_CASE("6 mm and 6.35 mm bores and shafts do not mix (common practice)") {
  CHECK(bore_mismatch("motor M", 6.35, "P", 6).value().find("does not go on") != std::string::npos);
  CHECK(bore_mismatch("motor M", 6, "P", 6.35).value().find("loose") != std::string::npos);
  CHECK_FALSE(bore_mismatch("motor M", 6.35, "P", 6.38));
  CHECK_FALSE(bore_mismatch("motor M", 6, "P", 6.0));
}

TEST_CASE("the true ratio comes from a measured pitch, else from where the belt rides or the rim") {
  const Part small = named(PartKind::kPulley, "small",
                           {{"groove-top-mm", 6.5},
                            {"groove-depth-mm", 5.0},
                            {"groove-angle-deg", 38.0},
                            {"rim-mm", 20.0},
                            {"bore-mm", 6.0}});
  const Part wheel = named(PartKind::kPulley, "wheel",
                           {{"groove-top-mm", 6.5},
                            {"groove-depth-mm", 5.0},
                            {"groove-angle-deg", 38.0},
                            {"rim-mm", 90.0}});
  const Part belt = named(PartKind::kBelt, "wedge", {{"width-mm", 6.35}, {"height-mm", 4.0}});
  const TrueRatio ratio = true_ratio(small, wheel, belt);
  // Rims alone give 4.5; the belt rides 1.69 mm deep in both: (90 − 3.38)/(20 − 3.38).
  CHECK(*ratio.ratio.value == doctest::Approx(5.21).epsilon(0.003));
  CHECK(ratio.warnings.empty());
  // A pitch that was measured wins, one pulley at a time: (90 − 3.38)/17 = 5.095, of which the
  // wheel's 86.62 mm is still where the belt rides.
  Part measured = small;
  measured.fields["pitch-mm"] = 17.0;
  const TrueRatio mixed = true_ratio(measured, wheel, belt);
  CHECK(*mixed.motor_diameter.value == 17);
  CHECK(*mixed.ratio.value == doctest::Approx(5.095).epsilon(0.001));
  CHECK(mixed.reason.find("17.00 mm on small (its pitch diameter)") != std::string::npos);
  const TrueRatio rims = true_ratio(small, wheel, std::nullopt);
  CHECK(*rims.ratio.value == doctest::Approx(4.5));
  CHECK(rims.warnings.size() == 2);
  const TrueRatio pitch =
      true_ratio(named(PartKind::kPulley, "p", {{"pitch-mm", 18.0}}),
                 named(PartKind::kPulley, "h", {{"pitch-mm", 90.0}}), std::nullopt);
  CHECK(*pitch.ratio.value == doctest::Approx(5));
  CHECK(pitch.warnings.empty());
  CHECK_FALSE(true_ratio(named(PartKind::kPulley, "bare", {}), wheel, belt).ratio.value);
  const Part motor = named(PartKind::kMotor, "M", {{"shaft-mm", 6.35}});
  const Part thin = named(PartKind::kBelt, "thin", {{"width-mm", 5.0}, {"height-mm", 3.0}});
  const auto warnings = fit_warnings(motor, std::nullopt, small, wheel, thin);
  CHECK(warnings.size() == 3);  // bore, and the thin belt in both grooves
}
