// Numbers with their units, as they stand on catalogues and plates.
#include "db/basis/quantity.h"

#include <doctest/doctest.h>

#include "db/basis/error.h"

using loadline::Error;
using loadline::read_quantity;
using loadline::unit_of_option;

TEST_CASE("A number may carry its unit; a bare one is in the option's") {
  const auto in = [](const char* text, const char* unit) {
    const auto value = read_quantity(text, unit);
    REQUIRE(value);
    return doctest::Approx(*value).epsilon(1e-12);
  };
  // The inch: 25.4 mm (international yard and pound agreement, 1959).
  CHECK(31.75 == in("1.25in", "mm"));
  CHECK(6.35 == in("1/4in", "mm"));
  CHECK(6.35 == in("1/4\"", "mm"));
  CHECK(12 == in("1.2 cm", "mm"));
  CHECK(12 == in("12", "mm"));
  CHECK(100 == in("100g", "g"));
  CHECK(250 == in("0.25kg", "g"));
  CHECK(0.026 == in("26mNm", "nm"));
  CHECK(0.026 == in("26 mN·m", "nm"));
  // 1 gf·cm = 1e-3 kg × 9.80665 m/s² × 0.01 m (standard gravity, ISO 80000-3).
  CHECK(9.80665e-3 == in("100gcm", "nm"));
  CHECK(3.2e-5 == in("320 g·cm²", "kgm2"));
  CHECK(0.5 == in("500mA", "a"));
  CHECK(120 == in("2min", "s"));
  CHECK(-3 == in("-3 %", "percent"));
}

TEST_CASE("What is no number or no unit of the kind is not guessed at") {
  CHECK_FALSE(read_quantity("", "mm"));
  CHECK_FALSE(read_quantity("in", "mm"));
  CHECK_FALSE(read_quantity("nan", "mm"));
  CHECK_FALSE(read_quantity("inf", "mm"));
  for (const char* text : {"12g", "12 furlongs", "1,5mm", "12mm12", "1/0in", "1.5/4in"})
    CHECK_THROWS_AS(read_quantity(text, "mm"), const Error&);
  CHECK_THROWS_AS(read_quantity("12mm", ""), const Error&);
}

TEST_CASE("An option's unit stands at the end of its name") {
  CHECK(unit_of_option("arm-mm") == "mm");
  CHECK(unit_of_option("added-inertia-kgm2") == "kgm2");
  CHECK(unit_of_option("least-rpm") == "rpm");
  CHECK(unit_of_option("least-needle-n") == "n");
  CHECK(unit_of_option("seed").empty());
  CHECK(unit_of_option("n").empty());
}
