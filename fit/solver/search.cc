#include "fit/solver/search.h"

#include <ceres/ceres.h>
#include <glog/logging.h>

namespace loadline {
namespace {

using Eigen::VectorXd;

// The residuals as Ceres asks for them. It asks for values at a point that it tries and, where it
// goes there, for values and derivatives at the same point: both are worked out at once and kept,
// since most steps are taken and the derivatives of our models cost little more than the values.
class Block final : public ceres::CostFunction {
 public:
  explicit Block(const Residuals& residuals)
      : residuals_(residuals),
        r_(residuals.count()),
        jacobian_(residuals.count(), residuals.parameters()) {
    set_num_residuals(residuals.count());
    mutable_parameter_block_sizes()->push_back(residuals.parameters());
  }

  bool Evaluate(double const* const* p, double* r, double** jacobians) const override {
    if (!known_at(p[0])) return false;
    Eigen::Map<VectorXd>(r, r_.size()) = r_;
    if (jacobians && jacobians[0])
      Eigen::Map<RowMajor>(jacobians[0], jacobian_.rows(), jacobian_.cols()) = jacobian_;
    return true;
  }

  bool known_at(const double* p) const {
    const Eigen::Map<const VectorXd> here(p, residuals_.parameters());
    if (at_.size() == here.size() && at_ == here) return defined_;
    at_ = here;
    defined_ = here.allFinite() && residuals_.evaluate(p, r_.data(), jacobian_.data()) &&
               r_.allFinite() && jacobian_.allFinite();
    return defined_;
  }
  const VectorXd& residuals() const { return r_; }
  const RowMajor& jacobian() const { return jacobian_; }

 private:
  const Residuals& residuals_;
  mutable VectorXd at_, r_;
  mutable RowMajor jacobian_;
  mutable bool defined_ = false;
};

ceres::Solver::Options solver_options(Method method, const SearchLimits& limits) {
  ceres::Solver::Options solver;
  solver.linear_solver_type =
      method == Method::kNormalEquations ? ceres::DENSE_NORMAL_CHOLESKY : ceres::DENSE_QR;
  solver.max_num_iterations = limits.max_iterations;
  solver.function_tolerance = limits.function_tolerance;
  solver.parameter_tolerance = limits.parameter_tolerance;
  solver.gradient_tolerance = 0;  // has the unit of the gradient: no number fits all problems
  solver.max_num_consecutive_invalid_steps = 50;
  solver.min_trust_region_radius = 1e-64;
  solver.num_threads = 1;  // one residual block gains little from more
  solver.logging_type = ceres::SILENT;
  if (method == Method::kShortSteps) solver.initial_trust_region_radius = 1e-2;
  if (method == Method::kShortestSteps) solver.initial_trust_region_radius = 1e-5;
  if (method == Method::kNonmonotonic) solver.use_nonmonotonic_steps = true;
  if (method == Method::kDogleg) {
    solver.trust_region_strategy_type = ceres::DOGLEG;
    solver.dogleg_type = ceres::SUBSPACE_DOGLEG;
  }
  return solver;
}

// Ceres' log goes to stderr by itself; what it says comes back to us in the summary anyway.
void silence_solver_log() {
  static const bool done = [] {
    FLAGS_minloglevel = google::GLOG_FATAL;
    return true;
  }();
  (void)done;
}

}  // namespace

Found search_from(const Residuals& residuals, const VectorXd& start, Method method,
                  const SearchLimits& limits) {
  silence_solver_log();
  Found found;
  found.parameters = start;
  Block block(residuals);
  if (!block.known_at(start.data())) return found;
  ceres::Problem::Options options;
  options.cost_function_ownership = ceres::DO_NOT_TAKE_OWNERSHIP;
  ceres::Problem problem(options);
  problem.AddResidualBlock(&block, nullptr, found.parameters.data());
  ceres::Solver::Summary summary;
  ceres::Solve(solver_options(method, limits), &problem, &summary);
  found.iterations = summary.num_successful_steps + summary.num_unsuccessful_steps;
  found.converged = summary.termination_type == ceres::CONVERGENCE;
  found.usable = summary.IsSolutionUsable() && block.known_at(found.parameters.data());
  found.residuals = block.residuals();
  found.jacobian = block.jacobian();
  return found;
}

}  // namespace loadline
