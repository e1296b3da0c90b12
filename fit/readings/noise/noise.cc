#include "fit/readings/noise/noise.h"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "fit/readings/noise/reading_constants.h"

namespace loadline {
namespace {

using namespace reading_chosen;

// One order more by Burg's lattice step; returns the reflection coefficient, or 0 when exhausted.
double burg_step(std::size_t p, std::vector<double>& forward, std::vector<double>& backward) {
  double cross = 0, energy = 0;
  for (std::size_t t = p; t < forward.size(); ++t) {
    cross += forward[t] * backward[t - 1];
    energy += forward[t] * forward[t] + backward[t - 1] * backward[t - 1];
  }
  if (energy <= 0) return 0;
  const double reflection = 2 * cross / energy;
  for (std::size_t t = forward.size() - 1; t >= p; --t) {
    const double f = forward[t], b = backward[t - 1];
    forward[t] = f - reflection * b;
    backward[t] = b - reflection * f;
  }
  return reflection;
}

void levinson_update(std::vector<double>& phi, double reflection) {
  const std::vector<double> old = phi;
  for (std::size_t j = 0; j < old.size(); ++j) phi[j] -= reflection * old[old.size() - 1 - j];
  phi.push_back(reflection);
}

}  // namespace

double robust_sd(std::span<const double> values) {
  const double centre = median({values.begin(), values.end()});
  std::vector<double> away(values.size());
  std::transform(values.begin(), values.end(), away.begin(),
                 [centre](double x) { return std::fabs(x - centre); });
  return kSdOfMedian * median(std::move(away));
}

double scatter_along(std::span<const double> values) {
  std::vector<double> bends;
  bends.reserve(values.size());
  for (std::size_t i = 2; i < values.size(); ++i)
    bends.push_back(values[i - 2] - 2 * values[i - 1] + values[i]);
  return robust_sd(bends) / std::sqrt(6);
}

double outlier_weight(double size) {
  const double x = (std::fabs(size) - kFullWeight) / (kNoWeight - kFullWeight);
  if (x <= 0) return 1;
  if (x >= 1) return 0;
  return (1 - x * x) * (1 - x * x);
}

Reweighted reweighted(std::span<const double> residuals, std::span<const double> scale,
                      double fitted) {
  Reweighted result;
  double squares = 0, kept = 0;
  for (std::size_t i = 0; i < residuals.size(); ++i) {
    const double weight = outlier_weight(residuals[i] / scale[i]);
    result.weight.push_back(weight);
    result.residual.push_back(residuals[i] * std::sqrt(weight));
    squares += weight * residuals[i] * residuals[i];
    kept += weight;
  }
  result.variance = squares / std::max(1.0, kept - fitted);
  return result;
}

NoiseLevel noise_above_floor(double variance, double factor, double floor) {
  const double whole = variance + floor * floor;
  return {std::sqrt(whole), (variance * factor + floor * floor) / whole};
}

Autoregression burg(std::span<const double> series, int most) {
  const auto count = static_cast<double>(series.size());
  std::vector<double> forward(series.begin(), series.end()), backward = forward, phi;
  double power = std::inner_product(series.begin(), series.end(), series.begin(), 0.0) / count;
  Autoregression best{{}, power};
  if (series.size() < 8 || power <= 0) return best;
  double best_score = count * std::log(power);
  for (int order = 1; order <= most && order < count / 3; ++order) {
    const double reflection = burg_step(static_cast<std::size_t>(order), forward, backward);
    power *= 1 - reflection * reflection;
    if (reflection == 0 || power <= 0) break;
    levinson_update(phi, reflection);
    const double score =
        count * std::log(power) + 2.0 * (order + 1) * count / std::max(1.0, count - order - 2);
    if (score < best_score) {
      best_score = score;
      best = {phi, power};
    }
  }
  return best;
}

Correlation correlation_factor(std::span<const double> residuals, double fitted) {
  Correlation result;
  const auto n = static_cast<double>(residuals.size());
  if (n < 12) return result;
  const double mean = std::accumulate(residuals.begin(), residuals.end(), 0.0) / n;
  std::vector<double> centred(residuals.begin(), residuals.end());
  for (double& x : centred) x -= mean;
  const double variance =
      std::inner_product(centred.begin(), centred.end(), centred.begin(), 0.0) / n;
  if (variance <= 0) return result;
  result.lag_one =
      std::inner_product(centred.begin() + 1, centred.end(), centred.begin(), 0.0) / (n * variance);

  const Autoregression model = burg(centred, static_cast<int>(std::min(40.0, 4 * std::cbrt(n))));
  const double gain =
      std::max(1 - std::accumulate(model.phi.begin(), model.phi.end(), 0.0), 1 / std::sqrt(n));
  result.order = static_cast<int>(model.phi.size());
  double factor = model.innovation / (gain * gain) / variance;
  // Fitting k parameters takes k independent stretches' worth of low-frequency noise away.
  factor /= 1 - std::min(0.6, fitted * std::max(1.0, factor) / n);
  // Negative correlation is real for edge counting, but an autoregression overstates it easily.
  result.factor = std::clamp(factor, 0.25, n / 4);
  return result;
}

double runs_test_z(std::span<const double> residuals) {
  double positive = 0, negative = 0, runs = 0;
  int last = 0;
  for (const double r : residuals) {
    const int sign = r >= 0 ? 1 : -1;
    (sign > 0 ? positive : negative) += 1;
    if (sign != last) runs += 1;
    last = sign;
  }
  const double n = positive + negative;
  if (positive < 5 || negative < 5) return 0;
  const double product = 2 * positive * negative;
  const double variance = product * (product - n) / (n * n * (n - 1));
  return variance > 0 ? (runs - (product / n + 1)) / std::sqrt(variance) : 0;
}

}  // namespace loadline
