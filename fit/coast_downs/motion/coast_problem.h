// A shaft that slows down by its own drag: J dω/dt = −τ(ω), solved and fitted as it stands, on the
// angle that the tachometer counted, never on a numerical derivative of it.
//
// What a tachometer reports is the angle turned between two moments. The model of the angle is the
// solution θ(t) of the equation plus a ripple
//   δθ = Σ_h (p_h + q_h/ω²) cos hθ + (r_h + s_h/ω²) sin hθ,   h = 1, 2 per turn,
// to first order: a torque ripple of h per turn moves the angle by 1/ω² times its amplitude (energy
// balance over a part of a turn), an uneven disc or an inertia that changes within the turn by a
// constant amount. A display that looks every so often takes in the mean since it looked before, or
// over the last pulse. Smoothed ones are fitted look by look from what was shown before, so that
// nothing need be known of what came before the first row: a·x_j + (1 − a)·y_{j−1} is shown next.
// A display that takes in single turns shows a mean of several of them, the angle
// of which the solution gives; what its ripple columns then hold is how long ago a turn ended when
// a row was written, which goes with the place of the shaft. In runs with edge times each slot's
// own place on the disc is fitted besides.
#pragma once

#include <array>
#include <optional>
#include <vector>

#include "fit/coast_downs/motion/coast.h"
#include "fit/solver/nonlinear.h"
#include "fit/solver/prior.h"

namespace loadline {

struct CoastOptions {
  bool ripple = true;
  bool stribeck = false;
  /// About the drag as a plainer fit gave it, c₀, c₁, c₂ and ln J as in the parameters: it tells
  /// how fast the shaft slows down within a turn.
  std::optional<std::array<double, 4>> known_drag = std::nullopt;
  /// The torque that ripples is a share of that drag instead of the same at all speeds: 1/ω² above
  /// becomes τ(ω)/ω².
  bool ripple_of_drag = false;
  /// Empty: all runs have one drag. Else each run's drag is the common one times exp of a level of
  /// its own, and this times the levels has variance 1: the inverse root of their covariance.
  Eigen::MatrixXd level_root = {};
  /// ln of the age of an edge in rows of a file, rad: what is known of it beforehand.
  double log_age = kAnyLogAge, log_age_sd = kAnyLogAgeSd;

  // π/pulses of some 1 to 120 of them.
  static constexpr double kAnyLogAge = -1.2, kAnyLogAgeSd = 1.2;
};

template <typename T>
class CoastSolution;  // coast_solution.h
template <typename T>
class CoastEquation;

/// Parameters: c₀, c₁, c₂ (each over the unit inertia), ln(J/unit), with `stribeck` rise and ω_s;
/// the age α of an edge (rows of an imported run end at the last edge before their time stamp, on
/// average half a pulse ago: the window lies α/ω earlier, α = π/pulses per turn); of a display that
/// works on its looks ln of the time over which it does; then per run the speed at its start, with
/// edges an angle offset and slot offsets, of a sound take how far its edges drift, with ripple 8
/// amplitudes; then, with `level_root`, every run's level.
class CoastProblem final : public Residuals {
 public:
  CoastProblem(const std::vector<Coast>& coasts, const CoastOptions& options, double unit_inertia,
               std::optional<Prior> inertia);
  int count() const override { return rows_; }
  int parameters() const override { return columns_; }
  bool evaluate(const double* x, double* r, double* jacobian) const override;

