// A shaft that slows down by its own drag: J dω/dt = −τ(ω), solved and fitted as it stands, on the
// angle that the tachometer counted, never on a numerical derivative of it.
//
// What a tachometer reports is the angle turned between two moments. The model of the angle is the
// solution θ(t) of the equation plus a ripple
//   δθ = Σ_h (p_h + q_h/ω²) cos hθ + (r_h + s_h/ω²) sin hθ,   h = 1, 2 per turn,
// to first order: a torque ripple of h per turn moves the angle by 1/ω² times its amplitude (energy
// balance over a part of a turn), an uneven disc or an inertia that changes within the turn by a
// constant amount. In runs with edge times each slot's own place on the disc is fitted besides.
#pragma once

#include <optional>
#include <vector>

#include "fit/curves/nonlinear.h"
#include "fit/curves/sweep.h"
#include "fit/readings/readings.h"

namespace loadline {

/// The usable stretch of one coast-down: from the release to the last reliable speed.
struct Coast {
  std::int64_t run = 0;
  double added_kgm2 = 0;  ///< known inertia added for this run
  double origin_s = 0;    ///< time zero of the stretch in the run
  double length_s = 0;
  // Either windows of mean speed …
  std::vector<double> start_s, end_s, speed;
  // … or angles at edges (rad, from the first edge), with the slot of each edge.
  bool by_edges = false;
  bool windows_exact = false;  ///< windows between edges, not between rows
  std::vector<double> time_s, angle;
  std::vector<int> slot;
  int slots = 0;  ///< fitted slot offsets (0: none)
  double speed_high = 0, speed_low = 0;
  // Noise and weights of the present pass, per observation.
  double noise_sd = 1, correlation = 1;
  std::vector<double> weight;
  std::size_t size() const { return by_edges ? angle.size() : speed.size(); }
};

/// Cuts the stretch out of a run's readings; empty when the shaft never slows down measurably.
std::optional<Coast> make_coast(const Readings& readings, bool of_motor);

struct CoastOptions {
  bool ripple = true;
  bool stribeck = false;
};

/// Parameters: c₀, c₁, c₂ (each over the unit inertia), ln(J/unit), with `stribeck` rise and ω_s;
/// the age α of an edge (rows of an imported run end at the last edge before their time stamp, on
/// average half a pulse ago: the window lies α/ω earlier, α = π/pulses per turn); then per run the
/// speed at its start, with edges an angle offset and slot offsets, with ripple 8 amplitudes.
class CoastProblem final : public Residuals {
 public:
  CoastProblem(const std::vector<Coast>& coasts, const CoastOptions& options, double unit_inertia,
               std::optional<Prior> inertia);
  int count() const override { return rows_; }
  int parameters() const override { return columns_; }
  bool evaluate(const double* x, double* r, double* jacobian) const override;

  /// Columns common to all runs: drag and inertia, then (when some run's windows end at rows) the
  /// age of an edge.
  int common() const { return drag_columns() + (with_age_ ? 1 : 0); }
  int data_rows() const { return data_rows_; }
  int column_of(std::size_t j) const { return column_of_[j]; }
  int row_of(std::size_t j) const { return row_of_[j]; }
  /// Start values: decelerations of the smooth speed regressed on speed.
  Eigen::VectorXd start() const;
  /// Residuals of run j in rad/s (windows) or rad (edges).
  std::vector<double> plain_residuals(const Eigen::VectorXd& x, std::size_t j) const;
  double unit_inertia() const { return unit_; }
  bool inertia_free() const { return inertia_free_; }

 private:
  int drag_columns() const { return options_.stribeck ? 6 : 4; }
  int own_columns(const Coast& coast) const;
  void residuals_of(std::size_t j, const double* x, double scale_override, double* r,
                    double* jacobian) const;
  const std::vector<Coast>& coasts_;
  CoastOptions options_;
  double unit_;
  std::optional<Prior> inertia_;
  bool inertia_free_ = false;
  bool with_age_ = false;
  std::vector<int> column_of_, row_of_;
  int data_rows_ = 0, rows_ = 0, columns_ = 0, ripple_rows_ = 0;
};

}  // namespace loadline
