#include "fit/solver/nonlinear.h"

#include <fmt/format.h>

#include <Eigen/QR>
#include <Eigen/SVD>
#include <algorithm>
#include <cmath>
#include <limits>
#include <optional>
#include <vector>

#include "db/basis/error.h"
#include "fit/solver/search.h"

namespace loadline {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr double kNaN = std::numeric_limits<double>::quiet_NaN();
constexpr double kEpsilon = std::numeric_limits<double>::epsilon();
constexpr double kInfinity = std::numeric_limits<double>::infinity();
// Rank: a column counts while its part outside those before it is more than this share of the
// longest such part. Rounding of r and J (1e-16), magnified by 1e12, leaves only four digits in the
// covariance.
constexpr double kRankThreshold = 1e-12;
// A minimum: relative offset · √((n−k)/k) below this. Bates and Watts call 1e-3 converged; the
// Gauss–Newton steps reach far less wherever the model is sound.
constexpr double kOffsetLimit = 1e-5;
constexpr int kMaxPolish = 60;
// Gauss–Newton steps end where one is below a quarter of the rounding unit, relative to its
// parameter, or below this and no longer 10 % shorter than the last.
constexpr double kSmallStep = 1e-9;
constexpr double kShrinks = 0.9;
// They may raise RSS by rounding: RSS′ ≤ (1 + 1e-9) · RSS.
constexpr double kRise = 1e-9;
constexpr int kMaxHalvings = 12;

// ---- linear algebra at a point --------------------------------------------------------------

/// r and J at a point, with J factored after scaling each column to length 1.
class Tangent {
 public:
  VectorXd p, r;
  RowMajor jacobian;
  double rss = kInfinity;

  bool known() const { return std::isfinite(rss); }
  Eigen::Index size() const { return qr_.cols(); }
  Eigen::Index rank() const { return qr_.rank(); }
  bool full_rank() const { return rank() == size(); }

  /// False: not defined at `p`.
  bool evaluate(const Residuals& residuals, const VectorXd& at) {
    p = at;
    r.resize(residuals.count());
    jacobian.resize(residuals.count(), residuals.parameters());
    if (!p.allFinite() || !residuals.evaluate(p.data(), r.data(), jacobian.data()) ||
        !r.allFinite() || !jacobian.allFinite())
      return false;
    rss = r.squaredNorm();
    return true;
  }

  void factor() {
    scale_ = jacobian.colwise().stableNorm();
    scale_ = (scale_.array() > 0).select(scale_, 1);
    scaled_ = jacobian * scale_.cwiseInverse().asDiagonal();
    qr_.setThreshold(kRankThreshold);
    qr_.compute(scaled_);
  }

  /// The Gauss–Newton step: the least-squares solution of J·d = −r, refined once.
  VectorXd step() const {
    VectorXd x = qr_.solve(-r);
    x += qr_.solve(-r - scaled_ * x);
    return x.cwiseQuotient(scale_);
  }

  double relative_offset() const {
    const double length = r.norm();
    if (length == 0) return 0;
    const VectorXd rotated = qr_.householderQ().adjoint() * r;
    return rotated.head(rank()).norm() / length;
  }

  MatrixXd triangle() const {
    return qr_.matrixQR().topRows(size()).triangularView<Eigen::Upper>();
  }
  const Eigen::ColPivHouseholderQR<MatrixXd>::PermutationType::IndicesType& order() const {
    return qr_.colsPermutation().indices();
  }

  /// (JᵀJ)⁻¹; NaN where the rank is lost.
  MatrixXd inverse_normal() const {
    const Eigen::Index k = size();
    if (!full_rank()) return MatrixXd::Constant(k, k, kNaN);
    const MatrixXd root = triangle().triangularView<Eigen::Upper>().solve(MatrixXd::Identity(k, k));
    const MatrixXd by_name = scale_.cwiseInverse().asDiagonal() * (qr_.colsPermutation() * root);
    return by_name * by_name.transpose();
  }

 private:
  VectorXd scale_;
  MatrixXd scaled_;
  Eigen::ColPivHouseholderQR<MatrixXd> qr_;
};

// ---- Gauss–Newton steps down to rounding ----------------------------------------------------

struct Polished {
  Tangent at;
  int iterations = 0;
  double last_step = kInfinity;  // largest |step| relative to its parameter
};

double relative_size(const VectorXd& step, const VectorXd& p) {
  return (step.array().abs() / p.array().abs().max(1e-300)).maxCoeff();
}

/// Takes `step`, halved until RSS does not rise beyond rounding. False: no length does.
bool advance(const Residuals& residuals, const VectorXd& step, Tangent& at) {
  Tangent next;
  for (int halving = 0; halving < kMaxHalvings; ++halving) {
    if (!next.evaluate(residuals, at.p + std::ldexp(1.0, -halving) * step) ||
        !(next.rss <= at.rss * (1 + kRise)))
      continue;
    next.factor();
    at = std::move(next);
    return true;
  }
  return false;
}

Polished polish(const Residuals& residuals, const VectorXd& start, bool enabled) {
  Polished state;
  if (!state.at.evaluate(residuals, start)) return state;
  state.at.factor();
  for (; enabled && state.iterations < kMaxPolish; ++state.iterations) {
    const VectorXd step = state.at.step();
    const double size = relative_size(step, state.at.p);
    const bool stalled = size >= kShrinks * state.last_step && size < kSmallStep;
    state.last_step = size;
    if (size < kEpsilon / 4 || stalled || !step.allFinite()) break;
    if (!advance(residuals, step, state.at)) break;
  }
  if (!enabled) state.last_step = relative_size(state.at.step(), state.at.p);
  return state;
}

// ---- the answer -----------------------------------------------------------------------------

/// What one search came to; the better of two is kept.
struct Attempt {
  Polished end;
  double offset = kInfinity;
  bool converged = false;

