// All uncertain inputs of a drawer together, and draws of them that every candidate is judged on.
//
// Each input stands once: two candidates with the same motor lean on the same draw of its curve, so
// what they share cancels where they are compared. Figures are carried as in fit/drive/propagation
// to first order, value + Σ ∂/∂input · deviation; groups stretch to Student's t with their degrees
// of freedom (JCGM 101:2008, 6.4.9). Draws are stratified (Latin hypercube sampling; McKay, Beckman
// and Conover, Technometrics 21 (1979) 239, from memory): each input's own draws are the quantiles
// of its distribution in random order, which takes most of the noise out of a share of draws.
// Built and drawn by one thread; read by many.
#pragma once

#include <Eigen/Dense>
#include <cstdint>
#include <string>
#include <utility>
#include <vector>

#include "db/basis/estimate.h"

namespace loadline {

/// Derivatives of one figure by some of the inputs.
struct SparseBy {
  std::vector<std::pair<int, double>> parts;  ///< place of the input, derivative
  void add(int place, double derivative) { parts.emplace_back(place, derivative); }
  /// Adds `factor` times another figure's.
  void add(const SparseBy& other, double factor);
};

class Joint {
 public:
  /// Adds inputs that vary together; returns the place of the first.
  int add(const Eigen::MatrixXd& covariance, double degrees_of_freedom);
  /// Adds one input of standard uncertainty 1.
  int add_standard(double degrees_of_freedom = 1e9);
  int size() const { return size_; }

  /// Turns derivatives by the inputs (one row per input, one column per figure) into derivatives by
  /// independent deviates of standard uncertainty 1, as many and at the same places, group by
  /// group.
  void standardise(Eigen::MatrixXd& by) const;

  /// Covariance of figures with these derivatives by the inputs.
  Eigen::MatrixXd covariance(const std::vector<SparseBy>& figures) const;

  /// `draws` draws of everything; the same seed gives the same ones.
  void draw(std::size_t draws, std::uint64_t seed);
  /// One row per draw, one column per deviate; in single precision, which a share of draws has to
  /// spare.
  const Eigen::MatrixXf& deviates() const { return deviates_; }
  /// No draw moves a figure with these standardised derivatives by more than this.
  double reach(const Eigen::VectorXd& by) const;

  /// value ± t·u in a unit that a person reads, both multiplied by `factor` (> 0), from
  /// standardised derivatives: first order, Welch–Satterthwaite over the groups (JCGM 100:2008,
  /// G.4.1).
  Estimate estimate(double value, const Eigen::VectorXd& by, double factor, std::string unit) const;

 private:
  struct Group {
    int first;
    Eigen::MatrixXd root;  // covariance = root·rootᵀ
    double degrees_of_freedom;
    double radius = 0;  // longest vector of its deviates in any draw
  };
  std::vector<Group> groups_;
  Eigen::MatrixXf deviates_;
  int size_ = 0;
};

}  // namespace loadline
