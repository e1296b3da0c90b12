#include "fit/curves/nonlinear.h"

#include <ceres/ceres.h>
#include <fmt/format.h>
#include <glog/logging.h>

#include <Eigen/QR>
#include <Eigen/SVD>
#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>

#include "db/basis/error.h"

namespace loadline {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;
using RowMajor = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;
using Extended = Eigen::Matrix<long double, Eigen::Dynamic, 1>;

constexpr double kNaN = std::numeric_limits<double>::quiet_NaN();
constexpr double kEpsilon = std::numeric_limits<double>::epsilon();
constexpr double kInfinity = std::numeric_limits<double>::infinity();
// Scaled columns closer to dependence than this cannot be told apart: rounding of r and J (1e-16),
// magnified by 1e12, leaves only four digits in the covariance.
constexpr double kRankThreshold = 1e-12;
// Bates and Watts call 1e-3 converged; the polish reaches far less wherever the model is sound.
constexpr double kOffsetLimit = 1e-5;
constexpr int kMaxPolish = 60;

// ---- the search, by Ceres -------------------------------------------------------------------

class CeresBlock : public ceres::CostFunction {
 public:
  explicit CeresBlock(const Residuals& residuals) : residuals_(residuals) {
    set_num_residuals(residuals.count());
    mutable_parameter_block_sizes()->push_back(residuals.parameters());
  }

  bool Evaluate(double const* const* p, double* r, double** jacobians) const override {
    double* const jacobian = jacobians == nullptr ? nullptr : jacobians[0];
    if (!residuals_.evaluate(p[0], r, jacobian)) return false;
    const Eigen::Index n = residuals_.count();
    if (!Eigen::Map<const VectorXd>(r, n).allFinite()) return false;
    return jacobian == nullptr ||
           Eigen::Map<const VectorXd>(jacobian, n * residuals_.parameters()).allFinite();
  }

 private:
  const Residuals& residuals_;
};

enum class Search { kNone, kPlain, kShortSteps, kShortestSteps, kDogleg, kLoose };

ceres::Solver::Options solver_options(Search search, const NonlinearOptions& options) {
  ceres::Solver::Options solver;
  solver.linear_solver_type = ceres::DENSE_QR;
  solver.jacobi_scaling = true;
  solver.max_num_iterations = options.max_iterations;
  solver.function_tolerance = options.tolerance;
  solver.parameter_tolerance = options.tolerance;
  solver.gradient_tolerance = 0.0;
  solver.max_num_consecutive_invalid_steps = 50;
  solver.min_trust_region_radius = 1e-64;
  solver.num_threads = 1;  // one residual block gains little from more
  solver.logging_type = ceres::SILENT;
  if (search == Search::kShortSteps) solver.initial_trust_region_radius = 1e-2;
  if (search == Search::kShortestSteps) solver.initial_trust_region_radius = 1e-5;
  if (search == Search::kLoose) solver.use_nonmonotonic_steps = true;
  if (search == Search::kDogleg) {
    solver.trust_region_strategy_type = ceres::DOGLEG;
    solver.dogleg_type = ceres::SUBSPACE_DOGLEG;
  }
  return solver;
}

void set_bounds(ceres::Problem& problem, double* p, const NonlinearOptions& options) {
  for (std::size_t j = 0; j < options.lower.size(); ++j)
    if (std::isfinite(options.lower[j]))
      problem.SetParameterLowerBound(p, static_cast<int>(j), options.lower[j]);
  for (std::size_t j = 0; j < options.upper.size(); ++j)
    if (std::isfinite(options.upper[j]))
      problem.SetParameterUpperBound(p, static_cast<int>(j), options.upper[j]);
}

struct Found {
  VectorXd p;
  int iterations = 0;
  bool usable = false;
};

Found search_from(const Residuals& residuals, const VectorXd& start, Search search,
                  const NonlinearOptions& options) {
  Found found{start};
  if (search == Search::kNone) {
    found.usable = true;
    return found;
  }
  CeresBlock block(residuals);
  ceres::Problem::Options ownership;
  ownership.cost_function_ownership = ceres::DO_NOT_TAKE_OWNERSHIP;
  ceres::Problem problem(ownership);
  problem.AddResidualBlock(&block, nullptr, found.p.data());
  set_bounds(problem, found.p.data(), options);
  ceres::Solver::Summary summary;
  ceres::Solve(solver_options(search, options), &problem, &summary);
  found.iterations = static_cast<int>(summary.iterations.size());
  found.usable = summary.IsSolutionUsable() && found.p.allFinite();
  return found;
}

/// The solver's log goes to stderr by itself; its events come back to us in the summary anyway.
void silence_solver_log() {
  static const bool done = [] {
    FLAGS_minloglevel = google::GLOG_FATAL;
    return true;
  }();
  (void)done;
}

// ---- linear algebra at a point --------------------------------------------------------------

/// r and J at a point, with J's free columns factored after scaling each to length 1.
struct Tangent {
  VectorXd r;
  RowMajor jacobian;
  double rss = kInfinity;
  std::vector<int> free;  // columns that take part
  VectorXd scale;         // of the free columns
  Eigen::ColPivHouseholderQR<MatrixXd> qr;

