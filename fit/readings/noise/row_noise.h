// The noise of a tachometer's values that came as rows, as a sum of what such instruments do:
//
//   r_j = w_j + (e_j − e_{j−1})/Δ_j + u_j
//
// w: independent from value to value (rounding, converter noise, the moment of reading), of a
//    constant size, of a size that goes with the speed, and of one that goes with how fast the
//    speed changes, where the moment at which a value was taken is in doubt;
// e: the error of the angle at the end of a window, which comes back with opposite sign in the next
//    (counts in a gate, uneven slots of a disc);
// u: what wanders slowly about the model (an Ornstein–Uhlenbeck process), so that a series whose
//    errors hang together is not taken for many independent values.
//
// The sizes are those of greatest restricted likelihood (Patterson and Thompson, Biometrika 58
// (1971) 545): what the fitted parameters took away is allowed for. The series is whitened by the
// Kalman filter of this model (Harvey, Forecasting, Structural Time Series Models and the Kalman
// Filter, 1989, ch. 3), in time that grows with its length.
//
// A memory longer than the series makes u a random walk: so a speed wanders whose friction is not
// even (an Ornstein–Uhlenbeck torque, integrated). It misleads when errors hang together over much
// of the series in another way: nothing in one series tells such an error from the curve itself.
#pragma once

#include <Eigen/Core>
#include <vector>

namespace loadline {

/// Standard deviations of the parts; all in the unit of the values but the angle.
struct RowNoise {
  double constant = 0;  ///< of w
  double relative = 0;  ///< of w at the speed `top`, falling with the speed
  double angle = 0;     ///< of e: value × time
  double wander = 0;    ///< of u
  double memory_s = 1;  ///< time over which u forgets itself by 1/e
  double timing = 0;    ///< of the series' own `timing`: the share of it that is there
};

/// Where and how the values of one series were taken, in time order.
struct RowSeries {
  std::vector<double> time_s;    ///< of each value, rising
  std::vector<double> window_s;  ///< Δ of each value, > 0
  std::vector<double> speed;     ///< share of the top speed
  std::vector<double> weight;    ///< 1 for a value that counts, 0 for one that does not
  /// Standard deviation of what each value would be off by, as part of w, if the moment at which it
  /// was taken were as little known as it can be; in the unit of the values. Empty: none.
  std::vector<double> timing = {};
  double timing_of(std::size_t i) const { return timing.empty() ? 0 : timing[i]; }
  std::size_t size() const { return time_s.size(); }
};

/// Turns a series whose noise is as described into one of independent values of variance 1. Not
/// thread-safe while it is made; free to use afterwards.
class Whitener {
 public:
  Whitener() = default;
  Whitener(const RowSeries& series, const RowNoise& noise);
  bool empty() const { return inverse_sd_.empty(); }
  /// In place: values[i·stride] of i = 0 … n−1. Values of no weight become 0.
  void apply(double* values, std::ptrdiff_t stride) const;
  /// ln of the determinant of the covariance of the values that count.
  double log_determinant() const { return log_determinant_; }
  double counted() const { return counted_; }

 private:
  struct Step {
    double to_e, to_old, to_u;  // gain
    double inverse_window, fade;
  };
  std::vector<Step> steps_;
  std::vector<double> inverse_sd_;
  double log_determinant_ = 0, counted_ = 0;
};

/// A series with its residuals and the derivatives of the model by the parameters that all of it
/// rests on (n × k; they may be few or none).
struct JudgedSeries {
  const RowSeries* series = nullptr;
  std::vector<double> residuals;
  Eigen::MatrixXd derivatives;
};

/// The noise of several series by one instrument. `derivatives` of all have the same columns.
/// `floor`: least standard deviation of a value, for data that are exact. `longest_memory`: of u,
/// as a share of the longest series, of two about equally likely ones the longer; 0: without u, so
/// that it cannot swallow what a wrong model leaves. `least_independent`: the constant part, as a
/// share of all scatter, where the errors of a window's ends cannot be trusted to come back whole.
/// `least_angle`: of e, where the ends of windows are known no better than to a count.
RowNoise judge_noise(const std::vector<JudgedSeries>& series, const RowNoise& start, double floor,
                     double longest_memory, double least_independent = 0, double least_angle = 0);

/// Standard deviation of value `i`.
double value_sd(const RowNoise& noise, const RowSeries& series, std::size_t i);

/// −2 ln L of the residuals under this noise, constants included.
double deviance(const std::vector<JudgedSeries>& series, const RowNoise& noise);

/// How many independent values of their common variance a series of `interval_s` steps is worth,
/// per value: at most 1.
double share_of_independent(const RowNoise& noise, double interval_s);

}  // namespace loadline
