#include "tests/reference/gsl_fit.h"

#include <gsl/gsl_blas.h>
#include <gsl/gsl_multifit_nlinear.h>

#include <memory>
#include <stdexcept>

namespace loadline::reference {
namespace {

using Function = std::function<bool(const Eigen::VectorXd&, double*)>;

struct Task {
  const Function& residuals;
  const Eigen::VectorXd& typical;
};

int residuals_for_gsl(const gsl_vector* x, void* task_pointer, gsl_vector* f) {
  const Task& task = *static_cast<const Task*>(task_pointer);
  Eigen::VectorXd p(task.typical.size());
  for (Eigen::Index j = 0; j < p.size(); ++j) p[j] = gsl_vector_get(x, j) * task.typical[j];
  Eigen::VectorXd r(static_cast<Eigen::Index>(f->size));
  if (!task.residuals(p, r.data())) return GSL_EDOM;
  // Differencing hands in columns of J as f: they have a stride.
  for (std::size_t i = 0; i < f->size; ++i) gsl_vector_set(f, i, r[static_cast<Eigen::Index>(i)]);
  return GSL_SUCCESS;
}

gsl_multifit_nlinear_parameters method() {
  gsl_multifit_nlinear_parameters parameters = gsl_multifit_nlinear_default_parameters();
  parameters.trs = gsl_multifit_nlinear_trs_lm;
  parameters.solver = gsl_multifit_nlinear_solver_qr;
  parameters.fdtype = GSL_MULTIFIT_NLINEAR_CTRDIFF;
  parameters.h_df = 6e-6;  // about the cube root of the rounding unit: best for central differences
  return parameters;
}

}  // namespace

GslFit fit_with_gsl(int n, const Function& residuals, const Eigen::VectorXd& start,
                    const Eigen::VectorXd& typical) {
  const auto k = static_cast<std::size_t>(start.size());
  const auto method_parameters = method();
  const std::unique_ptr<gsl_multifit_nlinear_workspace, decltype(&gsl_multifit_nlinear_free)>
      workspace(gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &method_parameters,
                                           static_cast<std::size_t>(n), k),
                gsl_multifit_nlinear_free);
  if (!workspace) throw std::runtime_error("GSL gave no workspace");
  Task task{residuals, typical};
  gsl_multifit_nlinear_fdf problem{};
  problem.f = residuals_for_gsl;
  problem.n = static_cast<std::size_t>(n);
  problem.p = k;
  problem.params = &task;
  Eigen::VectorXd scaled = start.cwiseQuotient(typical);
  const gsl_vector_view from = gsl_vector_view_array(scaled.data(), k);
  gsl_multifit_nlinear_init(&from.vector, &problem, workspace.get());
  int info = 0;
  const int status =
      gsl_multifit_nlinear_driver(500, 1e-13, 0.0, 0.0, nullptr, nullptr, &info, workspace.get());
  GslFit fit;
  fit.converged = status == GSL_SUCCESS || status == GSL_ENOPROG;
  fit.parameters.resize(start.size());
  for (Eigen::Index j = 0; j < start.size(); ++j)
    fit.parameters[j] = gsl_vector_get(workspace->x, j) * typical[j];
  gsl_blas_ddot(workspace->f, workspace->f, &fit.rss);
  Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor> covariance(k, k);
  gsl_matrix_view view = gsl_matrix_view_array(covariance.data(), k, k);
  gsl_multifit_nlinear_covar(gsl_multifit_nlinear_jac(workspace.get()), 0.0, &view.matrix);
  fit.inverse_normal = typical.asDiagonal() * covariance * typical.asDiagonal();
  return fit;
}

}  // namespace loadline::reference
