#include "fit/belts/comparison/comparison.h"

#include <fmt/format.h>

#include <Eigen/QR>
#include <algorithm>
#include <cmath>
#include <map>
#include <numeric>

#include "db/basis/distributions.h"
#include "db/basis/error.h"
#include "db/basis/students_t.h"
#include "db/basis/units.h"
#include "fit/belts/comparison/analysis_of_variance.h"
#include "fit/belts/comparison/belt_constants.h"
#include "fit/belts/comparison/session_design.h"
#include "fit/belts/comparison/studentized_range.h"
#include "fit/readings/noise/least_squares.h"
#include "fit/readings/noise/noise.h"

namespace loadline {
namespace {

using namespace belt_chosen;

using Index = Eigen::Index;

struct Fitted {
  LinearFit fit;
  ModelTerms terms;
  double degrees_of_freedom = 0;  // for intervals
  Index supply_column = -1, drift_column = -1, setting_column = -1;
  double supply_effect = 0;  // used for correction
};

// A fit with the slip setting's effect beside the other columns, and its prior as one row more: 0
// within kSettingEffectSd, in units of the scatter that the fit without it shows.
struct MixedFit {
  LinearFit fit;
  Index setting_column = -1;
  double prior_row = 0;
};

LongMatrix with_setting(const LongMatrix& x, const std::vector<double>& setting, double prior_row) {
  LongMatrix mixed = LongMatrix::Zero(x.rows() + 1, x.cols() + 1);
  mixed.topLeftCorner(x.rows(), x.cols()) = x;
  mixed.col(x.cols()).head(x.rows()) = long_vector(setting);
  mixed(x.rows(), x.cols()) = static_cast<long double>(prior_row);
  return mixed;
}

LongVector with_zero(const LongVector& y) {
  LongVector longer = LongVector::Zero(y.size() + 1);
  longer.head(y.size()) = y;
  return longer;
}

MixedFit fit_mixed(const SessionLayout& layout, const LongMatrix& x, const LongVector& y) {
  MixedFit result{fit_linear(x, y), -1, 0};
  const double sd = result.fit.residual_sd;
  if (!layout.setting || !(result.fit.degrees_of_freedom >= 1) || !(sd > 0)) return result;
  result.prior_row = sd / kSettingEffectSd;
  result.setting_column = x.cols();
  result.fit = fit_linear(with_setting(x, *layout.setting, result.prior_row), with_zero(y));
  // What the runs, and not the prior, tell of the effect is taken from their freedom.
  const double freedom = result.fit.degrees_of_freedom;
  const double left = std::pow(result.fit.sd(result.setting_column) / kSettingEffectSd, 2);
  const double told = std::clamp(1 - left, 0.0, 1.0);
  if (!(freedom - told >= 1)) return result;
  result.fit.covariance *= freedom / (freedom - told);
  result.fit.residual_sd *= std::sqrt(freedom / (freedom - told));
  result.fit.degrees_of_freedom -= told;
  return result;
}

// The supply's effect from the runs themselves, or none to correct for.
Fitted fit_free(const SessionLayout& layout, const ModelTerms& terms) {
  const LongMatrix x = design_of(layout, terms);
  Fitted fitted;
  fitted.terms = terms;
  fitted.drift_column = terms.drift ? x.cols() - 1 : -1;
  const MixedFit mixed = fit_mixed(layout, x, long_vector(layout.y));
  fitted.fit = mixed.fit;
  fitted.setting_column = mixed.setting_column;
  fitted.degrees_of_freedom = fitted.fit.degrees_of_freedom;
  if (!terms.supply) return fitted;
  fitted.supply_column = x.cols() - 1 - (terms.drift ? 1 : 0);
  fitted.supply_effect = fitted.fit.coefficients[fitted.supply_column];
  return fitted;
}

// The supply's effect as known beforehand. What is not known of it moves all runs together: by m·δe
// for means m of ln(V/V₀), which goes into the covariance. (Its part within a belt is in the
// residuals already, so that the intervals are rather too wide than too narrow.)
Fitted fit_with_prior(const SessionLayout& layout, const KnownEffect& prior, bool drift) {
  LongVector y = long_vector(layout.y);
  const LongVector volts = long_vector(*layout.supply);
  y -= static_cast<long double>(prior.value) * volts;
  const LongMatrix x = design_of(layout, {false, drift});
  Fitted fitted;
  fitted.terms.drift = drift;
  fitted.drift_column = drift ? x.cols() - 1 : -1;
  fitted.supply_effect = prior.value;
  const MixedFit mixed = fit_mixed(layout, x, y);
  fitted.fit = mixed.fit;
  fitted.setting_column = mixed.setting_column;
  const Eigen::VectorXd m =
      mixed.setting_column < 0
          ? fit_linear(x, volts).coefficients
          : fit_linear(with_setting(x, *layout.setting, mixed.prior_row), with_zero(volts))
                .coefficients;
  fitted.fit.covariance += prior.sd * prior.sd * m * m.transpose();
  fitted.degrees_of_freedom = fitted.fit.degrees_of_freedom;
  return fitted;
}

double spread(const std::vector<double>& values) {
  const auto [low, high] = std::minmax_element(values.begin(), values.end());
  return *high - *low;
}

std::string percent(double value) { return fmt::format("{:.1f} %", value); }

// How well belts and blocks alone foretell the order of the runs: 1 when belts were run one after
// the other, near 0 when they were mixed.
double order_explained(const SessionLayout& layout) {
  if (!(spread(layout.order) > 0)) return 1;
  return fit_linear(design_of(layout, {}), long_vector(layout.order)).r_squared;
}

// ---- steps of the comparison ------------------------------------------------------------------

void set_supply(SessionLayout& layout, std::span<const TopSpeed> runs,
                const CompareOptions& options, BeltComparison& result) {
  std::vector<double> volts;
  for (const TopSpeed& run : runs)
    if (run.supply) volts.push_back(*run.supply);
  if (volts.size() < runs.size()) {
    result.warnings.push_back(fmt::format(
        "{} of {} runs name no supply voltage, so that none is corrected for it; give --supply-v "
        "or record the channel",
        runs.size() - volts.size(), runs.size()));
    return;
  }
  const double middle = median(volts);
  result.supply_v = middle;
  std::vector<double> logs;
  logs.reserve(volts.size());
  for (const double v : volts) logs.push_back(std::log(v / middle));
  if (spread(logs) < options.least_supply_spread) {
    result.notes.push_back(
        fmt::format("supply {} V in all runs: no correction", significant(middle, 4)));
    return;
  }
  layout.supply = std::move(logs);
}

// Settings that all agree to a fiftieth move no speed that anybody measures.
void set_setting(SessionLayout& layout, std::span<const TopSpeed> runs) {
  std::vector<double> settings;
  for (const TopSpeed& run : runs)
    if (run.setting) settings.push_back(*run.setting);
  if (settings.size() < runs.size() || spread(settings) < kLeastSpread) return;
  layout.setting = std::move(settings);
}

void describe_setting(const Fitted& fitted, const SessionLayout& layout, BeltComparison& result) {
  if (fitted.setting_column < 0) return;
  const double effect = fitted.fit.coefficients[fitted.setting_column];
  result.setting_effect = Estimate::with_half_width(
      effect, student_t_975(fitted.degrees_of_freedom) * fitted.fit.sd(fitted.setting_column), "");
  result.notes.push_back(fmt::format(
      "slip settings differed by {}: taken out, 10 % more creep speed moves the speed by {}",
      percent(100 * std::expm1(spread(*layout.setting))),
      to_text(result.setting_effect.scaled(10, "%"))));
}

// Whether the runs shall tell the supply's effect. Decided by the design alone, never by the
// speeds, so that the choice cannot favour a result: estimating costs a degree of freedom, leaving
// it at the prior leaves noise of prior.sd × the scatter of the supply.
bool estimate_supply(const SessionLayout& layout, const KnownEffect& prior, double freedom) {
  if (!layout.supply || freedom < 3) return false;
  const LinearFit within = fit_linear(design_of(layout, {}), long_vector(*layout.supply));
  const double noise = prior.sd * within.residual_sd;
  return noise > (freedom < 5 ? 0.01 : 0.001);
}

Fitted choose_model(const SessionLayout& layout, const KnownEffect& prior, BeltComparison& result) {
  const auto parameters =
      static_cast<double>(layout.belts.size() + layout.blocks.size() - layout.components);
  const double freedom = static_cast<double>(layout.runs()) - parameters;
  const bool free_supply = estimate_supply(layout, prior, freedom);
  const auto fit = [&](bool drift) {
    return layout.supply && !free_supply ? fit_with_prior(layout, prior, drift)
                                         : fit_free(layout, {free_supply, drift});
  };
  Fitted plain = fit(false);
  const double explained = freedom > 0 ? order_explained(layout) : 1;
  if (freedom > 0 && explained > 0.8)
    result.warnings.push_back(
        "the belts were run one after the other, not in mixed order: a drift over the session "
        "would look like a difference between belts; next time follow 'loadline-logger plan "
        "belts'");
  if (plain.degrees_of_freedom < 5 || explained > 0.99 || !(plain.fit.residual_sd > 0))
    return plain;
  Fitted drifting = fit(true);
  const double t =
      drifting.fit.coefficients[drifting.drift_column] / drifting.fit.sd(drifting.drift_column);
  const double p = t_tail_two_sided(t, drifting.degrees_of_freedom);
  if (p < 0.05) {
    result.notes.push_back(fmt::format("drift over the session taken out (p = {:.2g})", p));
    return drifting;
  }
  result.notes.push_back(fmt::format("no drift over the session (p = {:.2g})", p));
  plain.degrees_of_freedom -= 1;  // the price of having looked
  return plain;
}

void describe_supply(const Fitted& fitted, const KnownEffect& prior, const SessionLayout& layout,
                     BeltComparison& result) {
  if (!layout.supply) return;
  const double range = 100 * spread(*layout.supply);
  std::string source = "as these runs show";
  if (fitted.supply_column < 0) {
    result.supply_effect = Estimate::with_half_width(prior.value, 1.96 * prior.sd, "");
    source = "after " + prior.source;
  } else {
    result.supply_effect = Estimate::with_half_width(
        fitted.supply_effect,
        student_t_975(fitted.degrees_of_freedom) * fitted.fit.sd(fitted.supply_column), "");
  }
  result.notes.push_back(fmt::format(
      "corrected to {} V: the supply differed by {}, 1 % of it moves the speed by {} %, {}",
      significant(*result.supply_v, 4), percent(range), to_text(result.supply_effect), source));
  if (fitted.supply_column < 0 && prior.sd > 0.3 && range > 1)
    result.warnings.push_back(fmt::format(
        "these runs are too few to tell what the supply does to the speed; {} is used and its "
        "uncertainty is in the intervals",
        prior.source));
}

Estimate log_estimate(double log_value, std::optional<double> half, double scale,
                      const std::string& unit) {
  Estimate e = Estimate::exact(scale * std::exp(log_value), unit);
  if (half) {
    e.low = scale * std::exp(log_value - *half);
    e.high = scale * std::exp(log_value + *half);
  }
  return e;
}

Estimate percent_estimate(double log_ratio, std::optional<double> half) {
  Estimate e = Estimate::exact(100 * std::expm1(log_ratio), "%");
  if (half) {
    e.low = 100 * std::expm1(log_ratio - *half);
    e.high = 100 * std::expm1(log_ratio + *half);
  }
  return e;
}

Estimate scatter_estimate(double s, double freedom) {
  if (!(freedom >= 1)) return Estimate::unknown("%");
  return {100 * s, 100 * s * std::sqrt(freedom / chi_squared_quantile(0.975, freedom)),
          100 * s * std::sqrt(freedom / chi_squared_quantile(0.025, freedom)), "%"};
}

// Belts by falling speed.
std::vector<std::size_t> ranking(const Fitted& fitted, std::size_t belts) {
  std::vector<std::size_t> rank(belts);
  std::iota(rank.begin(), rank.end(), std::size_t{0});
  std::sort(rank.begin(), rank.end(), [&](std::size_t a, std::size_t b) {
    return fitted.fit.coefficients[static_cast<Index>(a)] >
           fitted.fit.coefficients[static_cast<Index>(b)];
  });
  return rank;
}

// Readings of each belt, corrected for the supply, in the order of `rank`.
std::vector<std::vector<double>> corrected_groups(const SessionLayout& layout, const Fitted& fitted,
                                                  const std::vector<std::size_t>& rank) {
  std::vector<std::vector<double>> groups(rank.size());
  for (std::size_t r = 0; r < layout.runs(); ++r) {
    double correction = layout.supply ? fitted.supply_effect * (*layout.supply)[r] : 0.0;
    if (fitted.setting_column >= 0)
      correction += fitted.fit.coefficients[fitted.setting_column] * (*layout.setting)[r];
    const auto place = std::find(rank.begin(), rank.end(), layout.belt_of[r]) - rank.begin();
    groups[static_cast<std::size_t>(place)].push_back(layout.y[r] - correction);
  }
  return groups;
}

// All pairs of the ranked belts. Half widths are NaN where nothing is known of the scatter.
std::vector<Pair> pairs_of(const SessionLayout& layout, const Fitted& fitted,
                           const std::vector<std::size_t>& rank, BeltComparison& result) {
  const auto k = static_cast<Index>(rank.size());
  Eigen::VectorXd means(k);
  Eigen::MatrixXd covariance(k, k);
  for (Index i = 0; i < k; ++i) {
    const auto from = static_cast<Index>(rank[static_cast<std::size_t>(i)]);
    means[i] = fitted.fit.coefficients[from];
    for (Index j = 0; j < k; ++j)
      covariance(i, j) =
          fitted.fit.covariance(from, static_cast<Index>(rank[static_cast<std::size_t>(j)]));
  }
  if (!(fitted.degrees_of_freedom >= 1)) {
    std::vector<Pair> pairs;
    for (std::size_t i = 0; i < rank.size(); ++i)
      for (std::size_t j = i + 1; j < rank.size(); ++j)
        pairs.push_back({i, j, means[static_cast<Index>(i)] - means[static_cast<Index>(j)],
                         std::nan(""), std::nan("")});
    return pairs;
  }
  const auto groups = corrected_groups(layout, fitted, rank);
  // Fewer than six repeats cannot tell unequal spread from chance.
  const bool enough = std::all_of(groups.begin(), groups.end(),
                                  [](const auto& group) { return group.size() >= 6; });
  if (enough && layout.blocks.size() == 1 && !fitted.terms.drift &&
      equal_spread_p(groups) < 0.005) {
    result.notes.push_back(
        "the belts repeat differently well (Brown–Forsythe p < 0.005): intervals after Games and "
        "Howell, without one common scatter");
    return all_pairs_unequal(groups);
  }
  return all_pairs(means, covariance, fitted.degrees_of_freedom);
}

void set_belts(const SessionLayout& layout, const Fitted& fitted,
               const std::vector<std::size_t>& rank, std::span<const TopSpeed> runs,
               BeltComparison& result) {
  const bool known = fitted.degrees_of_freedom >= 1;
  for (const std::size_t belt : rank) {
    BeltResult& out = result.belts.emplace_back();
    out.name = layout.belts[belt];
    std::optional<double> half;
    if (known)
      half = student_t_975(fitted.degrees_of_freedom) * fitted.fit.sd(static_cast<Index>(belt));
    out.top_speed = log_estimate(fitted.fit.coefficients[static_cast<Index>(belt)], half,
                                 rpm_from_rad_per_s(1), "rpm");
    std::vector<double> motor;
    for (std::size_t r = 0; r < runs.size(); ++r) {
      if (layout.belt_of[r] != belt) continue;
      out.runs.push_back(runs[r].run);
      if (runs[r].motor_speed) motor.push_back(rpm_from_rad_per_s(*runs[r].motor_speed));
    }
    if (!motor.empty()) out.motor_speed = Estimate::exact(median(motor), "rpm");
  }
}

void set_pairs(const SessionLayout& layout, const std::vector<std::size_t>& rank,
               const std::vector<Pair>& pairs, BeltComparison& result) {
  std::vector<std::pair<std::size_t, std::size_t>> different;
  for (const Pair& pair : pairs) {
    BeltPair out;
    out.a = result.belts[pair.first].name;
    out.b = result.belts[pair.second].name;
    const bool tied =
        layout.component_of_belt[rank[pair.first]] == layout.component_of_belt[rank[pair.second]];
    std::optional<double> half;
    if (std::isfinite(pair.half_width)) half = pair.half_width;
    out.difference_percent =
        tied ? percent_estimate(pair.difference, half) : Estimate::unknown("%");
    if (tied && half) out.p_value = pair.p_value;
    if (tied && half && pair.p_value < 0.05) different.emplace_back(pair.first, pair.second);
    if (pair.first == 0) {
      // relative to the best is the same pair, the other way round
      Estimate& relative = result.belts[pair.second].relative_percent;
      relative = tied ? percent_estimate(-pair.difference, half) : Estimate::unknown("%");
    }
    result.comparisons.push_back(std::move(out));
  }
  result.belts.front().relative_percent = {0.0, 0.0, 0.0, "%"};
  if (!(result.degrees_of_freedom >= 1) || result.belts.size() < 2) return;
  const auto letters = group_letters(result.belts.size(), different);
  for (std::size_t i = 0; i < letters.size(); ++i) result.belts[i].group = letters[i];
}

void warn_of_components(const SessionLayout& layout, BeltComparison& result) {
  if (layout.components < 2) return;
  std::string sets;
  for (std::size_t c = 0; c < layout.components; ++c) {
    std::string names;
    for (std::size_t b = 0; b < layout.belts.size(); ++b)
      if (layout.component_of_belt[b] == c) names += (names.empty() ? "" : ", ") + layout.belts[b];
    sets += (sets.empty() ? "" : " | ") + names;
  }
  result.warnings.push_back(
      fmt::format("these sets of belts never ran on the same pulleys ({}): between sets a "
                  "difference may be the "
                  "pulleys', and none is given; letters hold within a set only",
                  sets));
}

// Externally studentised residuals against Bonferroni's limit at 1 %.
void warn_of_outliers(const SessionLayout& layout, const Fitted& fitted,
                      std::span<const TopSpeed> runs, BeltComparison& result) {
  const double freedom = fitted.fit.degrees_of_freedom;
  const double s = fitted.fit.residual_sd;
  if (freedom < 4 || !(s > 0)) return;
  const LongMatrix x = design_of(layout, fitted.terms);
  const Eigen::MatrixXd root = x.cast<double>().householderQr().householderQ() *
                               Eigen::MatrixXd::Identity(x.rows(), x.cols());
  for (Index r = 0; r < x.rows(); ++r) {
    const double leverage = root.row(r).squaredNorm();
    if (leverage > 0.999) continue;
    const double t = fitted.fit.residuals[r] / (s * std::sqrt(1 - leverage));
    const double external = t * std::sqrt((freedom - 1) / std::max(1e-9, freedom - t * t));
    if (t_tail_two_sided(external, freedom - 1) * static_cast<double>(runs.size()) > 0.01) continue;
    result.warnings.push_back(fmt::format(
        "run {} ({}) lies {:.1f} % {} its fellows; look at what was different and repeat it",
        runs[static_cast<std::size_t>(r)].run, runs[static_cast<std::size_t>(r)].belt,
        100 * std::fabs(fitted.fit.residuals[r]), fitted.fit.residuals[r] < 0 ? "below" : "above"));
  }
}

// Do belts rank differently from pulley pair to pulley pair? Cell means against repeats.
void warn_of_interaction(const SessionLayout& layout, const Fitted& fitted,
                         BeltComparison& result) {
  if (layout.blocks.size() < 2) return;
  std::map<std::pair<std::size_t, std::size_t>, std::vector<double>> cells;
  for (std::size_t r = 0; r < layout.runs(); ++r)
    cells[{layout.belt_of[r], layout.block_of[r]}].push_back(
        fitted.fit.residuals[static_cast<Index>(r)]);
  double pure = 0, pure_freedom = 0, all = 0;
  for (const auto& [cell, residuals] : cells) {
    const double n = static_cast<double>(residuals.size());
    const double mean = std::accumulate(residuals.begin(), residuals.end(), 0.0) / n;
    for (const double e : residuals) pure += (e - mean) * (e - mean), all += e * e;
    pure_freedom += n - 1;
  }
  const double lack_freedom = fitted.fit.degrees_of_freedom - pure_freedom;
  if (pure_freedom < 4 || lack_freedom < 1 || !(pure > 0)) return;
  const double f = (all - pure) / lack_freedom / (pure / pure_freedom);
  if (f_tail(f, lack_freedom, pure_freedom) < 0.01)
    result.warnings.push_back(
        "how the belts compare depends on the pulley pair (p < 0.01): the differences given are "
        "means over the pairs; compare pair by pair before deciding");
}

void warn_of_repeats(const SessionLayout& layout, BeltComparison& result) {
  if (result.degrees_of_freedom < 1) {
    result.warnings.push_back(
        "no belt was run twice alike: one run against one run has a difference but no interval; "
        "set each belt anew and repeat");
    return;
  }
  if (result.degrees_of_freedom < 4)
    result.warnings.push_back(
        fmt::format("only {:.0f} run{} to spare beyond what the comparison itself takes: the "
                    "intervals are wide; more repeats narrow them quickly",
                    result.degrees_of_freedom, result.degrees_of_freedom < 1.5 ? "" : "s"));
  std::string single;
  for (std::size_t b = 0; b < layout.belts.size(); ++b)
    if (std::count(layout.belt_of.begin(), layout.belt_of.end(), b) == 1)
      single += (single.empty() ? "" : ", ") + layout.belts[b];
  if (!single.empty())
    result.warnings.push_back(fmt::format(
        "run only once: {}; the interval there leans on how the other belts repeat", single));
}

}  // namespace

bool BeltComparison::comparable() const {
  return std::any_of(comparisons.begin(), comparisons.end(), [](const BeltPair& pair) {
    return pair.difference_percent.value.has_value();
  });
}

BeltComparison compare_belts(std::span<const TopSpeed> runs, const CompareOptions& options) {
  BeltComparison result;
  result.runs.assign(runs.begin(), runs.end());
  result.repeatability = Estimate::unknown("%");
  result.drift = Estimate::unknown("%");
  result.supply_effect = Estimate::unknown("");
  result.setting_effect = Estimate::unknown("");
  if (runs.empty()) return result;
  SessionLayout layout = lay_out(runs);
  result.blocks = layout.blocks.size();
  set_supply(layout, runs, options, result);
  set_setting(layout, runs);
  const KnownEffect prior = options.supply_effect.value_or(KnownEffect{
      kSupplyEffect, kSupplyEffectSd, "what such motors do in general (0.7 ± 0.5 % per 1 %)"});
  const Fitted fitted = choose_model(layout, prior, result);
  result.degrees_of_freedom = std::max(0.0, fitted.degrees_of_freedom);
  describe_supply(fitted, prior, layout, result);
  describe_setting(fitted, layout, result);
  if (fitted.drift_column >= 0)
    result.drift = Estimate::with_half_width(
        100 * fitted.fit.coefficients[fitted.drift_column],
        100 * student_t_975(fitted.degrees_of_freedom) * fitted.fit.sd(fitted.drift_column), "%");
  result.repeatability = scatter_estimate(fitted.fit.residual_sd, fitted.degrees_of_freedom);
  const auto rank = ranking(fitted, layout.belts.size());
  set_belts(layout, fitted, rank, runs, result);
  set_pairs(layout, rank, pairs_of(layout, fitted, rank, result), result);
  warn_of_components(layout, result);
  warn_of_repeats(layout, result);
  warn_of_outliers(layout, fitted, runs, result);
  warn_of_interaction(layout, fitted, result);
  return result;
}

}  // namespace loadline
