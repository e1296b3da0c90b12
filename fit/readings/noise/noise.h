// How much a series of residuals really tells: noise that is correlated in time counts less.
//
// n samples of noise with autocorrelation ρ_k carry as much information about a slowly varying mean
// as n/g independent ones, g = 1 + 2Σρ_k (Bartlett 1946; e.g. Priestley, Spectral Analysis and Time
// Series, 1981, section 5.3; from memory). g is taken from the spectrum at frequency zero of an
// autoregressive model fitted by Burg's method, its order chosen by AICc.
#pragma once

#include <span>
#include <vector>

#include "db/basis/median.h"

namespace loadline {

/// Median of |x − median(x)| · 1.4826: the standard deviation of Gaussian data, blind to outliers.
double robust_sd(std::span<const double> values);
/// The same of single values that follow a course, which hardly bends from one to the next: of
/// their second differences, √6 times as far.
double scatter_along(std::span<const double> values);
/// Weight, 1 to 0, of a residual that is `size` robust standard deviations from nothing, of either
/// sign: Tukey's biweight between 4 and 6 of them, so that Gaussian values keep their whole weight.
double outlier_weight(double size);

/// Residuals of which what belongs to no curve counts less: each divided by its `scale`.
struct Reweighted {
  std::vector<double> weight;    ///< outlier_weight() of each
  std::vector<double> residual;  ///< times √weight
  double variance = 0;           ///< Σ weight·r² / (Σ weight − fitted)
};
Reweighted reweighted(std::span<const double> residuals, std::span<const double> scale,
                      double fitted);

/// Standard deviation and correlation factor of noise with a `floor` that is not remembered from
/// value to value, whatever the pattern below it looks like.
struct NoiseLevel {
  double sd = 1, correlation = 1;
};
NoiseLevel noise_above_floor(double variance, double factor, double floor);

struct Correlation {
  double factor = 1;   ///< g: the variance of a mean is g·σ²/n
  int order = 0;       ///< of the autoregression
  double lag_one = 0;  ///< first autocorrelation
};

/// g of a residual series in time order, from which a curve with `fitted` parameters was taken
/// (they removed low-frequency noise; the estimate is raised for that). Gaps in time are not
/// treated.
Correlation correlation_factor(std::span<const double> residuals, double fitted);

/// Burg's autoregression of order up to `most`, the order with the least AICc.
struct Autoregression {
  std::vector<double> phi;  ///< x_t = Σ φ_j x_{t−j} + e
  double innovation = 0;    ///< variance of e
};
Autoregression burg(std::span<const double> series, int most);

/// Wald–Wolfowitz runs test: z value of the number of sign runs (negative: too few runs).
double runs_test_z(std::span<const double> residuals);

}  // namespace loadline
