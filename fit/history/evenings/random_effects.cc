#include "fit/history/evenings/random_effects.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <utility>
#include <vector>

#include "db/basis/distributions.h"
#include "fit/solver/dense.h"

namespace loadline {
namespace {

constexpr int kNodes = 150;  // of the confidence distribution of τ²
constexpr int kHalvings = 100;
constexpr double kClose = 1e-8;  // relative, of τ²
constexpr double kTail = 0.025;

// A normal distribution with its share of a mixture.
struct Part {
  double share, mean, sd;
};

double share_below(const std::vector<Part>& parts, double x) {
  double sum = 0;
  for (const Part& part : parts)
    sum += part.share * 0.5 * std::erfc((part.mean - x) / (part.sd * std::sqrt(2.0)));
  return sum;
}

double quantile(const std::vector<Part>& parts, double share) {
  double middle = 0, half = 0;
  for (const Part& part : parts) middle += part.share * part.mean;
  for (const Part& part : parts)
    half = std::max(half, part.share * (part.sd + std::fabs(part.mean - middle)));
  double low = middle - half, high = middle + half;
  while (share_below(parts, low) > share) low = middle - (half *= 2);
  while (share_below(parts, high) < share) high = middle + (half *= 2);
  for (int i = 0; i < kHalvings; ++i) {
    const double at = low + (high - low) / 2;
    (share_below(parts, at) < share ? low : high) = at;
  }
  return low + (high - low) / 2;
}

}  // namespace

RandomEffects::RandomEffects(Eigen::VectorXd values, Eigen::VectorXd variances,
                             Eigen::MatrixXd design)
    : values_(std::move(values)), variances_(std::move(variances)), design_(std::move(design)) {
  if (values_.size() != variances_.size() || values_.size() != design_.rows() || !values_.size())
    throw std::logic_error("random effects need one variance and one row for each value");
  freedom_ = static_cast<double>(values_.size() - design_.cols());
  const Eigen::VectorXd beta = least_squares(design_, values_);
  values_ -= design_ * (start_ = beta);  // small numbers lose nothing to rounding
  scale_ = values_.squaredNorm();
  // A value that is known exactly would have all the weight there is.
  const double least = 1e-12 * std::max(variances_.maxCoeff(), scale_) + 1e-30;
  variances_ = variances_.cwiseMax(least);
}

RandomEffects::RandomEffects(const Eigen::VectorXd& values, Eigen::VectorXd variances)
    : RandomEffects(values, std::move(variances), Eigen::MatrixXd::Ones(values.size(), 1)) {}

RandomEffects::Solution RandomEffects::solve(double variance_between) const {
  const Eigen::VectorXd weights = (variances_.array() + variance_between).inverse();
  const Eigen::MatrixXd weighted = weights.asDiagonal() * design_;
  Solution solution;
  solution.covariance = inverse_of(design_.transpose() * weighted);
  solution.coefficients = start_ + solution.covariance * (weighted.transpose() * values_);
  return solution;
}

// Without the heap where the columns are few: the scan for a change asks some hundred thousand
// times.
double RandomEffects::q(double variance_between) const {
  constexpr int kFew = 8;
  const Eigen::Index rows = values_.size(), columns = design_.cols();
  if (columns > kFew) {
    const Eigen::ArrayXd left = values_ - design_ * (solve(variance_between).coefficients - start_);
    return (left.square() / (variances_.array() + variance_between)).sum();
  }
  using Square = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, 0, kFew, kFew>;
  using Column = Eigen::Matrix<double, Eigen::Dynamic, 1, 0, kFew, 1>;
  Square normal = Square::Zero(columns, columns);
  Column right = Column::Zero(columns);
  double squares = 0;
  for (Eigen::Index i = 0; i < rows; ++i) {
    const double weight = 1 / (variances_[i] + variance_between);
    squares += weight * values_[i] * values_[i];
    for (Eigen::Index a = 0; a < columns; ++a) {
      right[a] += weight * design_(i, a) * values_[i];
      for (Eigen::Index b = 0; b <= a; ++b) normal(a, b) += weight * design_(i, a) * design_(i, b);
    }
  }
  const Column beta = Eigen::LLT<Square>(normal).solve(right);
  return std::max(0.0, squares - right.dot(beta));
}

double RandomEffects::variance_where(double wanted) const {
  if (!(q(0) > wanted)) return 0;
  double low = 0, high = scale_ / wanted;  // Q(τ²) is below the plain sum of squares over τ²
  for (int i = 0; i < kHalvings && high - low > kClose * high; ++i) {
    // Squares of sizes far apart: the geometric middle finds the small ones.
    const double at =
        low > 1e-6 * high ? low + (high - low) / 2 : std::sqrt(std::max(low, 1e-12 * high) * high);
    (q(at) > wanted ? low : high) = at;
  }
  return low + (high - low) / 2;
}

std::optional<double> RandomEffects::variance_between() const {
  if (freedom_ < 1) return std::nullopt;
  return variance_where(freedom_);
}

std::optional<Limits> RandomEffects::variance_between_limits() const {
  if (freedom_ < 1) return std::nullopt;
  return Limits{variance_where(chi_squared_quantile(1 - kTail, freedom_)),
                variance_where(chi_squared_quantile(kTail, freedom_))};
}

double RandomEffects::value(const Contrast& contrast) const {
  return contrast.by.dot(solve(variance_between().value_or(0)).coefficients);
}

std::optional<Limits> RandomEffects::limits(const Contrast& contrast) const {
  const std::vector<Limits> all = limits_of({contrast});
  return all.empty() ? std::nullopt : std::optional(all.front());
}

std::vector<Limits> RandomEffects::limits_of(const std::vector<Contrast>& contrasts) const {
  if (freedom_ < 1) return {};
  std::vector<std::vector<Part>> parts(contrasts.size());
  double sum = 0;
  for (int i = 0; i < kNodes; ++i) {
    // Close together where Q is small and τ² large: that is where the wide tails come from.
    const double u = (i + 0.5) / kNodes, weight = 3 * u * u / kNodes;
    const double between = variance_where(chi_squared_quantile(u * u * u, freedom_));
    const Solution solution = solve(between);
    sum += weight;
    for (std::size_t c = 0; c < contrasts.size(); ++c) {
      const Contrast& one = contrasts[c];
      const double variance = one.by.dot(solution.covariance * one.by) +
                              (one.another_session ? between : 0) + one.shared_variance;
      parts[c].push_back(
          {weight, one.by.dot(solution.coefficients), std::sqrt(std::max(variance, 1e-300))});
    }
  }
  std::vector<Limits> all;
  for (std::vector<Part>& own : parts) {
    for (Part& part : own) part.share /= sum;
    all.push_back({quantile(own, kTail), quantile(own, 1 - kTail)});
  }
  return all;
}

}  // namespace loadline
