// The coast-down's derivatives against differences of its own values: a wrong one does not show in
// an answer, only in steps that creep and in intervals.
#include "fit/coast_downs/motion/coast_problem.h"

#include <doctest/doctest.h>

#include <cmath>

using namespace loadline;

namespace {

// Windows of mean speed of ω(t) = 170 − 60 t; nothing here needs the model to fit them.
Coast windows(double added, bool exact, int count = 30) {
  Coast coast;
  coast.added_kgm2 = added;
  coast.windows_exact = exact;
  for (int i = 0; i < count; ++i) {
    coast.start_s.push_back(0.08 * i);
    coast.end_s.push_back(0.08 * (i + 1));
    coast.speed.push_back(170 - 60 * 0.08 * (i + 0.5));
  }
  coast.length_s = coast.end_s.back();
  coast.speed_high = coast.speed.front();
  coast.speed_low = coast.speed.back();
  coast.weight.assign(coast.size(), 1.0);
  return coast;
}

// A disc of three slots, an edge every 2π/3, at times of the same motion.
Coast edges() {
  Coast coast = windows(0, true);
  coast.by_edges = true;
  coast.slots = 3;
  for (int i = 0; i < 40; ++i) {
    const double angle = i * 2 * M_PI / 3;
    coast.time_s.push_back((170 - std::sqrt(170.0 * 170 - 120 * angle)) / 60);
    coast.angle.push_back(angle);
    coast.slot.push_back(i % 3);
  }
  coast.weight.assign(coast.size(), 1.0);
  return coast;
}

void check_derivatives(const std::vector<Coast>& coasts, const CoastOptions& options) {
  const CoastProblem problem(coasts, options, 2e-3, {});
  const int n = problem.count(), k = problem.parameters();
  Eigen::VectorXd x = problem.start();
  for (int c = 0; c < k; ++c)
    if (x[c] == 0) x[c] = 0.02 * (c % 5 + 1);  // every ripple, slot and age takes part
  Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor> jacobian(n, k);
  Eigen::VectorXd at(n), above(n), below(n);
  REQUIRE(problem.evaluate(x.data(), at.data(), jacobian.data()));
  for (int c = 0; c < k; ++c) {
    CAPTURE(c);
    const double step = 1e-5 * std::max(std::fabs(x[c]), 1e-3);
    Eigen::VectorXd moved = x;
    moved[c] = x[c] + step;
    REQUIRE(problem.evaluate(moved.data(), above.data(), nullptr));
    moved[c] = x[c] - step;
    REQUIRE(problem.evaluate(moved.data(), below.data(), nullptr));
    const Eigen::VectorXd difference = (above - below) / (2 * step);
    // Differences are good to step² of the third derivative and to rounding of r over the step.
    CHECK((difference - jacobian.col(c)).norm() <= 2e-5 * jacobian.col(c).norm() + 1e-6);
  }
}

}  // namespace

TEST_CASE("mean speeds between rows: drag, inertia, age of an edge, ripple, rise near standstill") {
  for (const bool ripple : {false, true})
    for (const bool stribeck : {false, true})
      check_derivatives({windows(0, false), windows(1e-3, false)}, {ripple, stribeck});
}

TEST_CASE("runs that have levels of their own") {
  Eigen::Matrix2d root;
  root << 30, 0, -20, 40;
  for (const bool stribeck : {false, true}) {
    CoastOptions options{true, stribeck};
    options.level_root = root;
    check_derivatives({windows(0, false), windows(1e-3, true)}, options);
  }
}

namespace {

// Rows of a file read as `over`; no value is older than `oldest_s`.
Coast as_rows(Coast coast, WayToRead::Over over, double oldest_s) {
  coast.from_rows = true;
  coast.over = over;
  coast.row_s = 0.08;
  coast.oldest_s = oldest_s;
  for (std::size_t i = 0; i < coast.size(); ++i)  // what is shown began before the first row
    coast.start_s[i] += 0.7, coast.end_s[i] += 0.7;
  coast.length_s += 0.7;
  coast.series = {coast.end_s, std::vector<double>(coast.size(), 0.08),
                  std::vector<double>(coast.size(), 0.5), coast.weight};
  RowNoise noise;
  noise.constant = 1;
  coast.whitener = Whitener(coast.series, noise);
  return coast;
}

}  // namespace

TEST_CASE("displays that take in turns: one some turns ago, the mean of some, smoothed ones") {
  for (const auto over :
       {WayToRead::Over::kTurnAgo, WayToRead::Over::kMeanOfTurns, WayToRead::Over::kSmoothedTurns})
    for (const bool stribeck : {false, true}) {
      CoastOptions options{true, stribeck};
      options.log_age = 2;
      options.known_drag = {30, 0.1, 1e-3, 0};  // how fast ages tell
      check_derivatives(
          {as_rows(windows(0, false, 20), over, 0), as_rows(windows(1e-3, false, 20), over, 0)},
          options);
    }
}

TEST_CASE("displays that look every so often: the mean of the last looks, smoothed ones") {
  for (const auto over : {WayToRead::Over::kMeanOfLooks, WayToRead::Over::kSmoothedLooks})
    for (const double log_age :
         {-2.5, 0.9})  // looks that take longer than a pulse, and shorter ones
      for (const bool stribeck : {false, true}) {
        CoastOptions options{true, stribeck};
        options.log_age = log_age;
        std::vector<Coast> coasts = {as_rows(windows(0, false, 20), over, 0.5),
                                     as_rows(windows(1e-3, false, 20), over, 0.5)};
        for (Coast& coast : coasts) {
          coast.look_s = 0.08;
          for (const double speed : coast.speed) coast.before.push_back(speed + 3);
        }
        check_derivatives(coasts, options);
      }
}

TEST_CASE("rows of the last turn, of the time since the value before, of a speed some angle ago") {
  for (const auto over : {WayToRead::Over::kLastTurn, WayToRead::Over::kLastPulse,
                          WayToRead::Over::kSinceBefore, WayToRead::Over::kInstant})
    for (const double oldest_s : {0.5, 1e-4})  // ages that are free, and all at their bound
      check_derivatives({as_rows(windows(0, false, 20), over, oldest_s),
                         as_rows(windows(1e-3, false, 20), over, oldest_s)},
                        {true, oldest_s > 0.1});
}

TEST_CASE("rows of the last turn that ended at marks") {
  std::vector<Coast> coasts = {as_rows(windows(0, true, 20), WayToRead::Over::kLastTurn, 0.5),
                               as_rows(windows(1e-3, true, 20), WayToRead::Over::kLastTurn, 0.5)};
  for (Coast& coast : coasts) {
    coast.pitch = kPi;
    coast.first_mark = 0.3;
    for (const double t : coast.end_s) coast.mark.push_back(std::floor((170 - 30 * t) * t / kPi));
  }
  check_derivatives(coasts, {true, false});
}

TEST_CASE("mean speeds between edges") {
  check_derivatives({windows(0, true), windows(1e-3, true)}, {true, true});
}

TEST_CASE("edges of a disc whose slots are not where they should be") {
  check_derivatives({edges()}, {false, false});
  check_derivatives({edges()}, {true, true});
}

TEST_CASE("edges of a sound take, which drift as the shaft slows down") {
  Coast heard = edges();
  heard.flank_drift = 3;
  check_derivatives({heard}, {false, false});
  check_derivatives({heard, edges()}, {true, true});
}
