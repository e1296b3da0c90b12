// Coast-downs whose motion is known in closed form, through the whole way of an imported run: rows
// into the book, readings, fit, drag.
//
//   J dω/dt = −c0 − c1 ω   →  ω = (ω₀ + c0/c1)·exp(−c1 t/J) − c0/c1,
//                             θ = (ω₀ + c0/c1)(J/c1)(1 − exp(−c1 t/J)) − c0 t/c1
//   J dω/dt = −c0 − c2 ω²  →  ω = √(c0/c2)·tan(a − b t), a = atan(ω₀√(c2/c0)), b = √(c0 c2)/J,
//                             θ = (J/c2)·ln(cos(a − b t)/cos a)
// (by separation of variables; any text on ordinary differential equations). The inertia is found
// from a pair with a known mass added, as in the retardation test of electrical machines:
// J = J₁·t₁/(t₂ − t₁) for the same fall of speed in t₁ alone and in t₂ with J₁ added.
#include <doctest/doctest.h>

#include <cmath>
#include <filesystem>
#include <functional>
#include <string>
#include <vector>

#include "db/basis/units.h"
#include "fit/drags/drag_fit.h"
#include "tests/support/scratch_book.h"

namespace {

using loadline::DragFit;
using loadline::Estimate;

/// Angle turned since the release and the speed, with inertia J.
struct Motion {
  std::function<double(double t, double inertia)> angle, speed;
};

constexpr double kC0 = 0.045, kC1 = 8e-4, kC2 = 6e-6, kInertia = 1.6e-3, kAdded = 1.2e-3;
constexpr double kStart = 95;  // rad/s

Motion with_viscous() {
  return {
      [](double t, double j) {
        return (kStart + kC0 / kC1) * (j / kC1) * -std::expm1(-kC1 * t / j) - kC0 * t / kC1;
      },
      [](double t, double j) { return (kStart + kC0 / kC1) * std::exp(-kC1 * t / j) - kC0 / kC1; }};
}

Motion with_windage() {
  const double a = std::atan(kStart * std::sqrt(kC2 / kC0));
  const auto b = [](double j) { return std::sqrt(kC0 * kC2) / j; };
  return {[a, b](double t, double j) {
            return (j / kC2) * std::log(std::cos(a - b(j) * t) / std::cos(a));
          },
          [a, b](double t, double j) { return std::sqrt(kC0 / kC2) * std::tan(a - b(j) * t); }};
}

/// Rows at 100 Hz, each with the mean speed since the row before: half a second driven at constant
/// speed, then the coast-down to 5 % of the speed.
std::vector<loadline::ImportedReading> rows_of(const Motion& motion, double inertia) {
  constexpr double kStep = 0.01, kHold = 0.5;
  const auto angle = [&](double t) {
    return t <= kHold ? kStart * (t - kHold) : motion.angle(t - kHold, inertia);
  };
  std::vector<loadline::ImportedReading> rows;
  for (int i = 1;; ++i) {
    const double t = i * kStep;
    if (t > kHold && motion.speed(t - kHold, inertia) < 0.05 * kStart) return rows;
    loadline::ImportedReading row;
    row.time_s = t;
    row.handwheel_rpm = loadline::rpm_from_rad_per_s((angle(t) - angle(t - kStep)) / kStep);
    rows.push_back(row);
  }
}

DragFit fit_pair(const Motion& motion) {
  loadline::tests::ScratchBook scratch;
  loadline::Book& book = scratch.book();
  loadline::Part machine;
  machine.kind = loadline::PartKind::kMachine;
  machine.name = "machine";
  machine.id = book.add(machine);
  for (const double added : {0.0, kAdded}) {
    loadline::Run run;
    run.kind = loadline::RunKind::kCoastDown;
    run.source = loadline::RunSource::kFile;
    run.machine = machine.id;
    if (added > 0) run.added_inertia_kgm2 = added;
    const auto id = book.begin_run(run);
    book.append(id, rows_of(motion, kInertia + added));
    book.end_run(id, loadline::RunState::kComplete);
  }
  return loadline::fit_drag(book, machine);
}

double value(const Estimate& estimate) {
  REQUIRE(estimate.value.has_value());
  return *estimate.value;
}

}  // namespace

TEST_CASE("dry and viscous friction come back from the exponential coast-down") {
  const DragFit fit = fit_pair(with_viscous());
  CHECK(value(fit.c0) == doctest::Approx(kC0).epsilon(1e-4));
  CHECK(value(fit.c1) == doctest::Approx(kC1).epsilon(2e-4));
  CHECK(std::abs(value(fit.c2)) * kStart < 1e-3 * kC1);
  CHECK(value(fit.inertia) == doctest::Approx(kInertia).epsilon(1e-4));
}

TEST_CASE("dry friction and windage come back from the tangent coast-down") {
  const DragFit fit = fit_pair(with_windage());
  CHECK(value(fit.c0) == doctest::Approx(kC0).epsilon(1e-4));
  CHECK(std::abs(value(fit.c1)) < 1e-3 * kC2 * kStart);
  CHECK(value(fit.c2) == doctest::Approx(kC2).epsilon(1e-3));
  CHECK(value(fit.inertia) == doctest::Approx(kInertia).epsilon(1e-4));
}
