#include "fit/readings/noise/least_squares.h"

#include <fmt/format.h>

#include <Eigen/QR>
#include <cmath>
#include <limits>

#include "db/basis/error.h"

namespace loadline {
namespace {

// The weighted, column-scaled problem and its factors.
struct Factored {
  LongVector row_scale;     // √w
  LongVector column_scale;  // 1 / length of each weighted column
  Eigen::ColPivHouseholderQR<LongMatrix> qr;
};

void require_sound(const LongMatrix& design, const LongVector& y, std::span<const double> weights) {
  if (design.rows() != y.size() ||
      (!weights.empty() && static_cast<Eigen::Index>(weights.size()) != y.size()))
    throw std::logic_error("fit_linear: design, y and weights differ in length");
  if (design.rows() < design.cols())
    throw Error(Fault::kInput,
                fmt::format("{} readings cannot determine {} coefficients; take more readings.",
                            design.rows(), design.cols()));
  if (!design.allFinite() || !y.allFinite())
    throw Error(Fault::kInput, "a reading is not a finite number; leave that row out.");
  for (const double w : weights)
    if (!(w > 0) || !std::isfinite(w))
      throw Error(Fault::kInput, "a weight is not a positive number; leave that row out.");
}

Factored factor(const LongMatrix& design, std::span<const double> weights,
                const LinearOptions& options) {
  Factored f;
  f.row_scale = LongVector::Ones(design.rows());
  for (std::size_t i = 0; i < weights.size(); ++i)
    f.row_scale[static_cast<Eigen::Index>(i)] = std::sqrt(static_cast<long double>(weights[i]));
  LongMatrix scaled = f.row_scale.asDiagonal() * design;
  f.column_scale = scaled.colwise().norm().transpose();
  for (Eigen::Index j = 0; j < scaled.cols(); ++j) {
    if (!(f.column_scale[j] > 0))
      throw Error(
          Fault::kInput,
          fmt::format("column {} is zero throughout, so that its coefficient is free; leave "
                      "it out.",
                      j + 1));
    f.column_scale[j] = 1 / f.column_scale[j];
  }
  scaled = scaled * f.column_scale.asDiagonal();
  f.qr.compute(scaled);
  const auto pivots = f.qr.matrixQR().diagonal();
  for (Eigen::Index j = 0; j < scaled.cols(); ++j)
    if (std::fabs(pivots[j]) < options.smallest_pivot * std::fabs(pivots[0]))
      throw Error(Fault::kInput,
                  fmt::format("column {} follows from the others, so that the coefficients are not "
                              "determined; take readings that vary it on its own.",
                              f.qr.colsPermutation().indices()[j] + 1));
  return f;
}

LongVector solve(const Factored& f, const LongVector& rhs) {
  const LongVector weighted = f.row_scale.asDiagonal() * rhs;
  return f.column_scale.asDiagonal() * f.qr.solve(weighted);
}

LongMatrix unscaled_covariance(const Factored& f) {
  const Eigen::Index p = f.column_scale.size();
  LongMatrix inverse = LongMatrix::Identity(p, p);
  f.qr.matrixQR().topRows(p).triangularView<Eigen::Upper>().solveInPlace(inverse);
  const LongMatrix half = f.column_scale.asDiagonal() * (f.qr.colsPermutation() * inverse);
  return half * half.transpose();
}

long double total_ss(const Factored& f, const LongVector& y, bool about_mean) {
  const LongVector w = f.row_scale.cwiseAbs2();
  const long double centre = about_mean ? w.dot(y) / w.sum() : 0;
  return w.dot((y.array() - centre).square().matrix());
}

}  // namespace

double LinearFit::sd(Eigen::Index coefficient) const {
  return std::sqrt(covariance(coefficient, coefficient));
}

double LinearFit::fitted_sd(const Eigen::VectorXd& row) const {
  return std::sqrt(row.dot(covariance * row));
}

LinearFit fit_linear(const LongMatrix& design, const LongVector& y, const LinearOptions& options,
                     std::span<const double> weights) {
  require_sound(design, y, weights);
  const Factored f = factor(design, weights, options);
  LongVector b = solve(f, y);
  b += solve(f, y - design * b);
  const LongVector residuals = y - design * b;
  const long double rss = (f.row_scale.asDiagonal() * residuals).squaredNorm();
  const long double tss = total_ss(f, y, options.has_constant);
  const Eigen::Index freedom = design.rows() - design.cols();
  const Eigen::Index terms = design.cols() - (options.has_constant ? 1 : 0);
  const long double variance =
      freedom > 0 ? rss / freedom : std::numeric_limits<long double>::quiet_NaN();
  LinearFit fit;
  fit.coefficients = b.cast<double>();
  fit.covariance = (variance * unscaled_covariance(f)).cast<double>();
  fit.fitted = (design * b).cast<double>();
  fit.residuals = residuals.cast<double>();
  fit.degrees_of_freedom = static_cast<double>(freedom);
  fit.residual_ss = static_cast<double>(rss);
  fit.residual_sd = static_cast<double>(std::sqrt(variance));
  fit.regression_ss = static_cast<double>(tss - rss);
  fit.r_squared = static_cast<double>(1 - rss / tss);
  fit.f_statistic = static_cast<double>((tss - rss) / static_cast<long double>(terms) / variance);
  return fit;
}

LongMatrix polynomial_columns(const LongVector& x, int degree, bool constant) {
  LongMatrix columns(x.size(), degree + (constant ? 1 : 0));
  if (columns.cols() == 0) return columns;
  if (constant)
    columns.col(0).setOnes();
  else
    columns.col(0) = x;
  for (Eigen::Index j = 1; j < columns.cols(); ++j)
    columns.col(j) = columns.col(j - 1).cwiseProduct(x);
  return columns;
}

LongVector long_vector(std::span<const double> values) {
  LongVector result(static_cast<Eigen::Index>(values.size()));
  for (std::size_t i = 0; i < values.size(); ++i) result[static_cast<Eigen::Index>(i)] = values[i];
  return result;
}

double corrected_akaike(double residual_ss, Eigen::Index n, Eigen::Index coefficients) {
  const double rows = static_cast<double>(n);
  const double k = static_cast<double>(coefficients) + 1;
  if (rows <= k + 1) return std::numeric_limits<double>::infinity();
  return rows * std::log(residual_ss / rows) + 2 * k + 2 * k * (k + 1) / (rows - k - 1);
}

}  // namespace loadline
