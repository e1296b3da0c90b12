// The GNU Scientific Library as an independent fitter (gsl_multifit_nlinear: Levenberg–Marquardt
// with its own trust region, its own QR, its own central differences). Nothing of Loadline's fit is
// used on this side, so that agreement means something.
#pragma once

#include <Eigen/Core>
#include <functional>

namespace loadline::reference {

struct GslFit {
  Eigen::VectorXd parameters;
  Eigen::MatrixXd inverse_normal;  ///< (JᵀJ)⁻¹, as gsl_multifit_nlinear_covar gives it
  double rss = 0;
  bool converged = false;
};

/// Minimises Σ rᵢ(p)². `residuals` fills r[n] at p; it may return false where it is not defined.
/// `typical` are sizes of the parameters: GSL sees p/typical.
GslFit fit_with_gsl(int n,
                    const std::function<bool(const Eigen::VectorXd& p, double* r)>& residuals,
                    const Eigen::VectorXd& start, const Eigen::VectorXd& typical);

}  // namespace loadline::reference
