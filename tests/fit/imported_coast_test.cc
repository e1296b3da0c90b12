// Coast-downs that come as a file: what an ordinary tachometer prints, with its plateau before the
// release, its repeated values and its unknown number of pulses. The intervals must hold the truth
// here as they do for recorded edges.
#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <random>

#include "fit/drags/drag_fit.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"

using namespace loadline;

namespace {

struct Machine {
  double c0, c1, c2, inertia;
};

// The angle of a shaft that turns evenly for a second, is let go, and runs down: Euler's midpoint
// rule at 0.1 ms, which is good to 1e-7 here.
class RunDown {
 public:
  RunDown(const Machine& machine, double added, double ripple, double speed) : speed_(speed) {
    double angle = 0;
    while (speed > 0.5 && angles_.size() < 200000) {
      angles_.push_back(angle);
      const auto fall = [&](double w, double at) {
        return (machine.c0 + machine.c1 * w + machine.c2 * w * w + ripple * std::sin(2 * at)) /
               (machine.inertia + added);
      };
      const double half = speed - fall(speed, angle) * kStep / 2;
      const double middle = angle + speed * kStep / 2;
      angle += half * kStep;
      speed -= fall(half, middle) * kStep;
    }
  }
  double seconds() const { return kDriven + kStep * static_cast<double>(angles_.size() - 2); }
  double operator()(double t) const {
    if (t <= kDriven) return speed_ * t;
    const double place = (t - kDriven) / kStep;
    const auto at = std::min(static_cast<std::size_t>(place), angles_.size() - 2);
    return speed_ * kDriven +
           std::lerp(angles_[at], angles_[at + 1], place - static_cast<double>(at));
  }

 private:
  static constexpr double kStep = 1e-4, kDriven = 1.0;
  double speed_;
  std::vector<double> angles_;
};

}  // namespace

TEST_CASE("imported coast-down pairs: intervals hold the truth, and are of use") {
  constexpr int kPairs = 40;
  std::mt19937 random(20261126);
  const auto between = [&](double low, double high) {
    return std::uniform_real_distribution<double>(low, high)(random);
  };
  std::array<int, 4> held{};
  std::vector<double> widths;
  for (int pair = 0; pair < kPairs; ++pair) {
    const Machine truth{between(0.03, 0.1), between(3e-4, 1.2e-3), between(1e-6, 8e-6),
                        between(2e-3, 4e-3)};
    const int pulses = std::array{1, 2, 4, 8}[static_cast<std::size_t>(pair % 4)];
    const double rows_hz = std::array{50.0, 80.0}[static_cast<std::size_t>(pair / 4 % 2)];
    const double ripple = between(0, 0.1) * truth.c0;
    tests::ScratchBook scratch;
    const Part machine = tests::add_part(scratch.book(), PartKind::kMachine, "K");
    for (const double added : {0.0, 2 * truth.inertia}) {
      const RunDown angle(truth, added, ripple, between(110, 180));
      Run run;
      run.kind = RunKind::kCoastDown;
      run.machine = machine.id;
      if (added > 0) run.added_inertia_kgm2 = added;
      tests::store(scratch.book(), run,
                   tests::tachometer_rows(angle, angle.seconds(), rows_hz, pulses, true));
    }
    const DragFit fit = fit_drag(scratch.book(), machine, {});
    const std::array<std::pair<const Estimate*, double>, 4> results = {
        {{&fit.c0, truth.c0},
         {&fit.c1, truth.c1},
         {&fit.c2, truth.c2},
         {&fit.inertia, truth.inertia}}};
    for (std::size_t i = 0; i < results.size(); ++i) {
      const auto& [estimate, value] = results[i];
      CAPTURE(pair);
      CAPTURE(i);
      REQUIRE(estimate->low.has_value());
      held[i] += *estimate->low <= value && value <= *estimate->high ? 1 : 0;
    }
    widths.push_back((*fit.c0.high - *fit.c0.low) / 2 / truth.c0);
  }
  // With a coverage of 95 % fewer than 34 of 40 hold the truth in 0.3 % of cases; with 67 % (half
  // the width) 34 or more do in 1 % (binomial distribution).
  for (std::size_t i = 0; i < held.size(); ++i) {
    CAPTURE(i);
    CHECK(held[i] >= 34);
  }
  std::sort(widths.begin(), widths.end());
  CHECK(widths[kPairs / 2] < 0.01);
}
