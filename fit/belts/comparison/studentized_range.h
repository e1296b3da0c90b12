// The studentized range: the distribution behind simultaneous comparisons of means.
//
// Q = (largest − smallest of k independent standard normals) / s, with ν s² ~ χ²(ν) independent of
// them. P(Q ≤ q) = ∫ f_ν(s) · k ∫ φ(z) [Φ(z) − Φ(z − q s)]^(k−1) dz ds (any text on multiple
// comparisons; here after Lund & Lund, Algorithm AS 190, Applied Statistics 32 (1983) 204, for the
// integral, not for its approximation). Integrated numerically to about 1e-12 absolute.
// Pure functions; any thread.
#pragma once

namespace loadline {

/// P(Q ≤ q) for k ≥ 2 means and ν > 0 degrees of freedom; 0 for q ≤ 0.
double studentized_range_cdf(double q, int k, double degrees_of_freedom);

/// P(Q > q), kept accurate to about 1e-12 absolute.
double studentized_range_tail(double q, int k, double degrees_of_freedom);

/// The q with P(Q ≤ q) = probability, 0 < probability < 1.
double studentized_range_quantile(double probability, int k, double degrees_of_freedom);

}  // namespace loadline
