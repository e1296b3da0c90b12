// The noise of values from rows against its definition: the covariance written out as a matrix and
// decomposed by Cholesky (Eigen), which shares nothing with the filter.
#include <doctest/doctest.h>

#include <Eigen/Cholesky>
#include <cmath>
#include <random>

#include "fit/readings/noise/row_noise.h"

using namespace loadline;

namespace {

// Irregular windows, a speed that falls.
RowSeries falling_series(std::size_t n) {
  RowSeries series;
  double time = 0;
  for (std::size_t i = 0; i < n; ++i) {
    const double window = 0.04 + 0.01 * std::sin(1.7 * static_cast<double>(i));
    time += window;
    series.time_s.push_back(time);
    series.window_s.push_back(window);
    series.speed.push_back(1 - 0.9 * static_cast<double>(i) / static_cast<double>(n));
    series.weight.push_back(1);
  }
  return series;
}

Eigen::MatrixXd written_out(const RowSeries& series, const RowNoise& noise) {
  const auto n = static_cast<Eigen::Index>(series.size());
  // Value i holds + end i and − end i − 1, each over its own window.
  Eigen::MatrixXd ends = Eigen::MatrixXd::Zero(n, n + 1);
  Eigen::MatrixXd covariance(n, n);
  for (Eigen::Index i = 0; i < n; ++i) {
    const auto at = static_cast<std::size_t>(i);
    ends(i, i + 1) = noise.angle / series.window_s[at];
    ends(i, i) = -noise.angle / series.window_s[at];
    for (Eigen::Index j = 0; j < n; ++j) {
      const double apart =
          std::fabs(series.time_s[at] - series.time_s[static_cast<std::size_t>(j)]);
      covariance(i, j) = noise.wander * noise.wander * std::exp(-apart / noise.memory_s);
    }
  }
  covariance += ends * ends.transpose();
  for (Eigen::Index i = 0; i < n; ++i) {
    const double share = noise.relative * series.speed[static_cast<std::size_t>(i)];
    const double timing =
        series.timing.empty() ? 0 : noise.timing * series.timing[static_cast<std::size_t>(i)];
    covariance(i, i) += noise.constant * noise.constant + share * share + timing * timing;
  }
  return covariance;
}

}  // namespace

TEST_CASE("whitened by the filter, the written-out covariance becomes the identity") {
  RowSeries series = falling_series(40);
  SUBCASE("all sizes judged") {}
  SUBCASE("with what the moment of a value is off by") {
    for (std::size_t i = 0; i < series.size(); ++i)
      series.timing.push_back(0.01 + 0.002 * static_cast<double>(i));
  }
  const RowNoise noise{0.03, 0.05, 0.002, 0.04, 0.3, 0.7};
  const Whitener whitener(series, noise);
  const Eigen::MatrixXd covariance = written_out(series, noise);
  Eigen::MatrixXd whitening = Eigen::MatrixXd::Identity(40, 40);
  for (Eigen::Index c = 0; c < 40; ++c) whitener.apply(whitening.col(c).data(), 1);
  const Eigen::MatrixXd left = whitening * covariance * whitening.transpose();
  CHECK((left - Eigen::MatrixXd::Identity(40, 40)).cwiseAbs().maxCoeff() < 1e-10);
  const Eigen::MatrixXd factor = covariance.llt().matrixL();
  CHECK(whitener.log_determinant() ==
        doctest::Approx(2 * factor.diagonal().array().log().sum()).epsilon(1e-12));
}

TEST_CASE("a value of no weight is as if it were not there") {
  RowSeries series = falling_series(30);
  series.weight[11] = 0;
  const RowNoise noise{0.03, 0.05, 0.002, 0.04, 0.3};
  const Whitener whitener(series, noise);
  std::vector<double> a(30, 0.0), b(30, 0.0);
  for (std::size_t i = 0; i < 30; ++i) a[i] = b[i] = std::cos(static_cast<double>(i));
  b[11] = 1e6;
  whitener.apply(a.data(), 1);
  whitener.apply(b.data(), 1);
  CHECK(a == b);
  CHECK(whitener.counted() == 29);
  // The determinant is that of the covariance without its row and column.
  Eigen::MatrixXd covariance = written_out(series, noise);
  Eigen::MatrixXd rest(29, 29);
  for (Eigen::Index i = 0; i < 29; ++i)
    for (Eigen::Index j = 0; j < 29; ++j)
      rest(i, j) = covariance(i + (i >= 11 ? 1 : 0), j + (j >= 11 ? 1 : 0));
  const Eigen::MatrixXd factor = rest.llt().matrixL();
  CHECK(whitener.log_determinant() ==
        doctest::Approx(2 * factor.diagonal().array().log().sum()).epsilon(1e-12));
}

TEST_CASE("the sizes of the parts come back from series that were drawn from them") {
  // Counts in a gate: ends alone. Independent noise alone. What was drawn must be found as such:
  // the other part is a fifth of it at most, and the size is right within a fifth (400 values; the
  // standard error of a standard deviation from them is a twenty-eighth).
  std::mt19937_64 random(20261129);
  std::normal_distribution<double> normal;
  const RowSeries series = falling_series(400);
  std::vector<double> ends(401), gate(400), independent(400);
  for (double& e : ends) e = 0.003 * normal(random);
  for (std::size_t i = 0; i < 400; ++i) {
    gate[i] = (ends[i + 1] - ends[i]) / series.window_s[i];
    independent[i] = 0.08 * normal(random);
  }
  const RowNoise of_gate = judge_noise({{&series, gate, {}}}, {}, 1e-5, 0);
  CHECK(of_gate.angle == doctest::Approx(0.003).epsilon(0.2));
  CHECK(std::hypot(of_gate.constant, of_gate.relative) < 0.2 * 0.003 / 0.04);
  const RowNoise of_values = judge_noise({{&series, independent, {}}}, {}, 1e-5, 0);
  CHECK(of_values.constant == doctest::Approx(0.08).epsilon(0.2));
  CHECK(of_values.angle / 0.04 < 0.2 * 0.08);
}