  /// Least-squares solution of J·d = −b over the free columns, refined once; d has k entries.
  VectorXd step(const VectorXd& b) const {
    VectorXd x = qr.solve(-b);
    x += qr.solve(-b - scaled_ * x);
    VectorXd d = VectorXd::Zero(jacobian.cols());
    for (std::size_t f = 0; f < free.size(); ++f) {
      const auto at = static_cast<Eigen::Index>(f);
      d[free[f]] = x[at] / scale[at];
    }
    return d;
  }

  double relative_offset() const {
    const double size = r.norm();
    if (size == 0) return 0;
    const VectorXd rotated = qr.householderQ().adjoint() * r;
    return rotated.head(qr.rank()).norm() / size;
  }

  void factor(std::vector<int> columns) {
    free = std::move(columns);
    scaled_.resize(jacobian.rows(), static_cast<Eigen::Index>(free.size()));
    scale.resize(scaled_.cols());
    for (Eigen::Index f = 0; f < scaled_.cols(); ++f) {
      const auto column = jacobian.col(free[static_cast<std::size_t>(f)]);
      scale[f] = column.stableNorm();
      if (!(scale[f] > 0)) scale[f] = 1;
      scaled_.col(f) = column / scale[f];
    }
    qr.setThreshold(kRankThreshold);
    qr.compute(scaled_);
  }

 private:
  MatrixXd scaled_;
};

class Point {
 public:
  Point(const Residuals& residuals, const NonlinearOptions& options)
      : residuals_(residuals), options_(options) {}

  /// Evaluates at p (held in extended precision, used as far as the residuals can). False: not
  /// defined there.
  bool evaluate(const Extended& p, Tangent& out) const {
    const Eigen::Index n = residuals_.count();
    const VectorXd rounded = p.cast<double>();
    out.r.resize(n);
    out.jacobian.resize(n, residuals_.parameters());
    if (!residuals_.evaluate(rounded.data(), out.r.data(), out.jacobian.data())) return false;
    Extended exact(n);
    if (residuals_.evaluate_extended(p.data(), exact.data())) {
      out.r = exact.cast<double>();
      out.rss = static_cast<double>(exact.squaredNorm());
    } else {
      out.rss = out.r.squaredNorm();
    }
    return out.r.allFinite() && out.jacobian.allFinite();
  }

  /// Parameters that may still move: not on a bound with the descent pointing outwards.
  std::vector<int> free_parameters(const Extended& p, const Tangent& at) const {
    std::vector<int> free;
    const VectorXd descent = -(at.jacobian.transpose() * at.r);
    for (int j = 0; j < residuals_.parameters(); ++j) {
      const auto x = static_cast<double>(p[j]);
      const bool held = (x <= bound(options_.lower, j, -kInfinity) && descent[j] <= 0) ||
                        (x >= bound(options_.upper, j, kInfinity) && descent[j] >= 0);
      if (!held) free.push_back(j);
    }
    return free;
  }

  Extended clamped(Extended p) const {
    for (int j = 0; j < residuals_.parameters(); ++j) {
      p[j] = std::max<long double>(p[j], bound(options_.lower, j, -kInfinity));
      p[j] = std::min<long double>(p[j], bound(options_.upper, j, kInfinity));
    }
    return p;
  }

 private:
  static double bound(const std::vector<double>& bounds, int j, double none) {
    return bounds.empty() ? none : bounds[static_cast<std::size_t>(j)];
  }

