#include <doctest/doctest.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <map>
#include <random>

#include "fit/belts/comparison/comparison.h"
#include "fit/belts/comparison/repeats.h"

using namespace loadline;

namespace {

// Runs whose ln(speed) are given: [belt][run], all in one block, order unknown.
std::vector<TopSpeed> runs_of(const std::vector<std::vector<double>>& logs) {
  std::vector<TopSpeed> runs;
  for (std::size_t belt = 0; belt < logs.size(); ++belt)
    for (const double value : logs[belt]) {
      TopSpeed run;
      run.run = static_cast<std::int64_t>(runs.size() + 1);
      run.belt = std::string(1, static_cast<char>('A' + belt));
      run.block = "all";
      run.speed = std::exp(value);
      run.supply = 230;
      runs.push_back(run);
    }
  return runs;
}

const BeltPair& pair_of(const BeltComparison& c, const std::string& a, const std::string& b) {
  for (const BeltPair& pair : c.comparisons)
    if (pair.a == a && pair.b == b) return pair;
  FAIL("no pair " << a << " over " << b);
  return c.comparisons.front();
}

double log_of(double percent) { return std::log1p(percent / 100); }

}  // namespace

// R's data set PlantGrowth as logarithms of speed: differences, adjusted p and half width as R's
// TukeyHSD prints them (from memory, recomputed with SciPy 1.10.1).
TEST_CASE("one block: the comparison is Tukey's, on the logarithm of speed") {
  const BeltComparison c =
      compare_belts(runs_of({{4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14},
                             {4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69},
                             {6.31, 5.12, 5.54, 5.50, 5.37, 5.29, 4.92, 6.15, 5.80, 5.26}}));
  CHECK(c.degrees_of_freedom == 27);
  REQUIRE(c.belts.size() == 3);
  CHECK(c.belts[0].name == "C");
  CHECK(c.belts[1].name == "A");
  CHECK(c.belts[2].name == "B");
  const BeltPair& ca = pair_of(c, "C", "A");
  const BeltPair& cb = pair_of(c, "C", "B");
  CHECK(log_of(*ca.difference_percent.value) == doctest::Approx(0.494));
  CHECK(log_of(*cb.difference_percent.value) == doctest::Approx(0.865));
  CHECK(*ca.p_value == doctest::Approx(0.197996).epsilon(1e-5));
  CHECK(*cb.p_value == doctest::Approx(0.0120064).epsilon(1e-5));
  CHECK(log_of(*cb.difference_percent.high) == doctest::Approx(0.865 + 0.691216).epsilon(1e-6));
  CHECK(log_of(*cb.difference_percent.low) == doctest::Approx(0.865 - 0.691216).epsilon(1e-5));
  CHECK(*c.belts[0].group == "a");
  CHECK(*c.belts[1].group == "ab");
  CHECK(*c.belts[2].group == "b");
}

// Montgomery & Runger, Applied Statistics and Probability for Engineers, 3rd ed., example 13-5, as
// logarithms: error mean square 0.951/12 (recomputed from the data); q(0.05; 4, 12) = 4.1987 (any
// table of the studentized range: 4.20).
TEST_CASE("pulleys are blocks: fabrics and chemicals of Montgomery and Runger") {
  const double cells[4][5] = {{1.3, 1.6, .5, 1.2, 1.1},
                              {2.2, 2.4, .4, 2.0, 1.8},
                              {1.8, 1.7, .6, 1.5, 1.3},
                              {3.9, 4.4, 2.0, 4.1, 3.4}};
  std::vector<TopSpeed> runs;
  for (int i = 0; i < 4; ++i)
    for (int j = 0; j < 5; ++j) {
      TopSpeed run;
      run.belt = std::to_string(i + 1);
      run.block = "fabric " + std::to_string(j);
      run.speed = std::exp(cells[i][j]);
      run.supply = 230;
      runs.push_back(run);
    }
  const BeltComparison c = compare_belts(runs);
  CHECK(c.degrees_of_freedom == 12);
  CHECK(*c.repeatability.value == doctest::Approx(100 * std::sqrt(0.951 / 12)).epsilon(1e-9));
  const BeltPair& pair = pair_of(c, "4", "1");
  CHECK(log_of(*pair.difference_percent.value) == doctest::Approx(3.56 - 1.14).epsilon(1e-9));
  CHECK(log_of(*pair.difference_percent.high) - log_of(*pair.difference_percent.value) ==
        doctest::Approx(4.1987 * std::sqrt(0.951 / 12 / 5)).epsilon(1e-4));
}

