// Typed points: what they are known to, and a belt comparison and a drag made of nothing else.
#include "fit/readings/steady_points.h"

#include <doctest/doctest.h>

#include <cmath>

#include "db/basis/units.h"
#include "fit/belts/session.h"
#include "tests/support/scratch.h"

namespace loadline {
namespace {

TEST_CASE("the step of readings is the last digit that they share") {
  const auto step = [](const std::vector<double>& values) { return reading_step(values); };
  CHECK(step({1340, 1342, 1339}) == doctest::Approx(1));
  CHECK(step({1340, 1350, 1330}) == doctest::Approx(10));
  CHECK(step({0.42, 0.4, 0.35}) == doctest::Approx(0.001));  // no coarser than a hundredth of 0.42
  CHECK(step({5000}) == doctest::Approx(10));                // one round number proves little
  CHECK(step({1340.123456789, 1342.2}) == 0);
  CHECK(step({}) == 0);
}

SteadyPoint motor_point(double speed, double sd = SteadyPoint::kNone) {
  SteadyPoint point;
  point.motor = speed;
  point.motor_sd = sd;
  point.motor_digit_sd = 0.01;
  return point;
}

PointMean mean(const std::vector<SteadyPoint>& points) {
  return mean_of(points, &SteadyPoint::motor, &SteadyPoint::motor_sd, &SteadyPoint::motor_digit_sd);
}

TEST_CASE("the mean of three readings has Student's interval, a stated one its own") {
  // 10, 11, 12: s = 1, s/√3 = 0.5774, t(0.975; 2) = 4.303 (any table of Student's t).
  const PointMean three = mean({motor_point(10), motor_point(11), motor_point(12)});
  CHECK(three.value == doctest::Approx(11));
  CHECK(1.959964 * three.sd == doctest::Approx(4.303 * 0.5774).epsilon(1e-3));
  CHECK(mean({motor_point(10, 0.3)}).sd == doctest::Approx(0.3));
  // Weights 1 : 4, so (10 + 4·12)/5, standard uncertainty 1/√(1 + 4); they agree well enough.
  const PointMean two = mean({motor_point(10, 1), motor_point(10.5, 0.5)});
  CHECK(two.value == doctest::Approx(10.4));
  CHECK(two.sd == doctest::Approx(1 / std::sqrt(5.0)));
  CHECK(mean({motor_point(10), motor_point(10)}).sd == doctest::Approx(0.01));  // the last digit
  CHECK_FALSE(mean({}).known());
}

TEST_CASE(
    "three rows of a hand tachometer are a top speed, one with its uncertainty too; two rows "
    "are a slip check") {
  const testing::Scratch scratch;
  Book book = Book::open(scratch.path("a.book"), Book::Mode::kCreate);
  const auto add = [&](PartKind kind, const std::string& name) {
    Part part;
    part.kind = kind;
    part.name = name;
    return book.add(part);
  };
  Run run;
  run.source = RunSource::kFile;
  run.steady = true;
  run.machine = add(PartKind::kMachine, "Wren");
  run.belt = add(PartKind::kBelt, "ring");
  const auto store = [&](RunKind kind, double ImportedReading::*member,
                         const std::vector<double>& values, double sd = ImportedReading::kNone) {
    run.kind = kind;
    const std::int64_t id = book.begin_run(run);
    std::vector<ImportedReading> rows(values.size());
    for (std::size_t i = 0; i < rows.size(); ++i) {
      rows[i].time_s = static_cast<double>(i + 1);
      rows[i].*member = values[i];
      rows[i].handwheel_rpm_sd = kind == RunKind::kTopSpeed ? sd : ImportedReading::kNone;
    }
    book.append(id, rows);
    book.end_run(id, RunState::kComplete);
    return id;
  };
  run.slip_check = store(RunKind::kSlipCheck, &ImportedReading::motor_rpm, {5600, 5620});
  store(RunKind::kTopSpeed, &ImportedReading::handwheel_rpm, {1340, 1342, 1344});
  store(RunKind::kTopSpeed, &ImportedReading::handwheel_rpm, {1350}, 2);
  const std::int64_t third = store(RunKind::kTopSpeed, &ImportedReading::handwheel_rpm, {900});
  Run aside = book.run(third);
  aside.aside = "the belt came off";
  book.update_run(aside);
  const BeltSession session = read_belt_session(book, run.machine);
  REQUIRE(session.runs.size() == 2);
  CHECK(rpm_from_rad_per_s(session.runs[0].speed) == doctest::Approx(1342));
  CHECK(rpm_from_rad_per_s(session.runs[1].speed_sd) == doctest::Approx(2));
  REQUIRE(session.refused.size() == 1);
  CHECK(session.refused[0].reason == "it is put aside: the belt came off");
  REQUIRE(session.settings.size() == 1);
  CHECK(*session.settings[0].creep->value == doctest::Approx(5610));
}

}  // namespace
}  // namespace loadline
