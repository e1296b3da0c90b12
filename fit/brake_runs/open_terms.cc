#include "fit/brake_runs/open_terms.h"

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <optional>
#include <utility>
#include <vector>

#include "fit/equations/motor_constants.h"
#include "fit/equations/motor_equation.h"
#include "fit/solver/dense.h"

namespace loadline {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr int kSteps = 12, kHalvings = 6;
constexpr double kSmallStep = 1e-8;  // squared, in standard deviations

// A term that is taken, and its standard deviation before the readings.
struct Term {
  Index which;
  double sd;
};

// The fit once more with some of its equation's terms: the unknowns are all of the fit's and these.
class ProblemWithTerms {
 public:
  ProblemWithTerms(const SweepFit& fit, const MotorEquation& motor, std::vector<Term> terms)
      : fit_(fit), motor_(motor), terms_(std::move(terms)), start_(with_fit(at_fit())) {}

  Index fitted() const { return fit_.solution.parameters.size(); }
  Index unknowns() const { return fitted() + static_cast<Index>(terms_.size()); }
  double sd(Index term) const { return terms_[static_cast<std::size_t>(term)].sd; }
  VectorXd at_fit() const {
    VectorXd x = VectorXd::Zero(unknowns());
    x.head(fitted()) = fit_.solution.parameters;
    return x;
  }
  // The curve's parameters with all terms, 0 where one is not taken.
  VectorXd natural(const VectorXd& x) const {
    const Index k = fit_.shape->size();
    VectorXd all = VectorXd::Zero(k + static_cast<Index>(motor_.open_sd.size()));
    all.head(k) = fit_.shape->natural(x.head(k));
    for (std::size_t i = 0; i < terms_.size(); ++i)
      all[k + terms_[i].which] = x[fitted() + static_cast<Index>(i)];
    return all;
  }
  MatrixXd natural_by(const VectorXd& x) const {
    const Index k = fit_.shape->size();
    MatrixXd by = MatrixXd::Zero(natural(x).size(), unknowns());
    by.topLeftCorner(k, k) = fit_.shape->natural_by_internal(x.head(k));
    for (std::size_t i = 0; i < terms_.size(); ++i)
      by(k + terms_[i].which, fitted() + static_cast<Index>(i)) = 1;
    return by;
  }
  // Of the readings and what the fit believes, without the terms' own beliefs.
  VectorXd residuals(const VectorXd& x) const {
    return fit_.solution.residuals +
           fit_.solution.jacobian * (x.head(fitted()) - fit_.solution.parameters) + with_fit(x) -
           start_;
  }
  MatrixXd jacobian(const VectorXd& x) const {
    MatrixXd j = MatrixXd::Zero(fit_.solution.jacobian.rows(), unknowns());
    j.leftCols(fitted()) = fit_.solution.jacobian;
    const Index k = fit_.shape->size();
    const VectorXd p = natural(x), bare = without_terms(p);
    const MatrixXd by = natural_by(x);
    MotorShape::Torque torque;
    each([&](Index row, double unit, const SweepRow& at) {
      fit_.shape->torque(p.head(k), at.speed, volts(at), 0, torque);
      VectorXd by_p =
          of_supply(at) * (formula().gradient(p, at.speed) - formula().gradient(bare, at.speed));
      by_p.head(k) += torque.by_p;
      by_p.tail(p.size() - k) = of_supply(at) * formula().gradient(p, at.speed).tail(p.size() - k);
      const VectorXd by_x = unit * (by.transpose() * by_p);
      j.row(row).head(k) = by_x.head(k);
      j.row(row).tail(unknowns() - fitted()) = by_x.tail(unknowns() - fitted());
    });
    return j;
  }

