#include "fit/history/changes.h"

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <random>

#include "fit/history/evenings/history_constants.h"
#include "fit/history/evenings/random_effects.h"
#include "fit/solver/dense.h"

namespace loadline {
namespace {

using namespace history_chosen;

constexpr std::size_t kLeastOnASide = 3;
constexpr int kSimulations = 999;
constexpr double kDaysOfYear = 365.2425;

Eigen::VectorXd step_at(std::size_t first, std::size_t count) {
  Eigen::VectorXd step = Eigen::VectorXd::Zero(static_cast<Eigen::Index>(count));
  step.tail(static_cast<Eigen::Index>(count - first)).setOnes();
  return step;
}

struct Levels {
  Eigen::VectorXd values, variances, days;
  Eigen::MatrixXd design;  // ones, then steps
  std::size_t count() const { return static_cast<std::size_t>(values.size()); }
  Eigen::MatrixXd with(const Eigen::VectorXd& column) const {
    Eigen::MatrixXd wider(design.rows(), design.cols() + 1);
    wider << design, column;
    return wider;
  }
  bool knows(const Eigen::VectorXd& column) const {
    for (Eigen::Index c = 0; c < design.cols(); ++c)
      if (design.col(c) == column) return true;
    return false;
  }
};

Levels levels_of(const std::vector<LevelSeen>& seen) {
  Levels levels;
  const auto count = static_cast<Eigen::Index>(seen.size());
  levels.values.resize(count);
  levels.variances.resize(count);
  levels.days.resize(count);
  for (Eigen::Index i = 0; i < count; ++i) {
    const LevelSeen& one = seen[static_cast<std::size_t>(i)];
    levels.values[i] = one.log_value;
    levels.variances[i] = one.variance;
    levels.days[i] = one.day;
  }
  levels.design = Eigen::MatrixXd::Ones(count, 1);
  return levels;
}

// ---- steps ------------------------------------------------------------------------------------

Estimate percent_of(double log_ratio, const std::optional<Limits>& limits) {
  Estimate percent = Estimate::exact(100 * std::expm1(log_ratio), "%");
  if (limits) {
    percent.low = 100 * std::expm1(limits->low);
    percent.high = 100 * std::expm1(limits->high);
  }
  return percent;
}

// What changed at that session, beside the steps that are in the model.
Estimate change_at(const Levels& levels, std::size_t first) {
  const Eigen::VectorXd step = step_at(first, levels.count());
  Eigen::Index column = 0;
  for (Eigen::Index c = 1; c < levels.design.cols(); ++c)
    if (levels.design.col(c) == step) column = c;
  const Eigen::MatrixXd design = column > 0 ? levels.design : levels.with(step);
  if (column == 0) column = design.cols() - 1;
  if (design.cols() > design.rows()) return Estimate::unknown("%");
  const RandomEffects model(levels.values, levels.variances, design);
  const Contrast contrast{Eigen::VectorXd::Unit(design.cols(), column)};
  return percent_of(model.value(contrast), model.limits(contrast));
}

// Events with sessions on both sides. Those that changed nothing to be told from chance stay out of
// the model: their step would only take sessions away from what is looked for besides.
void enter_events(Levels& levels, const std::vector<LevelEvent>& events, LevelStudy& study) {
  for (const LevelEvent& event : events) {
    std::size_t first = 0;
    while (first < levels.count() && levels.days[static_cast<Eigen::Index>(first)] < event.day)
      ++first;
    if (first > 0 && first < levels.count())
      study.changes.push_back({first, event.day, event.on, {}, event.what});
  }
  for (const LevelChange& change : study.changes) {
    const Eigen::VectorXd step = step_at(change.first, levels.count());
    const Estimate percent = change_at(levels, change.first);
    const bool clear = percent.low && (*percent.low > 0 || *percent.high < 0);
    if (clear && !levels.knows(step)) levels.design = levels.with(step);
  }
}

// ---- the scan --------------------------------------------------------------------------------

struct Scan {
  double statistic = -1;  // ln of the mean likelihood ratio
  std::size_t best = 0;   // first session after the likeliest date
};

// 2 ln L of a model at its best variance, but for a constant: of the sessions' variances only their
// ratios count, so that a session's own doubt, taken too large or too small, neither hides nor
// makes a change, and the bootstrap below is exact.
double log_likelihood(const Eigen::VectorXd& values, const Eigen::VectorXd& variances,
                      const Eigen::MatrixXd& design) {
  const auto count = static_cast<double>(values.size());
  return -count * std::log(RandomEffects(values, variances, design).q(0) + 1e-300);
}

// Places where a change can be looked for: enough sessions on either side, up to the next step that
// is in the model already.
std::vector<std::size_t> places_of(const Levels& levels) {
  std::vector<std::size_t> places;
  const std::size_t count = levels.count();
  std::vector<std::size_t> borders = {0, count};
  for (Eigen::Index c = 1; c < levels.design.cols(); ++c)
    borders.push_back(count - static_cast<std::size_t>(levels.design.col(c).sum()));
  std::sort(borders.begin(), borders.end());
  for (std::size_t b = 0; b + 1 < borders.size(); ++b)
    for (std::size_t at = borders[b] + kLeastOnASide; at + kLeastOnASide <= borders[b + 1]; ++at)
      if (levels.days[static_cast<Eigen::Index>(at)] >
              levels.days[static_cast<Eigen::Index>(at - 1)] ||
          levels.days[0] == levels.days[levels.days.size() - 1])
        places.push_back(at);
  return places;
}

Scan scan(const Levels& levels, const Eigen::VectorXd& values, const Eigen::VectorXd& variances,
          const std::vector<std::size_t>& places) {
  const double without = log_likelihood(values, variances, levels.design);
  Scan result;
  double sum = 0, most = -1;
  for (const std::size_t at : places) {
    const double ratio =
        log_likelihood(values, variances, levels.with(step_at(at, levels.count()))) - without;
    sum += std::exp(std::min(600.0, ratio / 2));
    if (ratio > most) result.best = at, most = ratio;
  }
  result.statistic = std::log(sum / static_cast<double>(places.size()));
  return result;
}

// Sets of sessions like these without a change, and what the scan says of them.
struct Bootstrap {
  Eigen::VectorXd variances;  // of all, scatter included
  std::vector<Eigen::VectorXd> noise;
  double critical = 0;
};

Bootstrap bootstrap(const Levels& levels, const std::vector<std::size_t>& places, double between) {
  std::mt19937_64 dice(20261129);
  std::normal_distribution<double> normal;
  Bootstrap result;
  result.variances = levels.variances.array() + between;
  std::vector<double> statistics;
  for (int i = 0; i < kSimulations; ++i) {
    Eigen::VectorXd noise(levels.values.size());
    for (Eigen::Index k = 0; k < noise.size(); ++k)
      noise[k] = normal(dice) * std::sqrt(result.variances[k]);
    statistics.push_back(scan(levels, noise, result.variances, places).statistic);
    result.noise.push_back(std::move(noise));
  }
  std::sort(statistics.begin(), statistics.end());
  result.critical =
      statistics[static_cast<std::size_t>((1 - kFalseAlarms) * (kSimulations + 1)) - 1];
  return result;
}

double share_found(const Levels& levels, const Bootstrap& sets,
                   const std::vector<std::size_t>& places, double step) {
  constexpr std::size_t kSets = 200;
  const Eigen::VectorXd by = step * step_at(places[places.size() / 2], levels.count());
  std::size_t found = 0;
  for (std::size_t i = 0; i < kSets; ++i)
    found +=
        scan(levels, sets.noise[i] + by, sets.variances, places).statistic > sets.critical ? 1 : 0;
  return static_cast<double>(found) / kSets;
}

double findable(const Levels& levels, const Bootstrap& sets,
                const std::vector<std::size_t>& places) {
  double low = 0, high = 0.02;
  while (share_found(levels, sets, places, high) < kFound && high < 5) low = high, high *= 2;
  for (int i = 0; i < 6; ++i) {
    const double at = (low + high) / 2;
    (share_found(levels, sets, places, at) < kFound ? low : high) = at;
  }
  return 100 * std::expm1(high);
}

double scatter_about(const Levels& levels) {
  return RandomEffects(levels.values, levels.variances, levels.design)
      .variance_between()
      .value_or(0);
}

// Twenty times as likely under a straight trend as under a step there.
bool is_trend(const Levels& levels, const Eigen::VectorXd& variances, const Eigen::VectorXd& step) {
  if (!(levels.days.maxCoeff() > levels.days.minCoeff())) return false;
  return log_likelihood(levels.values, variances,
                        levels.with(levels.days.array() - levels.days.mean())) >
         log_likelihood(levels.values, variances, levels.with(step)) + kTrendIsBetter;
}

// Adds the changes that nobody entered to the model, one after the other.
void find_changes(Levels& levels, LevelStudy& study) {
  const Levels entered = levels;
  const std::vector<std::size_t> all = places_of(levels);
  std::vector<std::size_t> places = all;
  Bootstrap sets;
  for (; !places.empty(); places = places_of(levels)) {
    sets = bootstrap(levels, places, scatter_about(levels));
    const Scan seen = scan(levels, levels.values, sets.variances, places);
    if (!(seen.statistic > sets.critical)) break;
    const Eigen::VectorXd step = step_at(seen.best, levels.count());
    if (is_trend(levels, sets.variances, step)) break;
    levels.design = levels.with(step);
    const bool entered_there =
        std::any_of(study.changes.begin(), study.changes.end(),
                    [&](const LevelChange& change) { return change.first == seen.best; });
    if (!entered_there)
      study.changes.push_back(
          {seen.best, levels.days[static_cast<Eigen::Index>(seen.best)], {}, {}, {}});
  }
  if (all.empty()) return;
  study.could_look = true;
  // By the scatter that is left beside the changes found.
  if (levels.design.cols() > entered.design.cols())
    sets = bootstrap(entered, all, scatter_about(levels));
  study.findable_percent = findable(entered, sets, all);
}

// ---- answers ---------------------------------------------------------------------------------

void set_changes(const Levels& levels, LevelStudy& study) {
  for (LevelChange& change : study.changes) change.percent = change_at(levels, change.first);
  std::stable_sort(study.changes.begin(), study.changes.end(),
                   [](const LevelChange& a, const LevelChange& b) { return a.day < b.day; });
}

// Years before the last session, so that the other columns speak of that day.
Eigen::VectorXd years_of(const Levels& levels) {
  return (levels.days.array() - levels.days.maxCoeff()) / kDaysOfYear;
}

Estimate trend_of(const Levels& levels) {
  Estimate unknown = Estimate::unknown("%/year");
  const Eigen::VectorXd years = years_of(levels);
  const Eigen::MatrixXd design = levels.with(years);
  if (!(years.norm() > 0) || rank_of(design) < design.cols()) return unknown;
  const RandomEffects model(levels.values, levels.variances, design);
  const Contrast slope{Eigen::VectorXd::Unit(design.cols(), design.cols() - 1)};
  const auto limits = model.limits(slope);
  if (!limits || limits->high - limits->low > std::log(kWidestTrend)) return unknown;
  Estimate trend = percent_of(model.value(slope), limits);
  trend.unit = unknown.unit;
  return trend;
}

}  // namespace

LevelStudy study_levels(const std::vector<LevelSeen>& seen, const std::vector<LevelEvent>& events,
                        double shared_variance) {
  LevelStudy study;
  study.between_percent = Estimate::unknown("%");
  study.trend_percent_per_year = Estimate::unknown("%/year");
  if (seen.empty()) return study;
  Levels levels = levels_of(seen);
  enter_events(levels, events, study);
  find_changes(levels, study);
  set_changes(levels, study);
  const Estimate trend = study.trend_percent_per_year = trend_of(levels);
  study.next = Eigen::VectorXd::Ones(levels.design.cols());
  if (trend.low && (*trend.low > 0 || *trend.high < 0)) {  // sessions scatter about it
    levels.design = levels.with(years_of(levels));
    study.next.conservativeResize(levels.design.cols());
    study.next[levels.design.cols() - 1] = 0;
  }
  const RandomEffects model(levels.values, levels.variances, levels.design);
  study.degrees_of_freedom = model.degrees_of_freedom();
  study.design = levels.design;
  if (const auto variance = model.variance_between()) {
    const Limits limits = *model.variance_between_limits();
    study.between_percent = {100 * std::sqrt(*variance), 100 * std::sqrt(limits.low),
                             100 * std::sqrt(limits.high), "%"};
  }
  // Another evening's runs have their own noise, too.
  Contrast next{study.next, true, shared_variance + levels.variances.mean()};
  study.next_log = model.value(next);
  if (const auto limits = model.limits(next)) {
    study.next_log_low = limits->low;
    study.next_log_high = limits->high;
  }
  return study;
}

}  // namespace loadline
