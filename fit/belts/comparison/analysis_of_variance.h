// Analysis of variance and simultaneous comparisons: is a difference between means real?
//
// All assume independent errors of one variance (Welch excepted). The unit is whatever was set up
// anew each time: for belts that is the run, never the sample within it.
// Sums of squares are taken about the mean in two passes with extended precision; digits agreed
// with the NIST StRD sets are printed by tests/reference/anova_test.cc. Pure functions.
#pragma once

#include <Eigen/Core>
#include <span>
#include <string>
#include <vector>

namespace loadline {

struct OneWay {
  double between_ss = 0, within_ss = 0;
  double between_freedom = 0, within_freedom = 0;
  double f_statistic = 0, p_value = 1, r_squared = 0;
  double residual_sd = 0;  ///< √(within mean square)
  std::vector<double> means;
};

/// One-way analysis of groups of readings. Error(kInput) without two groups or without a repeat.
OneWay one_way(std::span<const std::vector<double>> groups);

struct RandomisedBlocks {
  double treatment_ss = 0, block_ss = 0, error_ss = 0, total_ss = 0;
  double treatment_freedom = 0, block_freedom = 0, error_freedom = 0;
  double treatment_f = 0, treatment_p = 1, block_f = 0, block_p = 1;
  double error_mean_square = 0;
};

/// Complete randomised blocks, one reading per cell: rows are treatments, columns are blocks.
RandomisedBlocks randomised_blocks(const Eigen::MatrixXd& cells);

struct WelchTest {
  double difference = 0;  ///< mean(a) − mean(b)
  double low = 0, high = 0;
  double t = 0, degrees_of_freedom = 0, p_value = 1;
};

/// Welch's test of two means with unequal variances, Satterthwaite's degrees of freedom
/// (Welch, Biometrika 34 (1947) 28). Error(kInput) when a group has fewer than two readings.
WelchTest welch_test(std::span<const double> a, std::span<const double> b);

/// One of all pairs of means: first − second with its simultaneous 95 % interval.
struct Pair {
  std::size_t first = 0, second = 0;
  double difference = 0, half_width = 0;
  double p_value = 1;  ///< adjusted for all pairs
};

/// Tukey's intervals in Kramer's form for all pairs of `means` (Kramer, Biometrics 12 (1956) 307):
/// half width q(0.95; k, ν)/√2 × the standard error of the difference, from the covariance of the
/// means. Exact for equal repeats, slightly wide else (Hayter, Ann. Statist. 12 (1984) 61).
std::vector<Pair> all_pairs(const Eigen::VectorXd& means, const Eigen::MatrixXd& covariance,
                            double degrees_of_freedom);

/// All pairs without the assumption of one variance (Games & Howell, J. Educ. Stat. 1 (1976) 113):
/// Welch's standard error and degrees of freedom in place of the pooled ones.
std::vector<Pair> all_pairs_unequal(std::span<const std::vector<double>> groups);

/// p of the Brown–Forsythe test that the groups spread alike: one-way on distances from the median
/// (J. Amer. Statist. Assoc. 69 (1974) 364). 1 when a group has fewer than three readings.
double equal_spread_p(std::span<const std::vector<double>> groups);

/// Letters for means that cannot be told apart: two means share a letter exactly when their pair is
/// not in `different`. 'a' goes to the first mean's set. (Insert-and-absorb: Piepho, J. Comput.
/// Graph. Statist. 13 (2004) 456.)
std::vector<std::string> group_letters(
    std::size_t means, std::span<const std::pair<std::size_t, std::size_t>> different);

/// P(F ≥ f) with the given degrees of freedom.
double f_tail(double f, double freedom_1, double freedom_2);
/// P(|t| ≥ |t|) of Student's t, and its two-sided 95 % factor.
double t_tail_two_sided(double t, double freedom);

}  // namespace loadline