  const Residuals& residuals_;
  const NonlinearOptions& options_;
};

// ---- the polish -----------------------------------------------------------------------------

struct Polished {
  Extended p;
  Tangent at;
  int iterations = 0;
  double last_step = kInfinity;  // largest |step| relative to its parameter
};

double relative_size(const VectorXd& step, const Extended& p) {
  double largest = 0;
  for (Eigen::Index j = 0; j < step.size(); ++j) {
    const double size = std::max(std::abs(static_cast<double>(p[j])), 1e-300);
    largest = std::max(largest, std::abs(step[j]) / size);
  }
  return largest;
}

/// Takes `step`, halved until RSS does not rise beyond rounding. False: no length does.
bool advance(const Point& point, const VectorXd& step, Polished& state) {
  Tangent next;
  for (int halving = 0; halving < 12; ++halving) {
    const long double length = std::ldexp(1.0L, -halving);
    const Extended p = point.clamped(state.p + length * step.cast<long double>());
    if (!point.evaluate(p, next) || !(next.rss <= state.at.rss * (1 + 1e-9))) continue;
    next.factor(point.free_parameters(p, next));
    state.p = p;
    state.at = std::move(next);
    return true;
  }
  return false;
}

/// Gauss–Newton until the steps are rounding, or no longer shrink.
Polished polish(const Point& point, const VectorXd& start, bool enabled) {
  Polished state;
  state.p = start.cast<long double>();
  if (!point.evaluate(state.p, state.at)) return state;
  state.at.factor(point.free_parameters(state.p, state.at));
  for (; enabled && state.iterations < kMaxPolish; ++state.iterations) {
    const VectorXd step = state.at.step(state.at.r);
    const double size = relative_size(step, state.p);
    const bool stalled = size >= 0.9 * state.last_step && size < 1e-9;
    state.last_step = size;
    if (size < kEpsilon / 4 || stalled || !step.allFinite()) break;
    if (!advance(point, step, state)) break;
  }
  if (!enabled) state.last_step = relative_size(state.at.step(state.at.r), state.p);
  return state;
}

// ---- the answer -----------------------------------------------------------------------------

/// Judged at the end of one search; the better of two is kept.
struct Attempt {
  Polished end;
  double offset = kInfinity;
  bool converged = false;