TEST_CASE("one run of each belt gives differences without intervals, and says so") {
  const BeltComparison c = compare_belts(runs_of({{6.0}, {6.03}}));
  REQUIRE(c.comparisons.size() == 1);
  CHECK(*c.comparisons[0].difference_percent.value == doctest::Approx(100 * std::expm1(0.03)));
  CHECK_FALSE(c.comparisons[0].difference_percent.low);
  CHECK_FALSE(c.comparisons[0].p_value);
  CHECK_FALSE(c.belts[0].group);
  CHECK_FALSE(c.belts[0].top_speed.low);
  CHECK_FALSE(c.repeatability.value);
  REQUIRE_FALSE(c.warnings.empty());
  CHECK(c.warnings.back().find("no belt was run twice") != std::string::npos);
  CHECK(c.comparable());
}

TEST_CASE("belts that never shared a pulley pair get no difference") {
  auto runs = runs_of({{6.0, 6.01}, {6.1, 6.11}, {6.2, 6.21}});
  for (TopSpeed& run : runs) run.block = run.belt == "C" ? "other pulleys" : "pulleys";
  const BeltComparison c = compare_belts(runs);
  CHECK_FALSE(pair_of(c, "C", "A").difference_percent.value);
  CHECK(pair_of(c, "B", "A").difference_percent.value);
  CHECK(std::any_of(c.warnings.begin(), c.warnings.end(), [](const std::string& warning) {
    return warning.find("never ran on the same pulleys") != std::string::npos;
  }));
  for (TopSpeed& run : runs) run.block = run.belt;
  CHECK_FALSE(compare_belts(runs).comparable());
}

// Speeds made exactly by n = n₀·(V/230)^0.9·drift: the corrected comparison must return the belts'
// ratio to rounding and both effects, whatever the imbalance.
TEST_CASE("supply and drift are taken out exactly where they are exact") {
  std::vector<TopSpeed> runs;
  const double volts[] = {228, 233, 231, 226, 235, 230, 229, 232, 234, 227, 231, 236};
  for (int i = 0; i < 12; ++i) {
    TopSpeed run;
    run.run = i + 1;
    run.belt = (i * 7 % 12) % 2 == 0 ? "A" : "B";
    run.block = "all";
    run.order = i;
    run.supply = volts[i];
    const double noise = 1e-6 * ((i * 5 + 3) % 7 - 3);
    run.speed = 100 * (run.belt == "A" ? 1.02 : 1.0) * std::pow(volts[i] / 230, 0.9) *
                std::exp(-0.04 * (i / 11.0 - 0.5) + noise);
    runs.push_back(run);
  }
  const BeltComparison c = compare_belts(runs);
  CHECK(*pair_of(c, "A", "B").difference_percent.value == doctest::Approx(2).epsilon(1e-3));
  CHECK(*c.supply_effect.value == doctest::Approx(0.9).epsilon(1e-3));
  CHECK(*c.drift.value == doctest::Approx(-4).epsilon(1e-3));
}

TEST_CASE("with too few runs the supply's effect comes from what is known beforehand") {
  auto runs = runs_of({{6.0, 6.002}, {6.05, 6.051}});
  const double volts[] = {230, 231, 234, 236};
  for (std::size_t i = 0; i < 4; ++i) runs[i].supply = volts[i];
  CompareOptions known;
  known.supply_effect = KnownEffect{1.0, 0.05, "the curve"};
  const BeltComparison c = compare_belts(runs, known);
  // By hand: logarithms less 1.0·ln(V/232.5), means, difference.
  const double by_hand =
      (6.0505 - std::log(234.0 * 236.0) / 2) - (6.001 - std::log(230.0 * 231.0) / 2);
  CHECK(log_of(*pair_of(c, "B", "A").difference_percent.value) ==
        doctest::Approx(by_hand).epsilon(1e-9));
  const BeltComparison vague = compare_belts(runs);
  const auto width = [](const BeltComparison& x) {
    return *x.comparisons[0].difference_percent.high - *x.comparisons[0].difference_percent.low;
  };
  CHECK(width(vague) > width(c));
}

TEST_CASE("a run far from its fellows is named") {
  auto runs = runs_of({{6.0, 6.001, 6.002, 5.999}, {6.01, 6.011, 6.009, 6.2}, {6.02, 6.021, 6.02}});
  const BeltComparison c = compare_belts(runs);
  bool named = false;
  for (const std::string& warning : c.warnings)
    named = named || warning.find("run 8 (B)") != std::string::npos;
  CHECK(named);
}

