#include "fit/readings/load_cell.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>
#include <map>
#include <set>

#include "db/basis/distributions.h"
#include "db/basis/error.h"
#include "db/basis/students_t.h"
#include "db/basis/units.h"

namespace loadline {
namespace {

// Half the spread of gravity at sea level between equator and pole, as a rectangular standard
// uncertainty (normal gravity 9.7803 and 9.8322 m/s², Somigliana's formula of GRS 80).
constexpr double kGravitySd = (9.8322 - 9.7803) / 2 / 1.7320508075688772;

Estimate with_sd(double value, double sd, double freedom, const std::string& unit) {
  if (!(freedom > 0) || !std::isfinite(sd)) return Estimate::exact(value, unit);
  return Estimate::with_half_width(value, student_t_975(freedom) * sd, unit);
}

// What is known of the points before any fit.
struct Points {
  LongVector force, counts;
  std::set<double> masses;
  double full_scale_n = 0;
};

Points read_points(std::span<const LoadPoint> points, double g) {
  Points read;
  read.force.resize(static_cast<Eigen::Index>(points.size()));
  read.counts.resize(read.force.size());
  for (Eigen::Index i = 0; i < read.force.size(); ++i) {
    const LoadPoint& point = points[static_cast<std::size_t>(i)];
    if (!(point.mass_kg >= 0) || !std::isfinite(point.mass_kg) || !std::isfinite(point.counts))
      throw Error(
          Fault::kInput,
          fmt::format("point {} of the calibration needs a mass of 0 kg or more and a finite "
                      "count; repair or drop it.",
                      i + 1));
    read.force[i] = static_cast<long double>(point.mass_kg) * g;
    read.counts[i] = point.counts;
    read.masses.insert(point.mass_kg);
  }
  if (points.size() < 3 || read.masses.size() < 2)
    throw Error(Fault::kInput,
                fmt::format("a calibration needs at least three points at two masses, this has {} "
                            "at {}; hang more masses.",
                            points.size(), read.masses.size()));
  read.full_scale_n = *read.masses.rbegin() * g;
  return read;
}

struct Choice {
  int degree = 1;
  std::string reason;
};

Choice choose_degree(const LinearFit& line, const std::optional<LinearFit>& quadratic,
                     const LoadCellOptions& options) {
  if (options.degree) return {*options.degree, "chosen by the caller"};
  if (!quadratic || !(quadratic->degrees_of_freedom > 0))
    return {1, "straight line: too few distinct masses to tell a curve from it"};
  const double freedom = quadratic->degrees_of_freedom;
  const double f = (line.residual_ss - quadratic->residual_ss) / (quadratic->residual_ss / freedom);
  const double p = std::isfinite(f) ? f_upper_tail(std::max(f, 0.0), 1, freedom) : 1.0;
  const double aic_line = corrected_akaike(line.residual_ss, line.residuals.size(), 2);
  const double aic_quadratic =
      corrected_akaike(quadratic->residual_ss, quadratic->residuals.size(), 3);
  const bool curved = p < 0.01 && aic_quadratic < aic_line;
  return {
      curved ? 2 : 1,
      fmt::format("{}: the quadratic term has F(1, {:.0f}) = {}, p = {:.2g}, and AICc is {:.2f} "
                  "with it against {:.2f} without",
                  curved ? "quadratic" : "straight line", freedom, significant(f, 4), p,
                  aic_quadratic, aic_line)};
}

// slope and curvature of force(c) that meet counts = b1·F + b2·F² at half and full scale.
Eigen::Vector2d invert(double b1, double b2, double full_scale) {
  const double f_mid = full_scale / 2;
  const double c_mid = b1 * f_mid + b2 * f_mid * f_mid;
  const double c_full = b1 * full_scale + b2 * full_scale * full_scale;
  const double bottom = c_mid * c_full * (c_full - c_mid);
  return {(f_mid * c_full * c_full - full_scale * c_mid * c_mid) / bottom,
          (full_scale * c_mid - f_mid * c_full) / bottom};
}

void set_inverse(Calibration& calibration, const LinearFit& fit, int degree, double full_scale,
                 double relative_sd) {
  const double b1 = fit.coefficients[1];
  const double b2 = degree == 2 ? fit.coefficients[2] : 0.0;
  const Eigen::Vector2d inverse = invert(b1, b2, full_scale);
  Eigen::Matrix2d jacobian;
  const double step1 = 1e-6 * std::fabs(b1);
  const double step2 = step1 / full_scale;
  jacobian.col(0) =
      (invert(b1 + step1, b2, full_scale) - invert(b1 - step1, b2, full_scale)) / (2 * step1);
  jacobian.col(1) =
      (invert(b1, b2 + step2, full_scale) - invert(b1, b2 - step2, full_scale)) / (2 * step2);
  Eigen::Matrix2d b_covariance = Eigen::Matrix2d::Zero();
  b_covariance.topLeftCorner(degree, degree) = fit.covariance.block(1, 1, degree, degree);
  Eigen::Matrix2d covariance = jacobian * b_covariance * jacobian.transpose();
  if (degree == 1) covariance.row(1).setZero(), covariance.col(1).setZero();
  covariance += relative_sd * relative_sd * inverse * inverse.transpose();
  calibration.slope_n_per_count = inverse[0];
  calibration.slope_sd = std::sqrt(covariance(0, 0));
  if (degree == 1) return;
  calibration.curvature_n_per_count2 = inverse[1];
  calibration.curvature_sd = std::sqrt(covariance(1, 1));
  calibration.slope_curvature_correlation =
      covariance(0, 1) / (calibration.slope_sd * calibration.curvature_sd);
}

// A parabola over [0, F] lies at most |b2|F²/8 from its best straight line (Chebyshev).
Estimate nonlinearity(const std::optional<LinearFit>& quadratic, double full_scale) {
  if (!quadratic) return Estimate::unknown("%");
  const auto& b = quadratic->coefficients;
  const double span = std::fabs(b[1] * full_scale + b[2] * full_scale * full_scale);
  const double scale = 100 * full_scale * full_scale / 8 / span;
  Estimate result = with_sd(std::fabs(b[2]) * scale, quadratic->sd(2) * scale,
                            quadratic->degrees_of_freedom, "%");
  if (result.low) result.low = std::max(0.0, *result.low);
  return result;
}

// Counts at one mass, by direction.
struct Rest {
  std::vector<double> up, down;
};

std::map<double, Rest> by_mass(std::span<const LoadPoint> points) {
  std::map<double, Rest> groups;
  for (const LoadPoint& point : points) {
    Rest& rest = groups[point.mass_kg];
    (point.direction == LoadDirection::kUp ? rest.up : rest.down).push_back(point.counts);
  }
  return groups;
}

double mean(const std::vector<double>& values) {
  double sum = 0;
  for (const double v : values) sum += v;
  return sum / static_cast<double>(values.size());
}

// Pooled standard deviation of repeats, in counts.
struct Pooled {
  double sd = 0;
  double freedom = 0;
};

Pooled pooled_repeats(const std::map<double, Rest>& groups) {
  double ss = 0, freedom = 0;
  for (const auto& [mass, rest] : groups)
    for (const auto* values : {&rest.up, &rest.down}) {
      if (values->size() < 2) continue;
      const double centre = mean(*values);
      for (const double v : *values) ss += (v - centre) * (v - centre);
      freedom += static_cast<double>(values->size()) - 1;
    }
  return {freedom > 0 ? std::sqrt(ss / freedom) : 0.0, freedom};
}

Estimate repeatability(const Pooled& pooled, double counts_span) {
  if (!(pooled.freedom > 0)) return Estimate::unknown("%");
  const double ss = pooled.sd * pooled.sd * pooled.freedom;
  const double scale = 100 / counts_span;
  return {pooled.sd * scale, scale * std::sqrt(ss / chi_squared_quantile(0.975, pooled.freedom)),
          scale * std::sqrt(ss / chi_squared_quantile(0.025, pooled.freedom)), "%"};
}

// down − up at each mass that has both, with the masses' place x on the scale (0 to 1).
struct Loop {
  std::vector<double> x, gap, root;  // root: √(1/n_up + 1/n_down)
};

Loop loop_of(const std::map<double, Rest>& groups) {
  Loop loop;
  const double largest = groups.rbegin()->first;
  for (const auto& [mass, rest] : groups) {
    if (rest.up.empty() || rest.down.empty()) continue;
    loop.x.push_back(mass / largest);
    loop.gap.push_back(mean(rest.down) - mean(rest.up));
    loop.root.push_back(std::sqrt(1.0 / static_cast<double>(rest.up.size()) +
                                  1.0 / static_cast<double>(rest.down.size())));
  }
  return loop;
}

// Scatter of the gaps about a parabolic loop h·4x(1−x), for calibrations without repeats.
Pooled scatter_about_loop(const Loop& loop) {
  double top = 0, bottom = 0, ss = 0;
  const auto shape = [&](std::size_t i) { return 4 * loop.x[i] * (1 - loop.x[i]); };
  for (std::size_t i = 0; i < loop.x.size(); ++i) {
    top += shape(i) * loop.gap[i];
    bottom += shape(i) * shape(i);
  }
  if (loop.x.size() < 3 || !(bottom > 0)) return {};
  for (std::size_t i = 0; i < loop.x.size(); ++i) {
    const double rest = (loop.gap[i] - top / bottom * shape(i)) / loop.root[i];
    ss += rest * rest;
  }
  const double freedom = static_cast<double>(loop.x.size()) - 1;
  return {std::sqrt(ss / freedom), freedom};
}

Estimate hysteresis(const std::map<double, Rest>& groups, const Pooled& repeats,
                    double counts_span) {
  const Loop loop = loop_of(groups);
  if (loop.gap.empty()) return Estimate::unknown("%");
  std::size_t widest = 0;
  for (std::size_t i = 1; i < loop.gap.size(); ++i)
    if (std::fabs(loop.gap[i]) > std::fabs(loop.gap[widest])) widest = i;
  const Pooled scatter = repeats.freedom >= 3 ? repeats : scatter_about_loop(loop);
  const double scale = 100 / counts_span;
  Estimate result = with_sd(std::fabs(loop.gap[widest]) * scale,
                            scatter.sd * loop.root[widest] * scale, scatter.freedom, "%");
  if (result.low) result.low = std::max(0.0, *result.low);
  return result;
}

std::string points_json(std::span<const LoadPoint> points, const LoadCellFit& fit, double g) {
  Json rows = Json::array();
  const double slope = fit.counts_over_force.coefficients[1];
  for (std::size_t i = 0; i < points.size(); ++i) {
    const auto at = static_cast<Eigen::Index>(i);
    rows.push_back({{"mass_kg", points[i].mass_kg},
                    {"direction", points[i].direction == LoadDirection::kUp ? "up" : "down"},
                    {"counts", points[i].counts},
                    {"force_n", points[i].mass_kg * g},
                    {"fitted_counts", fit.counts_over_force.fitted[at]},
                    {"residual_n", fit.counts_over_force.residuals[at] / slope}});
  }
  return Json{{"points", rows},
              {"nonlinearity", to_json(fit.nonlinearity)},
              {"hysteresis", to_json(fit.hysteresis)},
              {"repeatability", to_json(fit.repeatability)}}
      .dump();
}

void require_response(const LinearFit& fit, int degree, double full_scale) {
  const double b1 = fit.coefficients[1];
  if (fit.degrees_of_freedom > 0 && !(fit.r_squared > 0.9))
    throw Error(
        Fault::kInput,
        fmt::format("the counts do not follow the masses (R² = {:.3f}); check the wiring and "
                    "that each count belongs to its mass.",
                    fit.r_squared));
  const double end_slope = degree == 2 ? b1 + 2 * fit.coefficients[2] * full_scale : b1;
  if (b1 * end_slope <= 0)
    throw Error(Fault::kInput,
                "the fitted quadratic turns back within the range of masses; check the points or "
                "force a straight line.");
}

void add_warnings(LoadCellFit& fit, std::span<const LoadPoint> points,
                  const LoadCellOptions& options) {
  if (!options.local_g)
    fit.warnings.push_back(
        "local gravity was not given: standard gravity is used, and its spread over the Earth "
        "(0.15 % standard uncertainty) is in the slope's interval");
  const bool down = std::any_of(points.begin(), points.end(), [](const LoadPoint& p) {
    return p.direction == LoadDirection::kDown;
  });
  if (!down)
    fit.warnings.push_back("no mass was read on the way down, so that hysteresis is unknown");
  if (!(fit.counts_over_force.degrees_of_freedom >= 3))
    fit.warnings.push_back("fewer than three readings to spare: the intervals are very wide");
}

}  // namespace

LoadCellFit calibrate_load_cell(std::span<const LoadPoint> points, const LoadCellOptions& options) {
  const double g = options.local_g.value_or(kStandardGravity);
  if (!(g > 9.7 && g < 9.9))
    throw Error(Fault::kInput,
                fmt::format("local gravity of {} m/s² is outside 9.7 to 9.9; give it in m/s².", g));
  if (options.degree && *options.degree != 1 && *options.degree != 2)
    throw Error(Fault::kInput, "a load cell is fitted by degree 1 or 2.");
  const Points read = read_points(points, g);
  const LinearFit line = fit_linear(polynomial_columns(read.force, 1), read.counts);
  std::optional<LinearFit> quadratic;
  if ((read.masses.size() >= 4 && points.size() >= 5) || options.degree == 2)
    quadratic = fit_linear(polynomial_columns(read.force, 2), read.counts);
  const Choice choice = choose_degree(line, quadratic, options);
  LoadCellFit fit;
  fit.degree = choice.degree;
  fit.full_scale_n = read.full_scale_n;
  fit.counts_over_force = choice.degree == 2 ? *quadratic : line;
  require_response(fit.counts_over_force, fit.degree, fit.full_scale_n);
  Calibration& calibration = fit.calibration;
  const double g_relative_sd = options.local_g ? 0.0 : kGravitySd / g;
  set_inverse(calibration, fit.counts_over_force, fit.degree, fit.full_scale_n,
              std::hypot(g_relative_sd, options.mass_relative_sd));
  const double freedom = fit.counts_over_force.degrees_of_freedom;
  calibration.zero_counts = fit.counts_over_force.coefficients[0];
  calibration.arm_m = options.arm_m;
  calibration.arm_sd_m = options.arm_sd_m;
  calibration.residual_sd_n = freedom > 0 ? fit.counts_over_force.residual_sd /
                                                std::fabs(fit.counts_over_force.coefficients[1])
                                          : 0.0;
  calibration.degrees_of_freedom = freedom;
  calibration.local_g = g;
  calibration.reason = choice.reason;
  fit.slope = with_sd(calibration.slope_n_per_count, calibration.slope_sd, freedom, "N/count");
  fit.zero = with_sd(calibration.zero_counts, fit.counts_over_force.sd(0), freedom, "counts");
  const double span = std::fabs(fit.counts_over_force.coefficients[1]) * fit.full_scale_n;
  const auto groups = by_mass(points);
  const Pooled repeats = pooled_repeats(groups);
  fit.nonlinearity = nonlinearity(quadratic, fit.full_scale_n);
  fit.repeatability = repeatability(repeats, span);
  fit.hysteresis = hysteresis(groups, repeats, span);
  add_warnings(fit, points, options);
  calibration.points_json = points_json(points, fit, g);
  return fit;
}

double force_from_counts(const Calibration& calibration, double counts, double zero_counts) {
  const double c = counts - zero_counts;
  return (calibration.slope_n_per_count + calibration.curvature_n_per_count2 * c) * c;
}

TorqueAndSd torque_from_counts(const Calibration& calibration, double counts, double zero_counts,
                               double counts_sd) {
  const double c = counts - zero_counts;
  const double force = force_from_counts(calibration, counts, zero_counts);
  const double local_slope =
      calibration.slope_n_per_count + 2 * calibration.curvature_n_per_count2 * c;
  const double from_slope = calibration.slope_sd * c;
  const double from_curvature = calibration.curvature_sd * c * c;
  const double shape_variance =
      from_slope * from_slope + from_curvature * from_curvature +
      2 * calibration.slope_curvature_correlation * from_slope * from_curvature;
  const double noise = local_slope * counts_sd;
  const double force_variance = std::max(0.0, shape_variance) + noise * noise +
                                calibration.residual_sd_n * calibration.residual_sd_n;
  const double arm = calibration.arm_m;
  return {force * arm, std::sqrt(arm * arm * force_variance +
                                 force * force * calibration.arm_sd_m * calibration.arm_sd_m)};
}

}  // namespace loadline