  bool better_than(const Attempt& other) const {
    if (converged != other.converged) return converged;
    return end.at.rss < other.end.at.rss;
  }
};

Attempt attempt(const Residuals& residuals, const VectorXd& start, Search search,
                const NonlinearOptions& options, int& iterations) {
  Attempt result;
  const Point point(residuals, options);
  const Found found = search_from(residuals, start, search, options);
  result.end = polish(point, found.p, options.polish);
  iterations += found.iterations + result.end.iterations;
  if (!std::isfinite(result.end.at.rss)) return result;
  const Tangent& at = result.end.at;
  result.offset = at.relative_offset();
  const double n = residuals.count(), k = static_cast<double>(at.free.size());
  const double bates_watts = n > k && k > 0 ? result.offset * std::sqrt((n - k) / k) : 0;
  const bool still = result.end.last_step < 1e-9;
  result.converged =
      found.usable && at.qr.rank() == at.qr.cols() && (bates_watts < kOffsetLimit || still);
  return result;
}

/// (JᵀJ)⁻¹ of the free columns from the scaled factors, spread over all k.
MatrixXd inverse_normal_of(const Tangent& at) {
  const Eigen::Index k = at.jacobian.cols(), f = at.qr.cols();
  if (at.qr.rank() < f) return MatrixXd::Constant(k, k, kNaN);
  const MatrixXd r = at.qr.matrixQR().topRows(f).triangularView<Eigen::Upper>();
  const MatrixXd r_inverse = r.triangularView<Eigen::Upper>().solve(MatrixXd::Identity(f, f));
  const MatrixXd pivoted = r_inverse * r_inverse.transpose();
  const auto& order = at.qr.colsPermutation().indices();
  MatrixXd inverse = MatrixXd::Zero(k, k);
  for (Eigen::Index a = 0; a < f; ++a)
    for (Eigen::Index b = 0; b < f; ++b) {
      const auto ia = order[a], ib = order[b];
      inverse(at.free[static_cast<std::size_t>(ia)], at.free[static_cast<std::size_t>(ib)]) =
          pivoted(a, b) / (at.scale[ia] * at.scale[ib]);
    }
  return inverse;
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
                                         const MatrixXd& directions, Eigen::Index rank) {
  std::vector<std::string> names;
  const auto& order = at.qr.colsPermutation().indices();
  for (Eigen::Index a = 0; a < directions.rows(); ++a) {
    const double weight = directions.row(a).tail(directions.cols() - rank).norm();
    if (weight > 0.05)
      names.push_back(residuals.parameter_name(at.free[static_cast<std::size_t>(order[a])]));
  }
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
  const Eigen::Index f = at.qr.cols();
  fit.parameters = best.end.p.cast<double>();
  fit.residuals = at.r;
  fit.jacobian = at.jacobian;
  fit.rss = at.rss;
  fit.iterations = iterations;
  fit.converged = best.converged;
  fit.relative_offset = best.offset;
  fit.rank = static_cast<int>(at.qr.rank());
  fit.at_bound.assign(static_cast<std::size_t>(residuals.parameters()), true);
  for (const int j : at.free) fit.at_bound[static_cast<std::size_t>(j)] = false;
  fit.inverse_normal = inverse_normal_of(at);
  std::vector<std::string> lost;
  if (f > 0) {
    const MatrixXd r = at.qr.matrixQR().topRows(f).triangularView<Eigen::Upper>();
    const Eigen::JacobiSVD<MatrixXd> svd(r, Eigen::ComputeFullV);
    const VectorXd& values = svd.singularValues();
    fit.condition = values[f - 1] > 0 ? values[0] / values[f - 1] : kInfinity;
    if (fit.rank < f) lost = lost_parameters(residuals, at, svd.matrixV(), fit.rank);
  }
  fit.message = describe(fit, lost);
  return fit;
}

void check(const Residuals& residuals, const VectorXd& start, const NonlinearOptions& options) {
  const int n = residuals.count(), k = residuals.parameters();
  const auto right_size = [k](const std::vector<double>& bounds) {
    return bounds.empty() || bounds.size() == static_cast<std::size_t>(k);
  };
  if (start.size() != k || !right_size(options.lower) || !right_size(options.upper))
    throw Error(
        Fault::kInput,
        fmt::format("The fit has {} parameters; give as many starting values and bounds.", k));
  if (n < k)
    throw Error(Fault::kInput,
                fmt::format("{} points cannot fix {} parameters; measure more points or choose a "
                            "simpler model.",
                            n, k));
  for (std::size_t j = 0; j < options.lower.size() && j < options.upper.size(); ++j)
    if (!(options.lower[j] < options.upper[j]))
      throw Error(Fault::kInput,
                  fmt::format("The bounds of {} leave no room; the lower one must be less.",
                              residuals.parameter_name(static_cast<int>(j))));
}

}  // namespace

bool Residuals::evaluate_extended(const long double* /*p*/, long double* /*r*/) const {
  return false;
}

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
  silence_solver_log();
  check(residuals, start, options);
  const Point point(residuals, options);
  const Extended inside = point.clamped(start.cast<long double>());
  Tangent first;
  if (!inside.allFinite() || !point.evaluate(inside, first))
    throw Error(Fault::kInput,
                "The model has no finite value at the starting values; give a better start.");
  const VectorXd from = inside.cast<double>();
  int iterations = 0;
  Attempt best;
  if (options.near) {
    NonlinearOptions as_it_is = options;
    as_it_is.polish = false;
    best = attempt(residuals, from, Search::kNone, as_it_is, iterations);
  }
  for (const Search search : {Search::kNone, Search::kPlain, Search::kShortSteps,
                              Search::kShortestSteps, Search::kLoose, Search::kDogleg}) {
    if (best.converged) break;
    if (search == Search::kNone && !options.near) continue;
    Attempt next = attempt(residuals, from, search, options, iterations);
    if (next.better_than(best)) best = std::move(next);
  }
  if (best.end.p.size() == 0 || !std::isfinite(best.end.at.rss))
    best.end = polish(point, from, false);
  return answer(residuals, best, iterations);
}

