// Decompositions of dense matrices, made once: written out, each costs seconds of compiling
// wherever it stands (Eigen is all templates). Sizes that are fixed, or a type other than double,
// take Eigen's own. Functions of their arguments alone: any thread may call them.
#pragma once

#include <Eigen/Core>

namespace loadline {

/// Of a symmetric matrix: its eigenvalues, ascending, and an orthonormal eigenvector in the column
/// of each. Only the lower triangle (n×n, n ≥ 1) is read.
struct SymmetricParts {
  Eigen::VectorXd values;
  Eigen::MatrixXd vectors;
};
SymmetricParts symmetric_parts(const Eigen::MatrixXd& symmetric);

/// How many columns of `design` are independent, by QR with the columns exchanged: one whose pivot
/// is at most `least` of the largest counts as none.
Eigen::Index rank_of(const Eigen::MatrixXd& design, double least);
/// The same to rounding: `least` is the spacing of numbers at 1, times the smaller of both sizes.
Eigen::Index rank_of(const Eigen::MatrixXd& design);

/// x (columns of `design` × columns of `right`) with the least squares of design·x − right, for
/// each column of `right` by itself (as many rows as `design`), by QR with the columns exchanged;
/// of columns that depend on each other one stays 0.
Eigen::MatrixXd least_squares(const Eigen::MatrixXd& design, const Eigen::MatrixXd& right);

/// Of a square matrix, by LU with the rows exchanged; not finite where it is singular.
Eigen::MatrixXd inverse_of(const Eigen::MatrixXd& square);

}  // namespace loadline