 private:
  const CurveModel& formula() const { return *motor_.formulas.back(); }
  VectorXd without_terms(VectorXd p) const {
    p.tail(p.size() - fit_.shape->size()).setZero();
    return p;
  }
  double volts(const SweepRow& row) const { return fit_.problem->volts_ratio(row.volts); }
  // Terms go with the supply as the first parameter does, a torque.
  double of_supply(const SweepRow& row) const {
    return std::pow(volts(row), motor_.parameters.front().by_voltage);
  }
  template <typename Do>
  void each(const Do& what) const {
    for (std::size_t j = 0; j < fit_.sweeps.size(); ++j)
      for (std::size_t i = 0; i < fit_.sweeps[j].rows.size(); ++i)
        what(fit_.problem->row_of(j) + static_cast<Index>(i), fit_.unit(j, i),
             fit_.sweeps[j].rows[i]);
  }
  // Weighted torques of the curve, less what the fit's own derivatives make of them.
  VectorXd with_fit(const VectorXd& x) const {
    VectorXd torques = VectorXd::Zero(fit_.solution.jacobian.rows());
    const Index k = fit_.shape->size();
    const VectorXd p = natural(x), bare = without_terms(p),
                   moved = x.head(k) - fit_.solution.parameters.head(k);
    each([&](Index row, double unit, const SweepRow& at) {
      torques[row] =
          unit *
              (fit_.shape->torque(p.head(k), at.speed, volts(at), 0) +
               of_supply(at) * (formula().torque(p, at.speed) - formula().torque(bare, at.speed))) -
          fit_.solution.jacobian.row(row).head(k).dot(moved);
    });
    return torques;
  }
  const SweepFit& fit_;
  const MotorEquation& motor_;
  std::vector<Term> terms_;
  VectorXd start_;
};

struct Way {
  TermsTaken taken;
  double log_weight = 0;
  VectorXd natural;
  MatrixXd covariance;
};

// Where the fit's noise is what it left of the readings, it is smaller with a term that explains
// some of that, though not below what is stated of them.
double variance_with(const TermsTaken& taken, const SweepFit& fit, double squares) {
  const double before = fit.effective_values - fit.effective_parameters;
  const double freedom = std::max(1.0, before - taken.count);
  const double variance = std::min(1.0, taken.left * std::max(1.0, before) / freedom);
  if (!fit.of_stated || !(fit.of_stated->squares > 0)) return variance;
  const double stated = std::min(1.0, squares / fit.of_stated->squares);
  return variance > stated * (1 + std::sqrt(2 / freedom)) ? variance : stated;
}

// Of what points scatter that are typed without their uncertainties, the speed's part is unknown:
// weights for none of it, and for several sizes. Their geometric mean is 1.
std::vector<VectorXd> weightings(const SweepFit& fit) {
  std::vector<VectorXd> all{VectorXd::Ones(fit.problem->data_rows())};
  if (fit.of_stated) return all;
  for (const double share : motor_chosen::kSpeedShares) {
    VectorXd factors = all.front();
    for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
      const std::vector<double> scatter = scatter_with(fit, j, share);
      for (std::size_t i = 0; i < scatter.size(); ++i)
        factors[fit.problem->row_of(j) + static_cast<Index>(i)] = 1 / scatter[i];
    }
    all.push_back(std::move(factors));
  }
  return all;
}

// Gauss and Newton's steps, halved where they lead too far; nothing where they lead nowhere.
std::optional<Way> way_with(const SweepFit& fit, const MotorEquation& motor,
                            const std::vector<Term>& terms, const VectorXd& weights, bool plain) {
  const ProblemWithTerms problem(fit, motor, terms);
  const Index data = fit.problem->data_rows(), shape = fit.shape->size();
  const auto count = static_cast<Index>(terms.size());
  const double squares = fit.solution.residuals.head(data).squaredNorm();
  if ((count > 0 || !plain) && !(squares > 0)) return std::nullopt;
  VectorXd believed(count);
  for (Index i = 0; i < count; ++i) believed[i] = 1 / (problem.sd(i) * problem.sd(i));
  double variance = 1;
  Way way;
  VectorXd x = problem.at_fit();
  MatrixXd normal;
  double left = squares;
  const auto weighted = [&](auto rows) {
    rows.topRows(data) = (weights / std::sqrt(variance)).asDiagonal() * rows.topRows(data);
    return rows;
  };
  const auto cost = [&](const VectorXd& at) {
    return weighted(problem.residuals(at)).squaredNorm() + at.tail(count).cwiseAbs2().dot(believed);
  };
  for (int step = 0; step < kSteps; ++step) {
    const MatrixXd jacobian = weighted(problem.jacobian(x));
    normal = jacobian.transpose() * jacobian;
    normal.diagonal().tail(count) += believed;
    if (count == 0 && plain) break;
    VectorXd downhill = -jacobian.transpose() * weighted(problem.residuals(x));
    downhill.tail(count) -= believed.cwiseProduct(x.tail(count));
    VectorXd move = inverse_of(normal) * downhill;
    if (!move.allFinite()) return std::nullopt;
    if (step > 1 && move.dot(normal * move) < kSmallStep) break;
    const double before = cost(x);
    int halvings = 0;
    while (halvings < kHalvings && !(cost(x + move) <= before)) {
      move /= 2;
      ++halvings;
    }
    if (halvings == kHalvings) break;
    x += move;
    if (step + 1 == kSteps) break;
    left = weights.cwiseProduct(problem.residuals(x).head(data)).squaredNorm();
    const MatrixXd own = inverse_of(normal).bottomRightCorner(count, count);
    way.taken = {std::clamp(left / squares, 1e-3, 1.0),
                 static_cast<double>(count) - own.diagonal().dot(believed)};
    const double values = fit.effective_values - fit.effective_parameters;
    variance = plain ? variance_with(way.taken, fit, squares)
                     : std::max(1e-3, left / squares) * std::max(1.0, values) /
                           std::max(1.0, values - way.taken.count);
  }
  const MatrixXd inverse = inverse_of(normal);
  if (!inverse.allFinite()) return std::nullopt;
  const MatrixXd by = problem.natural_by(x);
  way.natural = problem.natural(x);
  way.covariance = by * inverse * by.transpose();
  // Student's t: the fit's noise may be of its own making. What the readings say of the terms, all
  // else eliminated, is their part of the inverse.
  const double freedom = fit.degrees_of_freedom;
  way.log_weight = -freedom / 2 * std::log1p(std::max((left - squares) / freedom, -0.999)) -
                   x.tail(count).cwiseAbs2().dot(believed) / 2;
  if (!fit.of_stated) {
    const MatrixXd j = weights.asDiagonal() * problem.jacobian(x).topRows(data).leftCols(shape);
    way.log_weight -= symmetric_parts(MatrixXd(j.transpose() * j)).values.array().log().sum() / 2;
  }
  if (count > 0)
    way.log_weight +=
        (symmetric_parts(inverse.bottomRightCorner(count, count)).values.array().log().sum() +
         believed.array().log().sum()) /
        2;
  return way;
}

