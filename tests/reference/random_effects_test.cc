// Scatter from session to session against the outside: certified analyses of variance, the worked
// example of the Guide to uncertainty, Student's limits where they are exact.
#include <doctest/doctest.h>
#include <fmt/format.h>

#include <boost/math/distributions/chi_squared.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <cmath>
#include <random>

#include "fit/history/evenings/random_effects.h"
#include "fit/history/evenings/run_effects.h"
#include "nist_file.h"

using namespace loadline;
using namespace loadline::reference;

namespace {

Eigen::VectorXd column(const std::vector<double>& values) {
  return Eigen::Map<const Eigen::VectorXd>(values.data(), static_cast<Eigen::Index>(values.size()));
}

double quantile_of_t(double share, double freedom) {
  return boost::math::quantile(boost::math::students_t(freedom), share);
}

}  // namespace

// A balanced one-way layout: with n readings in each group the variance between them is
// (MS between − MS within)/n, or 0, by restricted maximum likelihood as by the analysis of variance
// (any text). The mean squares follow from NIST's certified F and residual standard deviation.
TEST_CASE("balanced NIST sets: the variance between groups is that of the certified mean squares") {
  struct Expected {
    const char* name;
    double least;  // digits; the constant leading digits of SmLs04 to 09 are lost to doubles
  };
  for (const Expected& expected :
       {Expected{"SiRstv", 10}, Expected{"AtmWtAg", 6}, Expected{"SmLs01", 11},
        Expected{"SmLs02", 11}, Expected{"SmLs03", 11}, Expected{"SmLs04", 7},
        Expected{"SmLs05", 7}, Expected{"SmLs06", 7}, Expected{"SmLs07", 2}, Expected{"SmLs08", 2},
        Expected{"SmLs09", 2}}) {
    CAPTURE(expected.name);
    const NistAnova set = read_nist_anova(expected.name);
    const auto n = static_cast<double>(set.groups.front().size());
    const double within = set.residual_sd * set.residual_sd;
    const double certified = std::max(0.0, (set.f_statistic - 1) * within / n);
    std::vector<double> means;
    for (const auto& group : set.groups) {
      REQUIRE(group.size() == set.groups.front().size());
      long double sum = 0;
      for (const double x : group) sum += x;
      means.push_back(static_cast<double>(sum / n));
    }
    const Eigen::VectorXd variances =
        Eigen::VectorXd::Constant(static_cast<Eigen::Index>(means.size()), within / n);
    const RandomEffects model(column(means), variances);
    const double found = *model.variance_between();
    fmt::print("{:<8} between {:.12g}, certified {:.12g}, digits {:.1f}\n", expected.name, found,
               certified, digits(found, certified));
    CHECK(digits(found, certified) >= std::min(expected.least, 6.5));
    // The limits of Q are those of χ² of the between sum of squares.
    const boost::math::chi_squared chi(set.between_freedom);
    const Limits limits = *model.variance_between_limits();
    const double squares = set.between_freedom * set.f_statistic * within / n;
    CHECK(limits.high ==
          doctest::Approx(std::max(0.0, squares / boost::math::quantile(chi, 0.025) - within / n))
              .epsilon(expected.least > 6 ? 1e-6 : 0.02));
    CHECK(limits.low <= found);
  }
}

// JCGM 100:2008, H.5 (from memory; its table's means and standard deviations reproduce the printed
// results): ten days of five readings of a voltage standard. Printed there: s(V̄) 57 µV, 85 µV
// within a day, between days 43 µV, u(V̄) 18 µV.
TEST_CASE("the Guide's voltage standard over ten days") {
  const Eigen::VectorXd means =
      column({172, 116, 13, 144, 106, 31, 60, 125, 163, 41});  // µV above 10 V
  const Eigen::VectorXd sds = column({60, 77, 111, 101, 67, 93, 80, 73, 88, 86});
  const double within = sds.squaredNorm() / 10;
  CHECK(std::sqrt(within) == doctest::Approx(85).epsilon(0.006));
  const RandomEffects model(means, Eigen::VectorXd::Constant(10, within / 5));
  CHECK(std::sqrt(*model.variance_between()) == doctest::Approx(43).epsilon(0.012));
  const auto mean = model.solve(*model.variance_between());
  CHECK(mean.coefficients[0] == doctest::Approx(97).epsilon(0.002));
  CHECK(std::sqrt(mean.covariance(0, 0)) == doctest::Approx(18).epsilon(0.006));
}

