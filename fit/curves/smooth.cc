#include "fit/curves/smooth.h"

#include <fmt/format.h>

#include <Eigen/Cholesky>
#include <algorithm>
#include <boost/math/tools/minima.hpp>
#include <cmath>
#include <limits>

#include "db/basis/error.h"

namespace loadline {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::Vector4d;
using Eigen::VectorXd;

constexpr double kNaN = std::numeric_limits<double>::quiet_NaN();
// Dimension of what the penalty leaves free: straight lines.
constexpr double kFree = 2;

/// Even knots over [low, high] and the four B-splines that live at a speed.
struct Knots {
  double low, high;
  Index intervals;

  double width() const { return (high - low) / static_cast<double>(intervals); }
  Index coefficients() const { return intervals + 3; }
  /// Speeds at the very ends may be off by rounding of units.
  bool covers(double speed) const {
    const double slack = 1e-9 * (high - low);
    return speed >= low - slack && speed <= high + slack;
  }

  struct Place {
    Index first;  ///< of the four coefficients
    double u;     ///< position within the interval, 0 to 1
  };
  Place place(double speed) const {
    const double t = std::clamp((speed - low) / width(), 0.0, static_cast<double>(intervals));
    const Index first = std::min(static_cast<Index>(t), intervals - 1);
    return {first, t - static_cast<double>(first)};
  }
};

Vector4d basis(double u) {
  const double v = 1 - u;
  return Vector4d(v * v * v, 3 * u * u * u - 6 * u * u + 4, 3 * v * v * v - 6 * v * v + 4,
                  u * u * u) /
         6;
}

Vector4d basis_slope(double u, double width) {
  const double v = 1 - u;
  return Vector4d(-v * v, 3 * u * u - 4 * u, 4 * v - 3 * v * v, u * u) / (2 * width);
}

class SmoothModel final : public CurveModel {
 public:
  explicit SmoothModel(Knots knots) : knots_(knots) {}

  std::string name() const override { return "smooth"; }

  std::vector<std::string> parameter_names() const override {
    std::vector<std::string> names;
    for (Index j = 0; j < knots_.coefficients(); ++j)
      names.push_back(fmt::format("spline_{}", j + 1));
    return names;
  }

  double torque(const VectorXd& p, double speed) const override {
    if (!knots_.covers(speed)) return kNaN;
    const auto at = knots_.place(speed);
    return basis(at.u).dot(p.segment<4>(at.first));
  }

  double slope(const VectorXd& p, double speed) const override {
    if (!knots_.covers(speed)) return kNaN;
    const auto at = knots_.place(speed);
    return basis_slope(at.u, knots_.width()).dot(p.segment<4>(at.first));
  }

  VectorXd gradient(const VectorXd& /*p*/, double speed) const override {
    if (!knots_.covers(speed)) return VectorXd::Constant(knots_.coefficients(), kNaN);
    VectorXd gradient = VectorXd::Zero(knots_.coefficients());
    const auto at = knots_.place(speed);
    gradient.segment<4>(at.first) = basis(at.u);
    return gradient;
  }

 private:
  Knots knots_;
};

/// ∫ f″² as a quadratic form in the coefficients. f″ is linear between knots, where it is the
/// second difference of the coefficients over h²; ∫ over an interval of a line from a to b is h(a²
/// + ab + b²)/3.
MatrixXd bending(const Knots& knots) {
  const Index m = knots.coefficients();
  MatrixXd second = MatrixXd::Zero(knots.intervals + 1, m);
  for (Index i = 0; i <= knots.intervals; ++i) second.row(i).segment<3>(i) << 1, -2, 1;
  MatrixXd mass = MatrixXd::Zero(knots.intervals + 1, knots.intervals + 1);
  for (Index i = 0; i < knots.intervals; ++i) {
    mass(i, i) += 1.0 / 3;
    mass(i + 1, i + 1) += 1.0 / 3;
    mass(i, i + 1) += 1.0 / 6;
    mass(i + 1, i) += 1.0 / 6;
  }
  const double h = knots.width();
  return second.transpose() * mass * second / (h * h * h);
}

struct Data {
  std::span<const double> speed, torque, weight;
  double g;