// Each term is left out, or one of its sizes.
std::vector<std::vector<Term>> choices_of(const MotorEquation& motor) {
  std::vector<std::vector<Term>> all{{}};
  for (std::size_t i = 0; i < motor.open_sd.size(); ++i) {
    const std::vector<std::vector<Term>> without = all;
    for (const double sd : motor.open_sd[i])
      for (std::vector<Term> terms : without) {
        terms.push_back({static_cast<Index>(i), sd});
        all.push_back(std::move(terms));
      }
  }
  return all;
}

// That without any term, by the weights of the fit, is the first. Beforehand it is as likely that
// nothing is left out as that something of one size is, whichever terms it be.
std::vector<Way> all_ways(const SweepFit& fit, const MotorEquation& motor,
                          const std::vector<VectorXd>& weights) {
  const double which = std::exp2(static_cast<double>(motor.open_sd.size())) - 1;
  std::vector<Way> ways;
  for (const std::vector<Term>& terms : choices_of(motor))
    for (const VectorXd& by : weights)
      if (auto way = way_with(fit, motor, terms, by, &by == &weights.front())) {
        if (!terms.empty()) way->log_weight -= std::log(which);
        ways.push_back(std::move(*way));
      }
  return ways;
}

}  // namespace

bool has_open_terms(const std::string& model) {
  const MotorEquation* const motor = motor_equation(model);
  return motor && !motor->open_sd.empty();
}

std::vector<TermsTaken> ways_with_terms(const SweepFit& fit, const std::string& model) {
  std::vector<TermsTaken> taken;
  if (has_open_terms(model))
    for (const Way& way :
         all_ways(fit, *motor_equation(model), {VectorXd::Ones(fit.problem->data_rows())}))
      taken.push_back(way.taken);
  if (taken.empty()) taken.emplace_back();
  return taken;
}

void add_open_terms(Curve& curve, const SweepFit& fit) {
  const MotorEquation& motor = *motor_equation(curve.model);
  const std::vector<Way> ways = all_ways(fit, motor, weightings(fit));
  if (ways.empty()) return;
  double most = -1e300, weights = 0;
  for (const Way& way : ways) most = std::max(most, way.log_weight);
  VectorXd mean = VectorXd::Zero(ways.front().natural.size());
  MatrixXd squares = MatrixXd::Zero(mean.size(), mean.size());
  const VectorXd& about = ways.front().natural;
  for (const Way& way : ways) {
    const double weight = std::exp(way.log_weight - most);
    const VectorXd off = way.natural - about;
    weights += weight;
    mean += weight * off;
    squares += weight * (way.covariance + off * off.transpose());
  }
  mean /= weights;
  MatrixXd covariance = squares / weights - mean * mean.transpose();
  // What the fit's covariance holds beside noise: calibration, zero, how runs differ.
  const Index k = fit.shape->size();
  covariance.topLeftCorner(k, k) +=
      curve.covariance - fit.natural_by_internal * fit.solution.inverse_normal.topLeftCorner(k, k) *
                             fit.natural_by_internal.transpose();
  curve.equation = motor.formulas.back();
  curve.parameter_names = curve.equation->parameter_names();
  curve.parameters = about + mean;
  curve.covariance = std::move(covariance);
}

}  // namespace loadline
