#include "fit/solver/dense.h"

#include <Eigen/Dense>

namespace loadline {

SymmetricParts symmetric_parts(const Eigen::MatrixXd& symmetric) {
  const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> solver(symmetric);
  return {solver.eigenvalues(), solver.eigenvectors()};
}

Eigen::Index rank_of(const Eigen::MatrixXd& design, double least) {
  Eigen::ColPivHouseholderQR<Eigen::MatrixXd> factors(design);
  factors.setThreshold(least);
  return factors.rank();
}

Eigen::Index rank_of(const Eigen::MatrixXd& design) {
  return Eigen::ColPivHouseholderQR<Eigen::MatrixXd>(design).rank();
}

Eigen::MatrixXd least_squares(const Eigen::MatrixXd& design, const Eigen::MatrixXd& right) {
  return Eigen::ColPivHouseholderQR<Eigen::MatrixXd>(design).solve(right);
}

Eigen::MatrixXd inverse_of(const Eigen::MatrixXd& square) { return square.inverse(); }

}  // namespace loadline