  std::size_t size() const { return speed.size(); }
  double weight_of(std::size_t i) const { return weight.empty() ? 1 : weight[i]; }
  double effective_count() const { return static_cast<double>(size()) / g; }
};

/// The least-squares side of the problem, all sums divided by g: g correlated points count as one.
struct Sums {
  MatrixXd normal;  // BᵀWB/g
  VectorXd right;   // BᵀWy/g
};

Sums sums_of(const Data& data, const Knots& knots) {
  const Index m = knots.coefficients();
  Sums sums{MatrixXd::Zero(m, m), VectorXd::Zero(m)};
  for (std::size_t i = 0; i < data.size(); ++i) {
    const auto at = knots.place(data.speed[i]);
    const Vector4d b = basis(at.u);
    const double w = data.weight_of(i) / data.g;
    sums.normal.block<4, 4>(at.first, at.first) += w * b * b.transpose();
    sums.right.segment<4>(at.first) += w * data.torque[i] * b;
  }
  return sums;
}

double value_at(const Knots& knots, const VectorXd& c, double speed) {
  const auto at = knots.place(speed);
  return basis(at.u).dot(c.segment<4>(at.first));
}

double weighted_rss(const Data& data, const Knots& knots, const VectorXd& c) {
  double sum = 0;
  for (std::size_t i = 0; i < data.size(); ++i) {
    const double residual = data.torque[i] - value_at(knots, c, data.speed[i]);
    sum += data.weight_of(i) * residual * residual;
  }
  return sum / data.g;
}

/// The penalised fit for one λ.
struct Penalised {
  const Data& data;
  const Knots& knots;
  const Sums& sums;
  const MatrixXd& penalty;

  MatrixXd system(double lambda) const { return sums.normal + lambda * penalty; }
  double cost(const VectorXd& c, double lambda) const {
    return weighted_rss(data, knots, c) + lambda * c.dot(penalty * c);
  }

  /// −2 log of the restricted likelihood, without constants.
  double criterion(double log_lambda) const {
    const double lambda = std::exp(log_lambda);
    const Eigen::LDLT<MatrixXd> factors(system(lambda));
    const VectorXd c = factors.solve(sums.right);
    const double freedom = data.effective_count() - kFree;
    const double variance = std::max(cost(c, lambda) / freedom, 1e-300);
    const double log_determinant = factors.vectorD().array().abs().max(1e-300).log().sum();
    const auto penalised = static_cast<double>(knots.coefficients()) - kFree;
    return freedom * std::log(variance) + log_determinant - penalised * log_lambda;
  }

  double choose_lambda() const {
    const double middle = std::log(sums.normal.trace() / penalty.trace());
    constexpr double kStep = 1.0;
    double best = middle, least = std::numeric_limits<double>::infinity();
    for (double at = middle - 14; at <= middle + 18; at += kStep) {
      const double here = criterion(at);
      if (here < least) {
        least = here;
        best = at;
      }
    }
    const auto found = boost::math::tools::brent_find_minima(
        [this](double at) { return criterion(at); }, best - kStep, best + kStep, 20);
    return std::exp(found.first);
  }
};

/// Minimises cᵀHc − 2bᵀc over non-increasing c. Written as c₁ free and drops θ ≥ 0 it is a
/// non-negative least-squares problem: Lawson and Hanson, Solving Least Squares Problems (1974),
/// chapter 23.
class Decreasing {
 public:
  Decreasing(const MatrixXd& system, const VectorXd& right) : m_(system.rows()) {
    drops_ = -MatrixXd::Ones(m_, m_).triangularView<Eigen::Lower>().toDenseMatrix();
    drops_.col(0).setOnes();
    h_ = drops_.transpose() * system * drops_;
    f_ = drops_.transpose() * right;
    theta_ = VectorXd::Zero(m_);
    loose_.assign(static_cast<std::size_t>(m_), false);
    loose_[0] = true;
  }

  VectorXd solve() {
    final_fit();
    for (Index round = 0; round < 3 * m_; ++round) {
      const VectorXd pull = f_ - h_ * theta_;
      const double limit = 1e-10 * f_.cwiseAbs().maxCoeff();
      Index strongest = -1;
      for (Index j = 1; j < m_; ++j)
        if (!is_loose(j) && pull[j] > limit && (strongest < 0 || pull[j] > pull[strongest]))
          strongest = j;
      if (strongest < 0) break;
      loose_[static_cast<std::size_t>(strongest)] = true;
      final_fit();
    }
    return drops_ * theta_;
  }

 private:
  bool is_loose(Index j) const { return loose_[static_cast<std::size_t>(j)]; }

  VectorXd free_solution() const {
    std::vector<Index> at;
    for (Index j = 0; j < m_; ++j)
      if (is_loose(j)) at.push_back(j);
    const VectorXd part = h_(at, at).ldlt().solve(f_(at));
    VectorXd all = VectorXd::Zero(m_);
    all(at) = part;
    return all;
  }