// With sessions that are known exactly, another one lies within t·s·√(1 + 1/k) of their mean, the
// mean itself within t·s/√k, t with k − 1 degrees of freedom (any text).
TEST_CASE("limits are Student's where only the scatter of sessions counts") {
  for (const std::vector<double>& values :
       {std::vector<double>{1, 3}, {1, 3, 2.5}, {4, 5, 5.5, 3, 7, 6.2, 4.4, 5.9}}) {
    const auto k = static_cast<double>(values.size());
    const Eigen::VectorXd y = column(values);
    const double s = std::sqrt((y.array() - y.mean()).square().sum() / (k - 1));
    const RandomEffects model(y, Eigen::VectorXd::Zero(y.size()));
    const double t = quantile_of_t(0.975, k - 1);
    const Limits next = *model.limits({Eigen::VectorXd::Ones(1), true});
    CHECK(next.high - y.mean() == doctest::Approx(t * s * std::sqrt(1 + 1 / k)).epsilon(0.01));
    CHECK(y.mean() - next.low == doctest::Approx(t * s * std::sqrt(1 + 1 / k)).epsilon(0.01));
    const Limits mean = *model.limits({Eigen::VectorXd::Ones(1)});
    CHECK(mean.high - y.mean() == doctest::Approx(t * s / std::sqrt(k)).epsilon(0.01));
  }
  const RandomEffects one(column({5}), column({0.1}));
  CHECK_FALSE(one.limits({Eigen::VectorXd::Ones(1), true}));
  CHECK_FALSE(one.variance_between());
}

// Values that agree better than their uncertainties say show no scatter; then the weighted mean has
// Gauss's limits (to what the profile still allows).
TEST_CASE("sessions that agree show no scatter") {
  const RandomEffects model(column({10.0, 10.1, 9.9, 10.0, 10.05, 9.95}),
                            Eigen::VectorXd::Constant(6, 1.0));
  CHECK(*model.variance_between() == 0);
  CHECK(model.variance_between_limits()->high < 0.01);
  const Limits mean = *model.limits({Eigen::VectorXd::Ones(1)});
  CHECK(mean.high - 10 == doctest::Approx(1.96 / std::sqrt(6.0)).epsilon(0.01));
}

// Pairs of runs whose number in common is wrong by δ: run 1 reads s − δ, run 2 of a pair s − δ/2.
TEST_CASE("pairs tell the number that all runs share") {
  std::vector<RunFigure> runs;
  const double shared = 0.2, levels[] = {1.0, 1.3, 0.9};
  for (std::size_t s = 0; s < 3; ++s)
    for (const double by : {1.0, 0.5}) runs.push_back({s, levels[s] - by * shared, 1e-8, by});
  const RunEffects effects = by_session(runs, 4);
  CHECK(*effects.shared == doctest::Approx(shared).epsilon(1e-6));
  for (std::size_t s = 0; s < 3; ++s)
    CHECK(effects.sessions[s].value == doctest::Approx(levels[s]));
  CHECK_FALSE(effects.sessions[3].known);
  CHECK(*effects.run_variance < 1e-6);
}

// How often do limits hold? 4,000 drawn sets, unequal uncertainties; binomial standard error 0.35
// %.
TEST_CASE("limits of another session and of a difference hold in 95 of 100 drawn sets") {
  std::mt19937 dice(11);
  std::normal_distribution<double> normal;
  for (const double between : {0.0, 0.5, 1.0, 3.0})
    for (const int k : {3, 5, 8}) {
      int held = 0, told = 0;
      const int sets = 300;
      for (int i = 0; i < sets; ++i) {
        Eigen::VectorXd y(k), v(k);
        Eigen::MatrixXd design = Eigen::MatrixXd::Ones(k, 2);
        for (int j = 0; j < k; ++j) {
          v[j] = 0.25 + 0.5 * (j % 3);
          y[j] = between * normal(dice) + std::sqrt(v[j]) * normal(dice);
          design(j, 1) = j < k / 2 ? 0 : 1;
        }
        const Limits next = *RandomEffects(y, v).limits({Eigen::VectorXd::Ones(1), true});
        const double truth = between * normal(dice);
        held += next.low <= truth && truth <= next.high ? 1 : 0;
        const Limits step = *RandomEffects(y, v, design).limits({Eigen::VectorXd::Unit(2, 1)});
        told += step.low <= 0 && 0 <= step.high ? 1 : 0;
      }
      fmt::print("between {:.1f}, {} sessions: next {:.3f}, difference {:.3f}\n", between, k,
                 held / double(sets), told / double(sets));
      CHECK(held >= 276);
      CHECK(told >= 276);
      if (between >= 1) CHECK(held <= 297);
    }
}
