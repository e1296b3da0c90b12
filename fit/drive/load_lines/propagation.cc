#include "fit/drive/load_lines/propagation.h"

#include <algorithm>
#include <cmath>

#include "db/basis/error.h"
#include "db/basis/students_t.h"
#include "fit/curves/curve.h"
#include "fit/solver/dense.h"

namespace loadline {

// Taken of the correlations, because parameters of one curve differ by many orders of magnitude.
Eigen::MatrixXd covariance_root(const Eigen::MatrixXd& covariance) {
  const Eigen::VectorXd sd = covariance.diagonal().cwiseMax(0).cwiseSqrt();
  const Eigen::VectorXd per_sd = sd.unaryExpr([](double s) { return s > 0 ? 1 / s : 0; });
  const Eigen::MatrixXd correlation = per_sd.asDiagonal() * covariance * per_sd.asDiagonal();
  const SymmetricParts parts = symmetric_parts(correlation);
  const Eigen::VectorXd spread = parts.values.cwiseMax(0).cwiseSqrt();
  return sd.asDiagonal() * parts.vectors * spread.asDiagonal();
}

double coverage_factor(double degrees_of_freedom) {
  constexpr double kSeriesFromHere = 20;
  if (!(degrees_of_freedom < kNormalFromHere)) return kNormal975;
  if (degrees_of_freedom < kSeriesFromHere) return student_t_975(degrees_of_freedom);
  const double x = kNormal975, x2 = x * x, per = 1 / degrees_of_freedom;
  const double g1 = x * (x2 + 1) / 4;
  const double g2 = x * ((5 * x2 + 16) * x2 + 3) / 96;
  const double g3 = x * (((3 * x2 + 19) * x2 + 17) * x2 - 15) / 384;
  const double g4 = x * ((((79 * x2 + 776) * x2 + 1482) * x2 - 1920) * x2 - 945) / 92160;
  return x + per * (g1 + per * (g2 + per * (g3 + per * g4)));
}

Propagated chain(double value, double by_x, const Propagated& x, double by_y, const Propagated& y) {
  Propagated result(value);
  if (x.by.size() != 0 && y.by.size() != 0)
    result.by = by_x * x.by + by_y * y.by;
  else if (x.by.size() != 0)
    result.by = by_x * x.by;
  else if (y.by.size() != 0)
    result.by = by_y * y.by;
  return result;
}

Propagated chain(double value, double by_x, const Propagated& x) {
  Propagated result(value);
  if (x.by.size() != 0) result.by = by_x * x.by;
  return result;
}

Propagated operator+(const Propagated& x, const Propagated& y) {
  return chain(x.value + y.value, 1, x, 1, y);
}

Propagated operator-(const Propagated& x, const Propagated& y) {
  return chain(x.value - y.value, 1, x, -1, y);
}

Propagated operator*(const Propagated& x, const Propagated& y) {
  return chain(x.value * y.value, y.value, x, x.value, y);
}

Propagated operator/(const Propagated& x, const Propagated& y) {
  const double quotient = x.value / y.value;
  return chain(quotient, 1 / y.value, x, -quotient / y.value, y);
}

Propagated sqrt(const Propagated& x) {
  const double root = std::sqrt(x.value);
  return chain(root, 0.5 / root, x);
}

Propagated power(const Propagated& x, const Propagated& y) {
  const double value = std::pow(x.value, y.value);
  return chain(value, value * y.value / x.value, x, value * std::log(x.value), y);
}

double quantile(const std::vector<double>& sorted, double part) {
  const double at = part * static_cast<double>(sorted.size() - 1);
  const auto below = static_cast<std::size_t>(at);
  const std::size_t above = std::min(below + 1, sorted.size() - 1);
  return sorted[below] + (at - static_cast<double>(below)) * (sorted[above] - sorted[below]);
}

Propagated implicit_root(double x, const Propagated& residual, double slope) {
  return chain(x, -1 / slope, residual);
}

int Sources::add(std::string name, const Eigen::MatrixXd& covariance, double degrees_of_freedom) {
  const int first = size_;
  const int count = static_cast<int>(covariance.rows());
  if (first + count > kMost)
    throw Error(Fault::kInput,
                "the curves of this drive have more parameters together than the calculation "
                "takes (64); fit one of them with a model of fewer parameters.");
  groups_.push_back({std::move(name), first, covariance, degrees_of_freedom});
  size_ += count;
  return first;
}

int Sources::add(std::string name, double sd, double degrees_of_freedom) {
  return add(std::move(name), Eigen::MatrixXd::Constant(1, 1, sd * sd), degrees_of_freedom);
}

Propagated Sources::input(double value, int place) const {
  Derivatives unit = Derivatives::Zero(size_);
  unit[place] = 1;
  return {value, unit};
}

void Sources::set_sd(int place, double sd) {
  for (Group& group : groups_)
    if (group.first == place) group.covariance(0, 0) = sd * sd;
}

double Sources::covariance(const Propagated& x, const Propagated& y) const {
  double sum = 0;
  if (x.by.size() == 0 || y.by.size() == 0) return sum;
  for (const Group& group : groups_) {
    const Eigen::Index size = group.covariance.rows();
    sum += x.by.segment(group.first, size).dot(group.covariance * y.by.segment(group.first, size));
  }
  return sum;
}

double Sources::variance(const Group& group, const Propagated& x) const {
  if (x.by.size() == 0) return 0;
  const auto part = x.by.segment(group.first, group.covariance.rows());
  double sum = 0;
  for (Eigen::Index row = 0; row < part.size(); ++row)
    sum += part[row] * group.covariance.col(row).dot(part);
  return std::max(sum, 0.0);
}

double Sources::sd(const Propagated& x) const {
  double sum = 0;
  for (const Group& group : groups_) sum += variance(group, x);
  return std::sqrt(sum);
}

double Sources::degrees_of_freedom(const Propagated& x) const {
  double sum = 0, weighted = 0;
  for (const Group& group : groups_) {
    const double part = variance(group, x);
    sum += part;
    weighted += part * part / group.degrees_of_freedom;
  }
  return weighted > 0 ? sum * sum / weighted : 1e9;
}

Estimate Sources::estimate(const Propagated& x, double factor, std::string unit) const {
  if (!std::isfinite(x.value)) return Estimate::unknown(std::move(unit));
  const double u = sd(x);
  if (!std::isfinite(u)) return Estimate::exact(x.value * factor, std::move(unit));
  const double half_width = u > 0 ? coverage_factor(degrees_of_freedom(x)) * u : 0;
  return Estimate::with_half_width(x.value * factor, half_width * factor, std::move(unit));
}

std::vector<Sources::Share> Sources::shares(const Propagated& x) const {
  std::vector<Share> result;
  for (const Group& group : groups_) result.push_back({group.name, std::sqrt(variance(group, x))});
  return result;
}

SourceDraws::SourceDraws(const Sources& sources) : size_(sources.size()) {
  for (const Sources::Group& group : sources.groups())
    groups_.push_back({group.first, covariance_root(group.covariance), group.degrees_of_freedom});
}

Eigen::VectorXd SourceDraws::draw(std::mt19937_64& random) const {
  std::normal_distribution<double> normal;
  Eigen::VectorXd change(size_);
  for (const Group& group : groups_) {
    Eigen::VectorXd standard(group.root.cols());
    for (double& z : standard) z = normal(random);
    if (group.degrees_of_freedom < kNormalFromHere) {
      std::chi_squared_distribution<double> chi_squared(group.degrees_of_freedom);
      standard *= std::sqrt(group.degrees_of_freedom / chi_squared(random));
    }
    change.segment(group.first, group.root.rows()) = group.root * standard;
  }
  return change;
}

}  // namespace loadline