  /// Moves to the best of the loose drops, tying those that would become negative.
  void final_fit() {
    for (Index round = 0; round <= m_; ++round) {
      const VectorXd wanted = free_solution();
      double step = 1;
      Index blocking = -1;
      for (Index j = 1; j < m_; ++j) {
        if (!is_loose(j) || wanted[j] > 0) continue;
        const double reach = theta_[j] > wanted[j] ? theta_[j] / (theta_[j] - wanted[j]) : 0;
        if (blocking < 0 || reach < step) {
          step = reach;
          blocking = j;
        }
      }
      theta_ += step * (wanted - theta_);
      if (blocking < 0) return;
      theta_[blocking] = 0;
      loose_[static_cast<std::size_t>(blocking)] = false;
    }
  }

  Index m_;
  MatrixXd drops_, h_;
  VectorXd f_, theta_;
  std::vector<bool> loose_;
};

void check(const Data& data) {
  const bool sizes = data.torque.size() == data.size() &&
                     (data.weight.empty() || data.weight.size() == data.size());
  if (!sizes || data.size() < 8)
    throw Error(Fault::kInput, fmt::format("A smooth curve needs at least 8 points with a speed "
                                           "and a torque each, not {}; record more.",
                                           data.size()));
  for (std::size_t i = 0; i < data.size(); ++i)
    if (!std::isfinite(data.speed[i]) || !std::isfinite(data.torque[i]) ||
        !(data.weight_of(i) > 0) || !std::isfinite(data.weight_of(i)))
      throw Error(Fault::kInput,
                  fmt::format("Point {} of the smooth curve is not a finite speed and torque with "
                              "a positive weight; leave it out.",
                              i + 1));
  if (!(data.g > 0))
    throw Error(Fault::kInput, "The correlation factor must be positive; use 1 when unknown.");
}

Knots knots_for(const Data& data, int intervals) {
  const auto [low, high] = std::minmax_element(data.speed.begin(), data.speed.end());
  if (!(*high > *low))
    throw Error(Fault::kInput,
                "All points have the same speed, which makes no curve; record a sweep.");
  const auto by_count = static_cast<Index>(static_cast<double>(data.size()) / 3);
  return {*low, *high, intervals > 0 ? intervals : std::clamp<Index>(by_count, 4, 24)};
}

}  // namespace

std::shared_ptr<const CurveModel> smooth_equation(double speed_low, double speed_high,
                                                  std::size_t parameters) {
  if (parameters < 4 || !(speed_high > speed_low)) return nullptr;
  return std::make_shared<SmoothModel>(
      Knots{speed_low, speed_high, static_cast<Index>(parameters) - 3});
}

std::shared_ptr<const CurveModel> SmoothFit::equation() const {
  return smooth_equation(speed_low, speed_high, static_cast<std::size_t>(parameters.size()));
}

SmoothFit fit_smooth(std::span<const double> speed, std::span<const double> torque,
                     std::span<const double> weight, double correlation_factor,
                     const SmoothOptions& options) {
  const Data data{speed, torque, weight,
                  std::clamp(correlation_factor, 0.0, static_cast<double>(speed.size()) / 6)};
  check(data);
  const Knots knots = knots_for(data, options.intervals);
  const Sums sums = sums_of(data, knots);
  const MatrixXd penalty = bending(knots);
  const Penalised penalised{data, knots, sums, penalty};

  SmoothFit fit;
  fit.speed_low = knots.low;
  fit.speed_high = knots.high;
  const double lambda = options.lambda ? *options.lambda / data.g : penalised.choose_lambda();
  fit.lambda = lambda * data.g;
  const MatrixXd system = penalised.system(lambda);
  const Eigen::LDLT<MatrixXd> factors(system);
  const VectorXd free = factors.solve(sums.right);
  fit.effective_parameters = factors.solve(sums.normal).trace();
  fit.degrees_of_freedom = std::max(1.0, data.effective_count() - fit.effective_parameters);
  fit.scale = weighted_rss(data, knots, free) / fit.degrees_of_freedom;
  fit.covariance =
      fit.scale * factors.solve(MatrixXd::Identity(knots.coefficients(), knots.coefficients()));
  fit.parameters = options.decreasing ? Decreasing(system, sums.right).solve() : free;
  const double worse = penalised.cost(fit.parameters, lambda) - penalised.cost(free, lambda);
  fit.rise_evidence = fit.scale > 0 ? std::max(0.0, worse / fit.scale) : 0;
  fit.residuals.resize(static_cast<Index>(data.size()));
  for (std::size_t i = 0; i < data.size(); ++i)
    fit.residuals[static_cast<Index>(i)] = torque[i] - value_at(knots, fit.parameters, speed[i]);
  return fit;
}

}  // namespace loadline