namespace {

// Half the geodesic acceleration of `step` (Transtrum and Sethna, arXiv 1201.5885, equations 5 and
// 11; from memory): how the path of steepest descent bends on from there, from the residuals'
// second derivative along the step. Nothing where it is not small against the step.
VectorXd bend_of(const Residuals& residuals, const NonlinearFit& at, const RowMajor& jacobian,
                 const VectorXd& weight, const Eigen::LDLT<MatrixXd>& damped,
                 const VectorXd& step) {
  constexpr double kAhead = 0.1, kMostBend = 0.75;
  const VectorXd ahead = at.parameters + kAhead * step;
  VectorXd second(residuals.count());
  const auto size = [&](const VectorXd& x) { return std::sqrt(x.cwiseAbs2().dot(weight)); };
  if (ahead.allFinite() && residuals.evaluate(ahead.data(), second.data(), nullptr)) {
    second = 2 / kAhead * ((second - at.residuals) / kAhead - jacobian * step);
    const VectorXd turn = damped.solve(-(jacobian.transpose() * second));
    if (size(turn) <= kMostBend * size(step)) return turn / 2;
  }
  return VectorXd::Zero(step.size());
}

// (JᵀJ)⁻¹, or NaN where the columns, each of unit length, do not determine all parameters: JᵀJ
// itself is only known to rounding, and what an eigenvalue below that says is chance.
MatrixXd inverse_of_normal(const MatrixXd& normal) {
  constexpr double kLeastShare = 1e-14;
  const VectorXd length = normal.diagonal().cwiseSqrt();
  const MatrixXd lost = MatrixXd::Constant(normal.rows(), normal.cols(), kNaN);
  if (!normal.allFinite() || !(length.minCoeff() > 0)) return lost;
  const VectorXd unit = length.cwiseInverse();
  const Eigen::SelfAdjointEigenSolver<MatrixXd> of_unit(unit.asDiagonal() * normal *
                                                        unit.asDiagonal());
  const VectorXd& values = of_unit.eigenvalues();  // ascending
  if (!(values[0] > kLeastShare * values[values.size() - 1])) return lost;
  const MatrixXd vectors = unit.asDiagonal() * of_unit.eigenvectors();
  return vectors * values.cwiseInverse().asDiagonal() * vectors.transpose();
}

}  // namespace

NonlinearFit improve(const Residuals& residuals, const VectorXd& start, int max_iterations,
                     double tolerance, bool along_bends) {
  constexpr double kRounding = 1e-13;  // of a sum of thousands of squares
  const int n = residuals.count(), k = residuals.parameters();
  NonlinearFit fit;
  fit.parameters = start;
  fit.residuals.resize(n);
  RowMajor jacobian(n, k);
  fit.rss = 1e300;
  if (!residuals.evaluate(fit.parameters.data(), fit.residuals.data(), jacobian.data())) return fit;
  fit.rss = fit.residuals.squaredNorm();
  double damping = 1e-4;
  MatrixXd normal = jacobian.transpose() * jacobian;
  VectorXd trial_residuals(n);
  RowMajor trial_jacobian(n, k);
  // Where steps mostly hold, derivatives are taken with the values and not after them; along bends
  // many are too long.
  bool hopeful = !along_bends;
  while (fit.iterations < max_iterations && !fit.converged && damping < 1e12) {
    ++fit.iterations;
    MatrixXd damped = normal;
    damped.diagonal() += damping * (normal.diagonal().array() + 1e-300).matrix();
    const Eigen::LDLT<MatrixXd> solver(damped);
    VectorXd step = solver.solve(-(jacobian.transpose() * fit.residuals));
    if (along_bends) step += bend_of(residuals, fit, jacobian, normal.diagonal(), solver, step);
    const VectorXd trial = fit.parameters + step;
    const auto evaluated = [&](double* derivatives) {
      return residuals.evaluate(trial.data(), trial_residuals.data(), derivatives);
    };
    const bool defined = trial.allFinite() && evaluated(hopeful ? trial_jacobian.data() : nullptr);
    const double rss = defined ? trial_residuals.squaredNorm() : 1e300;
    if (!(rss <= fit.rss)) {
      // A step that changes nothing but the last digits has no better place to go.
      fit.converged = rss <= (1 + kRounding) * fit.rss;
      damping *= 8;
      hopeful = false;
      continue;
    }
    if (!hopeful) evaluated(trial_jacobian.data());
    hopeful = !along_bends;
    // A small gain after a damped step only says that the step was short.
    fit.converged = fit.rss - rss <= tolerance * fit.rss && damping <= 1e-3;
    fit.parameters = trial;
    fit.residuals.swap(trial_residuals);
    jacobian.swap(trial_jacobian);
    fit.rss = rss;
    normal = jacobian.transpose() * jacobian;
    damping = std::max(1e-12, damping / 10);
  }
  fit.jacobian = jacobian;
  fit.inverse_normal = inverse_of_normal(normal);
  return fit;
}

}  // namespace loadline
