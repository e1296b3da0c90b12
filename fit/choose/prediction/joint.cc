#include "fit/choose/prediction/joint.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>
#include <random>

#include "db/basis/distributions.h"
#include "db/basis/students_t.h"
#include "fit/drive/load_lines/propagation.h"

namespace loadline {
namespace {

// The middles of `draws` equally likely stretches of the standard normal distribution.
Eigen::VectorXf normal_strata(std::size_t draws) {
  Eigen::VectorXf z(static_cast<Eigen::Index>(draws));
  for (Eigen::Index k = 0; k < z.size(); ++k)
    z[k] =
        static_cast<float>(-std::numbers::sqrt2 * inverse_erfc((2.0 * static_cast<double>(k) + 1) /
                                                               static_cast<double>(draws)));
  return z;
}

}  // namespace

void SparseBy::add(const SparseBy& other, double factor) {
  for (const auto& [place, derivative] : other.parts)
    parts.emplace_back(place, factor * derivative);
}

int Joint::add(const Eigen::MatrixXd& covariance, double degrees_of_freedom) {
  const int first = size_;
  groups_.push_back({first, covariance_root(covariance), degrees_of_freedom, 0});
  size_ += static_cast<int>(covariance.rows());
  return first;
}

int Joint::add_standard(double degrees_of_freedom) {
  return add(Eigen::MatrixXd::Identity(1, 1), degrees_of_freedom);
}

void Joint::standardise(Eigen::MatrixXd& by) const {
  for (const Group& group : groups_) {
    auto part = by.middleRows(group.first, group.root.rows());
    if (!part.isZero(0)) part = (group.root.transpose() * part).eval();
  }
}

Eigen::MatrixXd Joint::covariance(const std::vector<SparseBy>& figures) const {
  Eigen::MatrixXd by = Eigen::MatrixXd::Zero(size_, static_cast<Eigen::Index>(figures.size()));
  for (std::size_t k = 0; k < figures.size(); ++k)
    for (const auto& [place, derivative] : figures[k].parts)
      by(place, static_cast<Eigen::Index>(k)) += derivative;
  standardise(by);
  return by.transpose() * by;
}

void Joint::draw(std::size_t draws, std::uint64_t seed) {
  std::mt19937_64 random(seed);
  const Eigen::VectorXf strata = normal_strata(draws);
  deviates_.resize(strata.size(), size_);
  std::vector<Eigen::Index> order(draws);
  std::iota(order.begin(), order.end(), 0);
  for (Group& group : groups_) {
    auto standard = deviates_.middleCols(group.first, group.root.cols());
    for (Eigen::Index k = 0; k < standard.cols(); ++k) {
      std::shuffle(order.begin(), order.end(), random);
      standard.col(k) = strata(order);
    }
    if (group.degrees_of_freedom < kNormalFromHere) {
      std::chi_squared_distribution<double> chi_squared(group.degrees_of_freedom);
      for (Eigen::Index d = 0; d < standard.rows(); ++d)
        standard.row(d) *=
            static_cast<float>(std::sqrt(group.degrees_of_freedom / chi_squared(random)));
    }
    constexpr double kRounding = 1.00001;
    group.radius = kRounding * std::sqrt(standard.rowwise().squaredNorm().maxCoeff());
  }
}

double Joint::reach(const Eigen::VectorXd& by) const {
  double most = 0;
  for (const Group& group : groups_)
    most += group.radius * by.segment(group.first, group.root.rows()).norm();
  return most;
}

Estimate Joint::estimate(double value, const Eigen::VectorXd& by, double factor,
                         std::string unit) const {
  if (!std::isfinite(value)) return Estimate::unknown(std::move(unit));
  double sum = 0, weighted = 0;
  for (const Group& group : groups_) {
    const double variance = by.segment(group.first, group.root.rows()).squaredNorm();
    sum += variance;
    weighted += variance * variance / group.degrees_of_freedom;
  }
  const double t = weighted > 0 ? coverage_factor(sum * sum / weighted) : 0;
  return Estimate::with_half_width(value * factor, t * std::sqrt(sum) * factor, std::move(unit));
}

}  // namespace loadline
