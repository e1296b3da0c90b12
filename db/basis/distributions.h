// Distributions of statistics, compiled once: each of Boost's, written out, costs seconds of
// compiling wherever it stands. Functions of their arguments alone: any thread may call them.
#pragma once

namespace loadline {

/// Where χ² with `degrees_of_freedom` (> 0) stays below with `probability` (0 to 1).
double chi_squared_quantile(double probability, double degrees_of_freedom);
/// Where it stays above with `probability`; exact for small ones.
double chi_squared_upper_quantile(double probability, double degrees_of_freedom);

/// Probability that F of two numbers of degrees of freedom (> 0) is larger than `f` (≥ 0).
double f_upper_tail(double f, double freedom_1, double freedom_2);

/// Probability that Student's t is larger than `t`.
double student_t_upper_tail(double t, double degrees_of_freedom);

/// The same when t's numerator has the mean `centre`, in its own standard deviations.
double non_central_t_upper_tail(double t, double degrees_of_freedom, double centre);

/// The non-centrality with which χ² of two degrees of freedom stays below `value` with
/// `probability`.
double non_centrality_of_two(double value, double probability);

/// ln Γ(x), x > 0.
double log_gamma(double x);

/// The x of which erfc(x) is `share`, 0 < share < 2.
double inverse_erfc(double share);

}  // namespace loadline