// For two belts the criterion is Student's t; the classical table for the two-sample t test at 5 %
// asks for n = 17 of each to find a difference of one standard deviation with power 0.8 (Cohen
// 1988, from memory). Here a degree of freedom or two goes to supply and drift: the same n or one
// more.
TEST_CASE("repeats to tell belts apart follow the power of the t test") {
  const double one_sd = 1.0;  // per cent, with a repeatability of 1 %
  const int n = repeats_to_tell_apart(one_sd, 1.0, 2, 1, 0.8).value();
  CHECK(n >= 17);
  CHECK(n <= 19);
  CHECK(repeats_to_tell_apart(5, 1.0, 4).value() < repeats_to_tell_apart(2, 1.0, 4).value());
  CHECK(repeats_to_tell_apart(2, 1, 6).value() > repeats_to_tell_apart(2, 1, 2).value());
  CHECK_FALSE(repeats_to_tell_apart(0.01, 2.0, 4).has_value());
}

// By simulation: two belts that differ by 2 % (by logarithms 1.98), a repeatability of 1 %. Of
// 4,000 sessions a share of 95 % has a standard error of 0.34 %; Student's test on the runs alone
// has two degrees of freedom more than the comparison and so finds a little more.
TEST_CASE("the repeats that are called for find the difference in 19 of 20 sessions") {
  const int n = repeats_to_tell_apart(2, 1, 2).value();
  // 97.5 % quantiles of Student's t for 2n − 2 degrees of freedom (any table).
  const std::map<int, double> table = {{5, 2.306}, {6, 2.228}, {7, 2.179}, {8, 2.145}, {9, 2.120}};
  std::mt19937_64 dice(3);
  std::normal_distribution<double> noise(0, 1);
  const auto found = [&](int runs) {
    constexpr int kSessions = 4000;
    int count = 0;
    for (int session = 0; session < kSessions; ++session) {
      double mean[2] = {0, 0}, squares[2] = {0, 0};
      for (int belt = 0; belt < 2; ++belt)
        for (int i = 0; i < runs; ++i) {
          const double x = (belt == 0 ? 0 : 1.98) + noise(dice);
          mean[belt] += x / runs;
          squares[belt] += x * x;
        }
      double within = 0;
      for (int belt = 0; belt < 2; ++belt) within += squares[belt] - runs * mean[belt] * mean[belt];
      const double sd = std::sqrt(within / (2 * runs - 2) * 2 / runs);
      count += std::fabs(mean[1] - mean[0]) > table.at(runs) * sd;
    }
    return count / static_cast<double>(kSessions);
  };
  CHECK(found(n) > 0.94);
  CHECK(found(n) < 0.985);
  CHECK(found(n - 2) < 0.94);
}

TEST_CASE("What the slip setting does is taken out, by normal equations with its prior") {
  // Belt B was set looser each time. ln(speed) = belt + g·x; plain least squares, then one row more
  // that says g = 0 ± 0.04 in units of the scatter of the fit without x (mixed estimation).
  const double x[6] = {-0.10, -0.06, -0.08, 0.12, 0.05, 0.07};
  const double y[6] = {0.011, 0.004, 0.009, 0.002, 0.013, 0.006};
  std::vector<TopSpeed> runs;
  for (int r = 0; r < 6; ++r) {
    TopSpeed run;
    run.run = r + 1;
    run.belt = r < 3 ? "A" : "B";
    run.order = (r * 5) % 6;
    run.speed = 100 * std::exp(y[r]);
    run.setting = x[r];
    runs.push_back(run);
  }
  const BeltComparison c = compare_belts(runs);
  double squares = 0;
  for (int from : {0, 3}) {
    const double mean = (y[from] + y[from + 1] + y[from + 2]) / 3;
    for (int k = 0; k < 3; ++k) squares += std::pow(y[from + k] - mean, 2);
  }
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  for (int r = 0; r < 6; ++r) {
    const Eigen::Vector3d row(r < 3, r >= 3, x[r]);
    normal += row * row.transpose();
    right += row * y[r];
  }
  normal(2, 2) += squares / 4 / (0.04 * 0.04);
  const Eigen::Vector3d found = normal.ldlt().solve(right);
  const BeltPair& pair = c.comparisons.at(0);
  CHECK(log_of(*pair.difference_percent.value) ==
        doctest::Approx(pair.a == "A" ? found[0] - found[1] : found[1] - found[0]).epsilon(1e-9));
  CHECK(*c.setting_effect.value == doctest::Approx(found[2]).epsilon(1e-9));
}