  bool better_than(const Attempt& other) const {
    if (converged != other.converged) return converged;
    return end.at.rss < other.end.at.rss;
  }
};

Attempt judged(Polished end) {
  Attempt result;
  result.end = std::move(end);
  const Tangent& at = result.end.at;
  if (!at.known()) return result;
  result.offset = at.relative_offset();
  const auto n = static_cast<double>(at.r.size()), k = static_cast<double>(at.size());
  const double bates_watts = n > k ? result.offset * std::sqrt((n - k) / k) : 0;
  result.converged =
      at.full_rank() && (bates_watts < kOffsetLimit || result.end.last_step < kSmallStep);
  return result;
}

/// `method` empty: no search, Gauss–Newton steps from the start.
Attempt attempt(const Residuals& residuals, const VectorXd& start, std::optional<Method> method,
                const NonlinearOptions& options, int& iterations) {
  if (!method) {
    Attempt result = judged(polish(residuals, start, true));
    iterations += result.end.iterations;
    return result;
  }
  const Found found = search_from(residuals, start, *method,
                                  {options.max_iterations, options.tolerance, options.tolerance});
  Attempt result = judged(polish(residuals, found.parameters, true));
  result.converged = result.converged && found.usable;
  iterations += found.iterations + result.end.iterations;
  return result;
}

/// "a", "a and b", "a, b and c".
std::string listed(const std::vector<std::string>& names) {
  std::string text;
  for (std::size_t i = 0; i < names.size(); ++i) {
    if (i > 0) text += i + 1 == names.size() ? " and " : ", ";
    text += names[i];
  }
  return text;
}

/// Names of the parameters that take part in a direction along which nothing changes.
std::vector<std::string> lost_parameters(const Residuals& residuals, const Tangent& at,
                                         const MatrixXd& directions) {
  std::vector<std::string> names;
  for (Eigen::Index a = 0; a < directions.rows(); ++a)
    if (directions.row(a).tail(directions.cols() - at.rank()).norm() > 0.05)
      names.push_back(residuals.parameter_name(at.order()[a]));
  std::sort(names.begin(), names.end());
  return names;
}

std::string describe(const NonlinearFit& fit, const std::vector<std::string>& lost) {
  if (lost.size() == 1)
    return fmt::format("The data say nothing about {}; fix it or measure where it matters.",
                       lost[0]);
  if (!lost.empty())
    return fmt::format(
        "The data cannot tell {} apart; fix one of them or measure over a wider range.",
        listed(lost));
  if (!fit.converged)
    return fmt::format(
        "No minimum was reached after {} steps (relative offset {:.1e}); start closer or choose "
        "another model.",
        fit.iterations, fit.relative_offset);
  return fmt::format("Converged after {} steps.", fit.iterations);
}

NonlinearFit answer(const Residuals& residuals, const Attempt& best, int iterations) {
  NonlinearFit fit;
  const Tangent& at = best.end.at;
  fit.parameters = at.p;
  fit.residuals = at.r;
  fit.jacobian = at.jacobian;
  fit.rss = at.rss;
  fit.iterations = iterations;
  fit.converged = best.converged;
  fit.relative_offset = best.offset;
  fit.rank = static_cast<int>(at.rank());
  fit.inverse_normal = at.inverse_normal();
  const Eigen::JacobiSVD<MatrixXd> svd(at.triangle(), Eigen::ComputeFullV);
  const VectorXd& values = svd.singularValues();
  const double least = values[values.size() - 1];
  fit.condition = least > 0 ? values[0] / least : kInfinity;
  std::vector<std::string> lost;
  if (!at.full_rank()) lost = lost_parameters(residuals, at, svd.matrixV());
  fit.message = describe(fit, lost);
  return fit;
}

void check(const Residuals& residuals, const VectorXd& start) {
  const int n = residuals.count(), k = residuals.parameters();
  if (start.size() != k)
    throw Error(Fault::kInput,
                fmt::format("The fit has {} parameters; give as many starting values.", k));
  if (n < k)
    throw Error(Fault::kInput,
                fmt::format("{} points cannot fix {} parameters; measure more points or choose a "
                            "simpler model.",
                            n, k));
}

}  // namespace

std::string Residuals::parameter_name(int j) const { return fmt::format("parameter {}", j + 1); }

double NonlinearFit::variance() const {
  const auto freedom = static_cast<double>(residuals.size() - parameters.size());
  return freedom > 0 ? rss / freedom : kNaN;
}

VectorXd NonlinearFit::naive_sd() const {
  return (inverse_normal.diagonal() * variance()).cwiseSqrt();
}

NonlinearFit fit_nonlinear(const Residuals& residuals, const VectorXd& start,
                           const NonlinearOptions& options) {
  check(residuals, start);
  const Polished first = polish(residuals, start, false);
  if (!first.at.known())
    throw Error(Fault::kInput,
                "The model has no finite value at the starting values; give a better start.");
  int iterations = 0;
  Attempt best = judged(first);
  const bool as_it_is = options.near && best.converged;
  best.converged = as_it_is;
  if (options.near && !as_it_is) {
    Attempt next = attempt(residuals, start, std::nullopt, options, iterations);
    if (next.better_than(best)) best = std::move(next);
  }
  for (const Method method : {Method::kLevenbergMarquardt, Method::kShortSteps,
                              Method::kShortestSteps, Method::kNonmonotonic, Method::kDogleg}) {
    if (best.converged || (options.kinked && method == Method::kShortSteps)) break;
    Attempt next = attempt(residuals, start, method, options, iterations);
    if (next.better_than(best)) best = std::move(next);
  }
  return answer(residuals, best, iterations);
}

}  // namespace loadline
