// How runs scatter as wholes: against certified analyses of variance, ordinary regression, and
// motors whose runs scatter by a known amount.
#include <doctest/doctest.h>

#include <Eigen/Dense>
#include <cmath>
#include <random>

#include "fit/curves/run_levels.h"
#include "fit/motors/motor_fit.h"
#include "tests/reference/nist_file.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"

using namespace loadline;
using tests::BrakeBench;

namespace {

// Runs whose levels are known to `sd` each, but for the one that they share.
LevelData data_of(const std::vector<double>& levels, double sd, const std::vector<int>& sessions) {
  const auto n = static_cast<Eigen::Index>(levels.size());
  const Eigen::MatrixXd centred =
      Eigen::MatrixXd::Identity(n, n) - Eigen::MatrixXd::Constant(n, n, 1 / static_cast<double>(n));
  const Eigen::MatrixXd information = centred / (sd * sd);
  return {information, information * Eigen::Map<const Eigen::VectorXd>(levels.data(), n), sessions};
}

// A series motor from its circuit: V² = ((R + Kω)I)² + (XI)², T = KI² less friction.
double torque_of(double w) {
  const double real = 120 + 0.25 * w;
  return 0.25 * 230 * 230 / (real * real + 110 * 110) - 0.012;
}

// A motor's brake runs, each with all torques larger by a level of its own.
MotorFit fit_with_levels(const std::vector<double>& levels, unsigned seed) {
  tests::ScratchBook scratch;
  Run run;
  run.kind = RunKind::kBrake;
  run.inertia_kgm2 = 1e-4;
  run.motor = tests::add_part(scratch.book(), PartKind::kMotor, "M").id;
  for (const double level : levels) {
    BrakeBench bench;
    bench.torque = [&](double w) { return (1 + level) * torque_of(w); };
    bench.noise = 0.002;
    bench.seconds = 12;
    bench.rows_hz = 40;
    bench.seed = ++seed;
    tests::store(scratch.book(), run, bench.rows());
  }
  MotorFitOptions options;
  options.model = "series";
  return fit_motor(scratch.book(), scratch.book().part(PartKind::kMotor, run.motor), options);
}

double half_width(const Estimate& estimate) { return (*estimate.high - *estimate.low) / 2; }

}  // namespace

// Balanced nested readings: restricted maximum likelihood gives the variances of the analysis of
// variance, MS within and (MS between − MS within)/n (any text). The mean squares are NIST's
// certified ones (F and residual standard deviation).
TEST_CASE("runs in sessions: the variances of certified mean squares") {
  for (const auto& [name, scale] : {std::pair("SiRstv", 1.0), std::pair("AtmWtAg", 1e4)}) {
    CAPTURE(name);
    const reference::NistAnova set = reference::read_nist_anova(name);
    std::vector<double> levels;
    std::vector<int> sessions;
    for (std::size_t g = 0; g < set.groups.size(); ++g)
      for (const double x : set.groups[g]) {
        levels.push_back(scale * (x - set.groups[0][0]));
        sessions.push_back(static_cast<int>(g));
      }
    const LevelScatter found = scatter_of(data_of(levels, 1e-4, sessions));
    const double within = std::pow(scale * set.residual_sd, 2);
    const auto n = static_cast<double>(set.groups.front().size());
    const double between = std::max(0.0, (set.f_statistic - 1) * within / n);
    CHECK(found.of_runs * found.of_runs == doctest::Approx(within).epsilon(0.01));
    CHECK(found.of_sessions * found.of_sessions == doctest::Approx(between).epsilon(0.02));
  }
}

TEST_CASE("what noise explains is no scatter; one session's runs scatter by the rest") {
  // s² of these five is 2.5e-4 by hand.
  const std::vector<double> levels = {-0.02, -0.01, 0, 0.01, 0.02};
  const std::vector<int> sessions(5, 0);
  CHECK(scatter_of(data_of(levels, 0.02, sessions)).of_runs == 0);
  const double rest = scatter_of(data_of(levels, 0.01, sessions)).of_runs;
  CHECK(rest * rest == doctest::Approx(1.5e-4).epsilon(0.01));
}

// Frisch and Waugh: an effect beside a fit is the coefficient that it has in the larger regression.
TEST_CASE("effects beside a solution are those of the larger regression") {
  std::mt19937 random(5);
  std::normal_distribution<double> normal;
  const auto drawn = [&](Eigen::Index rows, Eigen::Index columns) {
    return Eigen::MatrixXd(
        Eigen::MatrixXd::NullaryExpr(rows, columns, [&] { return normal(random); }));
  };
  const Eigen::MatrixXd x = drawn(30, 3), beside = drawn(30, 2);
  const Eigen::VectorXd y = drawn(30, 1);
  NonlinearFit solution;
  solution.jacobian = x;
  solution.inverse_normal = (x.transpose() * x).inverse();
  solution.parameters = solution.inverse_normal * x.transpose() * y;
  solution.residuals = x * solution.parameters - y;
  const EffectsBeside effects = effects_beside(solution, beside);
  Eigen::MatrixXd larger(30, 5);
  larger << x, beside;
  const Eigen::VectorXd all = larger.colPivHouseholderQr().solve(y);
  const Eigen::VectorXd found = effects.information.ldlt().solve(effects.right);
  CHECK((found - all.tail(2)).norm() < 1e-10);
  CHECK((solution.parameters - effects.by_effect * found - all.head(3)).norm() < 1e-10);
  // With the second drawn from a distribution of its own the first is what ridge regression of it
  // gives.
  Eigen::MatrixXd ridge(31, 5);
  ridge << larger, 0, 0, 0, 0, 1 / 0.7;
  Eigen::VectorXd longer(31);
  longer << y, 0;
  const EffectsBeside one = without_others(effects, 1, Eigen::VectorXd::Constant(1, 0.49));
  CHECK(one.right[0] / one.information(0, 0) ==
        doctest::Approx(ridge.colPivHouseholderQr().solve(longer)[3]).epsilon(1e-9));
}

TEST_CASE("a motor's runs that scatter as wholes widen its curve, and runs that agree do not") {
  std::mt19937 random(11);
  std::normal_distribution<double> normal;
  const double true_peak = [] {
    double most = 0;
    for (double w = 0; w < 3000; w += 1) most = std::max(most, w * torque_of(w));
    return most;
  }();
  int held = 0, narrow_held = 0;
  double scatter = 0;
  constexpr int kBooks = 12;
  const MotorFit agreeing = fit_with_levels({0, 0, 0, 0}, 100);
  CHECK(agreeing.levels.known);
  CHECK(agreeing.levels.of_runs < 0.003);
  const double narrow = half_width(agreeing.peak_power);
  for (int book = 0; book < kBooks; ++book) {
    std::vector<double> levels(4);
    for (double& level : levels) level = 0.03 * normal(random);
    const MotorFit fit = fit_with_levels(levels, 1000 + 10 * static_cast<unsigned>(book));
    const double off = std::fabs(*fit.peak_power.value - true_peak);
    held += off <= half_width(fit.peak_power);
    narrow_held += off <= narrow;
    scatter += fit.levels.of_runs / kBooks;
  }
  // What a warmer winding could be is taken for one, and only the rest for scatter; with the limits
  // of runs that agree a good part of these books would not be held.
  CHECK(held >= 9);
  CHECK(held > narrow_held);
  CHECK(scatter > 0.005);
}