  /// Columns common to all runs: drag and inertia, then (when some run's windows end at rows) the
  /// age of an edge and, of a display that works on its looks, over how long.
  int common() const { return drag_columns() + (with_age_ ? 1 : 0) + (by_looks() ? 1 : 0); }
  int data_rows() const { return data_rows_; }
  int age_column() const { return drag_columns(); }  ///< only where there is an age
  int column_of(std::size_t j) const { return column_of_[j]; }
  int row_of(std::size_t j) const { return row_of_[j]; }
  /// The first amplitude of run j's ripple (only with `ripple`): p₁ r₁ q₁ s₁ p₂ r₂ q₂ s₂.
  int ripple_column_of(std::size_t j) const;
  bool with_levels() const { return options_.level_root.size() > 0; }
  /// Run j's level (only with levels).
  int level_column_of(std::size_t j) const { return level_at_ + static_cast<int>(j); }
  /// Start values: decelerations of the smooth speed regressed on speed.
  Eigen::VectorXd start() const;
  /// Start values at the solution of another problem of the same coasts, with what it lacks at its
  /// usual start.
  Eigen::VectorXd start_at(const CoastProblem& other, const Eigen::VectorXd& solved) const;
  /// Residuals of run j in rad/s (windows) or rad (edges).
  std::vector<double> plain_residuals(const Eigen::VectorXd& x, std::size_t j) const;
  /// What the values of run j are off by (standard deviation, rad/s) because the age of an edge at
  /// a row is anything up to twice its mean; empty where no edges are known to make them.
  std::vector<double> timing(const Eigen::VectorXd& x, std::size_t j) const;
  /// At the rows of run j: how far the shaft had turned, and what the mean over the last turn lies
  /// above the value when that turn ended `ago` rad before. Without ripple.
  struct TurnsAtRows {
    std::vector<double> angle, above;
  };
  TurnsAtRows turns_at_rows(const Eigen::VectorXd& x, std::size_t j, double ago) const;
  /// The same of what is shown, where a display smooths over its looks: its residuals are those of
  /// one look from what was shown before; with the model's own past instead they add up to these.
  std::vector<double> shown_residuals(const Eigen::VectorXd& x, std::size_t j) const;
  /// Over how long a display works that looks every so often.
  double shown_over_s(const Eigen::VectorXd& x) const;
  /// Of a change of speed, what the next value of run j shows: less than all where a display
  /// smooths over its looks.
  double shown_at_once(const Eigen::VectorXd& x, std::size_t j) const;
  /// Derivatives of the residuals by all parameters.
  Eigen::MatrixXd plain_derivatives(const Eigen::VectorXd& x, std::size_t j) const;
  double unit_inertia() const { return unit_; }
  bool inertia_free() const { return inertia_free_; }

 private:
  int drag_columns() const { return options_.stribeck ? 6 : 4; }
  int own_columns(const Coast& coast) const;
  bool by_looks() const { return look_s_ > 0; }
  int looks_column() const { return drag_columns() + 1; }  // only with a display that works on them
  int drift_column_of(std::size_t j) const;                // only with a drift of flanks
  double ripple_sd(std::size_t j, int amplitude) const;
  // `scale` > 0: in place of weight over noise. `jacobian` null: values only, in plain numbers.
  void residuals_of(std::size_t j, const double* x, double scale, double* r,
                    double* jacobian) const;
  void whiten(std::size_t j, double* r, double* lines) const;
  template <typename T>
  CoastEquation<T> equation(std::size_t j, const double* x) const;
  template <typename T>
  CoastSolution<T> course(std::size_t j, const double* x) const;
  /// The speed of run j `before_s` before its start, by its drag.
  double speed_before(const Eigen::VectorXd& x, std::size_t j, double before_s) const;
  template <typename T>
  void fill_residuals(std::size_t j, const double* x, double scale, double* r,
                      double* jacobian) const;
  const std::vector<Coast>& coasts_;
  CoastOptions options_;
  double unit_;
  std::optional<Prior> inertia_;
  bool inertia_free_ = false;
  bool with_age_ = false;
  bool from_rows_ = false;  // the age is then fitted as its logarithm
  bool by_turns_ = false;   // and is how far back a display reaches that takes in turns
  std::vector<int> column_of_, row_of_;
  double look_s_ = 0;  // usual time between looks of a display that works on them
  int data_rows_ = 0, rows_ = 0, columns_ = 0, ripple_rows_ = 0, level_at_ = 0, drift_rows_ = 0;
};

}  // namespace loadline
