// Levenberg–Marquardt on the normal equations, in double precision, with geodesic acceleration on
// request. Why it stands beside Ceres: along the curved valleys of a brake run it needs a third of
// the time (tests/study/README.md has the table).
#include <Eigen/Cholesky>
#include <algorithm>
#include <cmath>
#include <limits>

#include "fit/solver/dense.h"
#include "fit/solver/nonlinear.h"

namespace loadline {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;
using RowMajor = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;

// A step h solves (JᵀJ + µD)h = −Jᵀr, D the largest diagonal of JᵀJ so far (Moré 1978, from memory:
// in a flat place JᵀJ alone would let go). It is taken where the gain ratio ρ = (RSS − RSS′)/(what
// the linear model of r promised) > kLeastGain; then µ ← µ·max(1/3, 1 − (2ρ − 1)³), else µ ← 2µ,
// 4µ, 8µ … (Nielsen, in Madsen, Nielsen and Tingleff, Methods for non-linear least squares
// problems, 2004, from memory).
constexpr double kLeastGain = 1e-3;  // as in Ceres
constexpr double kFirstDamping = 1e-4, kLeastDamping = 1e-12;
constexpr double kMostDamping = 1e16;  // ends the search: no step of any length is taken
constexpr double kMostShrinking = 1.0 / 3;
// Ends where the step promised ≤ kRounding · RSS: that much is rounding of thousands of squares.
constexpr double kRounding = 1e-13;
// Rank check: the eigenvalues of JᵀJ, its diagonal scaled to 1, are known to rounding; one below
// this share of the largest is chance.
constexpr double kLeastEigenvalue = 1e-14;
// Geodesic acceleration: where the second derivative is taken (share of the step), and how long the
// correction may be against the step (Transtrum and Sethna, arXiv 1201.5885, equations 5, 11 and
// 15; from memory).
constexpr double kAhead = 0.1, kMostBend = 0.75;

MatrixXd inverse_of_normal(const MatrixXd& normal) {
  const VectorXd length = normal.diagonal().cwiseSqrt();
  MatrixXd lost =
      MatrixXd::Constant(normal.rows(), normal.cols(), std::numeric_limits<double>::quiet_NaN());
  if (!normal.allFinite() || !(length.minCoeff() > 0)) return lost;
  const VectorXd unit = length.cwiseInverse();
  const SymmetricParts of_unit = symmetric_parts(unit.asDiagonal() * normal * unit.asDiagonal());
  const VectorXd& values = of_unit.values;
  if (!(values[0] > kLeastEigenvalue * values[values.size() - 1])) return lost;
  const MatrixXd vectors = unit.asDiagonal() * of_unit.vectors;
  return vectors * values.cwiseInverse().asDiagonal() * vectors.transpose();
}

// Residuals and Jacobian at a point.
struct Place {
  VectorXd p, r;
  RowMajor jacobian;
  double rss = kUndefined;

  Place(const Residuals& residuals, VectorXd at)
      : p(std::move(at)),
        r(residuals.count()),
        jacobian(residuals.count(), residuals.parameters()) {}

  // False, and `rss` undefined: no finite values here.
  bool evaluate(const Residuals& residuals, bool derivatives) {
    rss = kUndefined;
    if (!p.allFinite() ||
        !residuals.evaluate(p.data(), r.data(), derivatives ? jacobian.data() : nullptr))
      return false;
    const double squares = r.squaredNorm();
    if (!(squares < kUndefined) || (derivatives && !jacobian.allFinite())) return false;
    rss = squares;
    return true;
  }
};

class Search {
 public:
  Search(const Residuals& residuals, const VectorXd& start, const QuickOptions& options)
      : residuals_(residuals),
        options_(options),
        at_(residuals, start),
        trial_(residuals, start),
        ahead_(residuals, start) {}

  NonlinearFit run() {
    NonlinearFit fit;
    if (at_.evaluate(residuals_, true)) {
      linearise();
      for (; fit.iterations < options_.max_iterations && !fit.converged && damping_ < kMostDamping;
           ++fit.iterations)
        fit.converged = step();
      fit.inverse_normal = inverse_of_normal(normal_);
    }
    fit.rss = at_.rss;
    fit.parameters = std::move(at_.p);
    fit.residuals = std::move(at_.r);
    fit.jacobian = at_.jacobian;
    return fit;
  }

 private:
  void linearise() {
    gradient_ = at_.jacobian.transpose() * at_.r;
    normal_ = at_.jacobian.transpose() * at_.jacobian;
    const VectorXd squares = normal_.diagonal();
    scale_ = scale_.size() == 0 ? squares : scale_.cwiseMax(squares);
  }

  // One step tried. True: the search is at its end.
  bool step() {
    MatrixXd damped = normal_;
    damped.diagonal() += (damping_ * scale_.array() + 1e-300).matrix();
    const Eigen::LDLT<MatrixXd> solver(damped);
    const VectorXd straight = solver.solve(-gradient_);
    const double promised = -straight.dot(2 * gradient_ + normal_ * straight);
    trial_.p = at_.p + straight;
    if (options_.geodesic) trial_.p += bend(straight, solver);
    // With derivatives at once: most steps are taken.
    trial_.evaluate(residuals_, true);
    const double gained = at_.rss - trial_.rss;
    const bool at_rounding = promised <= kRounding * at_.rss;
    if (!(gained > 0 && gained > kLeastGain * promised)) {
      damping_ *= raise_;
      raise_ *= 2;
      return at_rounding;
    }
    const bool little = std::max(gained, promised) <= options_.tolerance * at_.rss;
    std::swap(at_, trial_);
    linearise();
    const double shrink = 1 - std::pow(2 * gained / promised - 1, 3);
    damping_ = std::max(kLeastDamping, damping_ * std::max(kMostShrinking, shrink));
    raise_ = 2;
    return at_rounding || little;
  }

  // How the path of steepest descent bends on from `straight`: half the geodesic acceleration, from
  // the residuals' second derivative along the step. Nothing where it is not small against it.
  VectorXd bend(const VectorXd& straight, const Eigen::LDLT<MatrixXd>& solver) {
    ahead_.p = at_.p + kAhead * straight;
    if (!ahead_.evaluate(residuals_, false)) return VectorXd::Zero(straight.size());
    const VectorXd second = 2 / kAhead * ((ahead_.r - at_.r) / kAhead - at_.jacobian * straight);
    const VectorXd turn = solver.solve(-(at_.jacobian.transpose() * second));
    const auto square = [&](const VectorXd& x) { return x.cwiseAbs2().dot(scale_); };
    if (!(square(turn) <= kMostBend * kMostBend * square(straight)))
      return VectorXd::Zero(straight.size());
    return turn / 2;
  }

  const Residuals& residuals_;
  const QuickOptions options_;
  Place at_, trial_, ahead_;
  VectorXd gradient_, scale_;
  MatrixXd normal_;
  double damping_ = kFirstDamping, raise_ = 2;
};

}  // namespace

NonlinearFit quick_fit(const Residuals& residuals, const VectorXd& start,
                       const QuickOptions& options) {
  return Search(residuals, start, options).run();
}

}  // namespace loadline
