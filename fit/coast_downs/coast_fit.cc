#include "fit/coast_downs/coast_fit.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "db/basis/units.h"
#include "fit/coast_downs/motion/coast_constants.h"
#include "fit/readings/noise/noise.h"
#include "fit/readings/noise/reading_constants.h"
#include "fit/solver/aicc.h"
#include "fit/solver/dense.h"

namespace loadline {
namespace {

using namespace coast_chosen;
using reading_chosen::kNoWeight;

constexpr int kPasses = 4;
// Change of the sum of squares that ends a pass of which only the noise is judged.
constexpr double kQuick = 1e-4;
constexpr int kLastSteps = 120;           // of a search under the last word on the noise,
constexpr double kLastTolerance = 1e-10;  // which ends with this change of the sum of squares
constexpr std::size_t kValuesInBlock = 5, kMostBlocks = 30;
constexpr double kNoMemory = 0;  // of the longest run
constexpr int kMostByRows = 50;  // steps of the last search among values from rows

void update_noise(Coast& coast, std::vector<double> residuals, double fitted) {
  for (std::size_t i = 0; i < coast.spread.size(); ++i) residuals[i] /= coast.spread[i];
  // What rounding and a ripple of first order leave even of perfect data.
  const double floor = coast.by_edges ? 5e-4 : 3e-5 * coast.speed_high;
  const double bulk = std::max(robust_sd(residuals), floor);
  Reweighted kept = reweighted(residuals, std::vector<double>(residuals.size(), bulk), fitted);
  coast.weight = std::move(kept.weight);
  coast.noise_sd = std::max(floor, std::sqrt(kept.variance));
  // Errors of a window's ends cancel in the next one; where the ends are not known to be edges, a
  // few dozen values cannot show that they do.
  const double few = coast.windows_exact ? 0 : 1 - static_cast<double>(coast.size()) / 300;
  const double least = coast.by_edges ? 1.0 : std::max(0.25, few);
  coast.correlation = std::max(least, correlation_factor(kept.residual, 4).factor);
}

// The noise of all runs that came as files, which one tachometer made.
void update_row_noise(CoastFit& fit, double longest_memory) {
  std::vector<JudgedSeries> all;
  const Eigen::VectorXd& x = fit.solution.parameters;
  const auto common = static_cast<Eigen::Index>(fit.problem->common());
  Eigen::Index rows = 0, at = common;
  for (const Coast& coast : fit.coasts) rows += coast.from_rows ? 1 : 0;
  double top = 0;
  for (std::size_t j = 0; j < fit.coasts.size(); ++j) {
    Coast& coast = fit.coasts[j];
    if (!coast.from_rows) continue;
    top = std::max(top, coast.speed_high);
    coast.series.timing = fit.problem->timing(x, j);
    JudgedSeries one{&coast.series, fit.problem->plain_residuals(x, j), {}};
    const double bulk = std::max(robust_sd(one.residuals), kRowFloor * coast.speed_high);
    for (std::size_t i = 0; i < coast.size(); ++i) {
      const double most = coast.noise_judged ? kStrange * value_sd(coast.noise, coast.series, i)
                                             : kStrangeAtFirst * bulk;
      coast.weight[i] = coast.series.weight[i] = std::fabs(one.residuals[i]) < most ? 1 : 0;
    }
    if (longest_memory > 0) {  // only the last word allows for what the parameters took away
      const Eigen::MatrixXd by_all = fit.problem->plain_derivatives(x, j);
      one.derivatives = Eigen::MatrixXd::Zero(by_all.rows(), common + rows);
      one.derivatives.leftCols(common) = by_all.leftCols(common);
      one.derivatives.col(at++) = by_all.col(fit.problem->column_of(j));
    }
    all.push_back(std::move(one));
  }
  if (all.empty()) return;
  RowNoise start;
  for (const Coast& coast : fit.coasts)
    if (coast.from_rows && coast.noise.memory_s > 0 && coast.noise_judged) start = coast.noise;
  const bool exact = std::any_of(fit.coasts.begin(), fit.coasts.end(),
                                 [](const Coast& coast) { return coast.ends_known; });
  double count = 0;
  for (const Coast& coast : fit.coasts) count = std::max(count, coast.count);
  const RowNoise noise = judge_noise(all, start, kRowFloor * top, longest_memory,
                                     exact ? 0 : kEndsAstray, count / std::sqrt(12.0));
  for (Coast& coast : fit.coasts) {
    if (!coast.from_rows) continue;
    coast.noise = noise;
    coast.noise_judged = true;
    coast.whitener = Whitener(coast.series, noise);
  }
}

double deviance_of_rows(const CoastFit& fit) {
  std::vector<JudgedSeries> all;
  RowNoise noise;
  double sum = 0, top = 0, values = 0, told = 0;
  for (const Coast& coast : fit.coasts) {
    if (!coast.from_rows) continue;
    noise = coast.noise;
    top = std::max(top, coast.speed_high);
  }
  for (std::size_t j = 0; j < fit.coasts.size(); ++j) {
    const Coast& coast = fit.coasts[j];
    if (!coast.from_rows) continue;
    all.push_back({&coast.series, fit.problem->shown_residuals(fit.solution.parameters, j), {}});
    sum += coast.repeats_deviance;
    values += static_cast<double>(coast.size());
    told += static_cast<double>(coast.size()) - coast.held;
  }
  if (all.empty()) return 0;
  // All ways are compared by noise of the same kind.
  if (fit.coasts.front().over == WayToRead::Over::kSmoothedLooks)
    noise = judge_noise(all, noise, kRowFloor * top, kNoMemory, kEndsAstray);
  for (const Coast& coast : fit.coasts)
    // A value that was left out counts as just so far away.
    for (std::size_t i = 0; coast.from_rows && i < coast.size(); ++i)
      if (coast.weight[i] == 0)
        sum += kStrange * kStrange +
               2 * std::log(std::sqrt(2 * kPi) * value_sd(noise, coast.series, i));
  // What is held tells nothing new.
  return sum + deviance(all, noise) * told / values;
}

// Noise that wanders all along a run is known by what it does in parts of it.
RowNoise over_parts(RowNoise noise, double part_s) {
  if (!(noise.memory_s > part_s)) return noise;
  noise.memory_s = part_s;
  return noise;
}

double effective(const Coast& coast) {
  double kept = 0;
  for (const double w : coast.weight) kept += w;
  if (coast.from_rows)
    return kept * share_of_independent(over_parts(coast.noise, kPartOfRun * coast.length_s),
                                       coast.length_s / static_cast<double>(coast.size()));
  return kept / std::max(1.0, coast.correlation);
}

double freedom(const CoastFit& fit) {
  double values = 0;
  for (const Coast& coast : fit.coasts) values += effective(coast);
  return std::max(3.0, values - fit.problem->parameters());
}

// What a display averages over, of the longest run: its errors hang together for so long, and no
// longer, while ways to read are compared.
double memory_of_display(const CoastFit& fit) {
  if (fit.coasts.front().over != WayToRead::Over::kMeanOfLooks) return kNoMemory;
  double longest = 0;
  for (const Coast& coast : fit.coasts) longest = std::max(longest, coast.length_s);
  return fit.problem->shown_over_s(fit.solution.parameters) / longest;
}

// A value counts where it does in both.
void keep_weights(Coast& coast, const Coast& simpler) {
  for (std::size_t i = 0; i < coast.size(); ++i)
    coast.weight[i] = coast.series.weight[i] *= simpler.series.weight[i];
}

// Its noise is not that of values whose marks were not known yet, nor of other readings.
bool tells_noise(const std::vector<Coast>& coasts, const CoastFit* simpler) {
  if (!simpler) return false;
  const Coast &a = simpler->coasts.front(), &b = coasts.front();
  return a.by_marks() == b.by_marks() && a.by_looks() == b.by_looks();
}

}  // namespace

FittedCoasts fit_coasts(const std::vector<Coast>& coasts, const CoastOptions& options, double unit,
                        const std::optional<Prior>& inertia, const CoastFit* simpler,
                        bool same_noise) {
  auto result = std::make_unique<CoastFit>();
  CoastFit& fit = *result;
  fit.coasts = coasts;
  fit.options = options;
  fit.problem = std::make_unique<CoastProblem>(fit.coasts, options, unit, inertia);
  Eigen::VectorXd x = fit.problem->start();
  if (simpler) x = fit.problem->start_at(*simpler->problem, simpler->solution.parameters);
  const CoastFit* const known = tells_noise(coasts, simpler) ? simpler : nullptr;
  const double own = static_cast<double>(fit.problem->parameters() - fit.problem->common()) /
                     static_cast<double>(fit.coasts.size());
  for (std::size_t j = 0; j < fit.coasts.size(); ++j) {
    Coast& coast = fit.coasts[j];
    coast.noise_sd = known            ? known->coasts[j].noise_sd
                     : coast.by_edges ? 0.02
                                      : 0.01 * coast.speed_high;
    if (!coast.from_rows) continue;
    if (known) {
      coast.noise = known->coasts[j].noise;
      coast.series.timing = known->coasts[j].series.timing;
      coast.noise_judged = true;
      if (same_noise) keep_weights(coast, known->coasts[j]);
    } else {
      coast.noise.constant = coast.noise_sd;
    }
    coast.whitener = Whitener(coast.series, coast.noise);
  }
  for (int pass = same_noise ? kPasses - 1 : known ? 1 : 0; pass < kPasses; ++pass) {
    const bool last = pass + 1 == kPasses;
    fit.solution = quick_fit(*fit.problem, x, {.tolerance = last ? 1e-7 : kQuick});
    x = fit.solution.parameters;
    if (last) break;
    update_row_noise(fit, memory_of_display(fit));
    for (std::size_t j = 0; j < fit.coasts.size(); ++j) {
      if (fit.coasts[j].from_rows) continue;
      update_noise(fit.coasts[j], fit.problem->plain_residuals(x, j), own + 2);
      if (pass + 2 < kPasses) fit.coasts[j].correlation = 1;  // as in sweep_fit.cc
    }
  }
  if (!fit.solution.inverse_normal.allFinite()) return result;
  fit.usable = true;
  fit.degrees_of_freedom = freedom(fit);
  return result;
}

double corrected_akaike(const CoastFit& fit, const CoastFit& judge) {
  double n = 0, sum = 0;
  for (std::size_t j = 0; j < fit.coasts.size(); ++j) {
    const double values = effective(judge.coasts[j]);
    n += values;
    if (fit.coasts[j].from_rows) continue;
    sum += values * 2 * std::log(fit.coasts[j].noise_sd);
    // A value that was left out (outlier_weight()) counts as just so far away, less the one of
    // those that were not.
    for (const double weight : fit.coasts[j].weight)
      sum += (1 - weight) * (kNoWeight * kNoWeight - 1) / judge.coasts[j].correlation;
  }
  sum += deviance_of_rows(fit);
  const double k = fit.problem->parameters() + static_cast<double>(fit.coasts.size());
  return sum + aicc_penalty(k, n);
}

namespace {

// True when `b` describes the runs better than `a`.
bool second_is_better(CoastFit& a, CoastFit& b) {
  if (!b.usable) return false;
  if (!a.usable) return true;
  const bool rows = a.coasts.front().from_rows;
  const bool first = rows ? a.degrees_of_freedom + a.problem->parameters() >
                                b.degrees_of_freedom + b.problem->parameters()
                          : a.solution.rss < b.solution.rss;
  const CoastFit& judge = first ? a : b;
  a.score = corrected_akaike(a, judge);
  b.score = corrected_akaike(b, judge);
  return b.score < a.score;
}

// A drag that is one at all of the speeds.
bool is_drag(const std::array<double, 3>& drag, const std::vector<Coast>& coasts) {
  double high = 0;
  for (const Coast& coast : coasts) high = std::max(high, coast.speed_high);
  for (const double share : {0.0, 0.25, 0.5, 0.75, 1.0}) {
    const double w = share * high;
    if (!(drag[0] + w * (drag[1] + w * drag[2]) > 0)) return false;
  }
  return true;
}

// A ripple has eight amplitudes in each run: fewer values would follow anything.
constexpr std::size_t kLeastForRipple = 32;
// One or two marks a turn see a ripple always at the same places of its turn.
constexpr int kMarksForRipple = 3;
constexpr int kOwnWithRipple = 10;  // beside the marks' places

bool has_edges_for(const Coast& coast, double each) {
  const int own = kOwnWithRipple + std::max(0, coast.slots - 1);
  return static_cast<double>(coast.size()) >= each * own;
}

bool shows_ripple(const std::vector<Coast>& coasts) {
  return std::all_of(coasts.begin(), coasts.end(), [](const Coast& coast) {
    const bool few_marks = coast.pulses > 0 && coast.pulses < kMarksForRipple;
    if (coast.from_rows) return coast.size() >= kLeastForRipple && !few_marks;
    return !coast.by_edges ||
           (coast.pulses >= kMarksForRipple && has_edges_for(coast, kEdgesForEach));
  });
}

bool any_with_few_edges(const std::vector<Coast>& coasts) {
  return std::any_of(coasts.begin(), coasts.end(), [](const Coast& coast) {
    return coast.by_edges && !has_edges_for(coast, kEnoughForEach);
  });
}

}  // namespace

FittedCoasts fit_with_or_without_ripple(const std::vector<Coast>& coasts, CoastOptions without,
                                        double unit, const std::optional<Prior>& inertia,
                                        const std::function<bool(const CoastFit&)>& hopeless,
                                        const CoastFit* near) {
  without.ripple = without.stribeck = false;
  FittedCoasts plain = fit_coasts(coasts, without, unit, inertia, near);
  if (plain->usable && !shows_ripple(coasts)) return plain;
  if (hopeless && hopeless(*plain)) return plain;
  CoastOptions options = without;
  options.ripple = true;
  if (!plain->usable) return fit_coasts(coasts, options, unit, inertia, near);
  const Eigen::VectorXd& x = plain->solution.parameters;
  if (is_drag({x[0], x[1], x[2]}, coasts)) options.known_drag = {x[0], x[1], x[2], x[3]};
  FittedCoasts ripple = fit_coasts(coasts, options, unit, inertia, plain.get());
  if (options.known_drag) {
    options.ripple_of_drag = true;
    FittedCoasts share = fit_coasts(coasts, options, unit, inertia, plain.get());
    if (second_is_better(*ripple, *share)) ripple = std::move(share);
  }
  const bool better = second_is_better(*plain, *ripple);
  const bool clear = !any_with_few_edges(coasts) || ripple->score < plain->score - kClearRipple;
  return better && clear ? std::move(ripple) : std::move(plain);
}

FittedCoasts fit_with_or_without_rise(const std::vector<Coast>& coasts,
                                      std::optional<bool> stribeck, FittedCoasts straight,
                                      double unit, const std::optional<Prior>& inertia,
                                      std::string& choice) {
  const bool with_ripple = straight->options.ripple && !coasts.front().by_turns();
  choice = with_ripple ? "ripple of the turn in the model" : "no ripple of the turn to be seen";
  if (stribeck && !*stribeck) return straight;
  CoastOptions with_rise = straight->options;
  with_rise.stribeck = true;
  FittedCoasts rise =
      fit_coasts(coasts, with_rise, unit, inertia, straight->usable ? straight.get() : nullptr);
  if (stribeck) return rise->usable ? std::move(rise) : std::move(straight);
  // A bend in the upper half of the speeds is something else, whatever it is called.
  const auto near_standstill = [&] {
    return std::exp(rise->solution.parameters[5]) < coasts.front().speed_high / 2;
  };
  const bool clear =
      second_is_better(*straight, *rise) && straight->usable &&
      rise->score < straight->score - (any_from_rows(coasts) ? kClearByRows : kClear) &&
      rise->solution.parameters[4] > 0 && near_standstill();
  choice += clear ? fmt::format("; a rise near standstill, AICc better by {:.0f}",
                                straight->score - rise->score)
                  : "; no rise near standstill to be seen";
  return clear ? std::move(rise) : std::move(straight);
}

namespace {

// The share of what c₀, c₁, c₂ are uncertain by, in the mean, that is due to what wanders along the
// runs.
double share_of_wander(CoastFit& fit) {
  const auto whiten_by = [&](bool wander) {
    for (Coast& coast : fit.coasts) {
      if (!coast.from_rows) continue;
      RowNoise noise = coast.noise;
      if (!wander) noise.wander = 0;
      coast.whitener = Whitener(coast.series, noise);
    }
  };
  whiten_by(false);
  Eigen::VectorXd r(fit.problem->count());
  Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor> lines(
      fit.problem->count(), fit.problem->parameters());
  const bool known = fit.problem->evaluate(fit.solution.parameters.data(), r.data(), lines.data());
  whiten_by(true);
  if (!known) return 1;
  const Eigen::MatrixXd without = inverse_of(lines.transpose() * lines);
  double share = 0;
  for (int i = 0; i < 3; ++i)
    share += std::clamp(1 - without(i, i) / fit.solution.inverse_normal(i, i), 0.0, 1.0) / 3;
  return std::isfinite(share) ? share : 1;
}

// Satterthwaite's: what wanders is told by parts of the runs, the rest by single values.
double freedom_of_counts(CoastFit& fit) {
  double values = 0;
  for (const Coast& coast : fit.coasts)
    for (const double weight : coast.weight) values += weight;
  const double of_values = std::max(3.0, values - fit.problem->parameters());
  const double share = share_of_wander(fit);
  return std::min(of_values,
                  1 / (share * share / freedom(fit) + (1 - share) * (1 - share) / of_values));
}

}  // namespace

void final_fit(CoastFit& fit) {
  update_row_noise(fit, kMemoryToReport);
  fit.solution = quick_fit(*fit.problem, fit.solution.parameters,
                           {.max_iterations = kLastSteps, .tolerance = kLastTolerance});
  std::vector<double> residuals(static_cast<std::size_t>(fit.problem->count()));
  fit.usable = fit.problem->evaluate(fit.solution.parameters.data(), residuals.data(), nullptr) &&
               std::all_of(residuals.begin(), residuals.end(),
                           [](double residual) { return std::isfinite(residual); });
  if (!fit.usable) return;
  fit.degrees_of_freedom = freedom(fit);
  NonlinearOptions last;
  last.near = true;
  last.kinked = any_from_rows(fit.coasts);  // where ages reach their bound
  if (last.kinked) last.max_iterations = kLastSteps;
  fit.solution = fit_nonlinear(*fit.problem, fit.solution.parameters, last);
  fit.usable = fit.solution.inverse_normal.allFinite();
  const bool counts = std::all_of(fit.coasts.begin(), fit.coasts.end(),
                                  [](const Coast& coast) { return coast.count > 0; });
  if (fit.usable && counts) fit.degrees_of_freedom = freedom_of_counts(fit);
}

double deviance_of_course(const CoastFit& fit) {
  double sum = 2.0 * (fit.problem->common() + static_cast<double>(fit.coasts.size()));
  for (std::size_t j = 0; j < fit.coasts.size(); ++j) {
    const Coast& coast = fit.coasts[j];
    if (!coast.from_rows) continue;
    const std::vector<double> r = fit.problem->shown_residuals(fit.solution.parameters, j);
    const std::size_t blocks = std::clamp<std::size_t>(r.size() / kValuesInBlock, 6, kMostBlocks);
    const double end = coast.series.time_s.back(), begin = coast.series.time_s.front();
    std::vector<double> means(blocks, 0.0), lengths(blocks, 0.0);
    for (std::size_t i = 0; i < r.size(); ++i) {
      if (coast.weight[i] == 0) continue;
      const double share = (coast.series.time_s[i] - begin) / (end - begin);
      const auto at =
          std::min(blocks - 1, static_cast<std::size_t>(share * static_cast<double>(blocks)));
      means[at] += r[i] * coast.series.window_s[i];
      lengths[at] += coast.series.window_s[i];
    }
    double squares = 0, counted = 0;
    for (std::size_t b = 0; b < blocks; ++b) {
      if (!(lengths[b] > 0)) continue;
      squares += std::pow(means[b] / lengths[b], 2);
      counted += 1;
    }
    const double floor = std::pow(kRowFloor * coast.speed_high, 2);
    sum += counted * std::log(squares / counted + floor);
  }
  return sum;
}

namespace {

// The mean of neighbouring residuals, and the variance that the noise gives it.
struct MeanResidual {
  double mean = 0, variance = 0;
};

std::vector<MeanResidual> course_of(const CoastFit& fit, std::size_t j) {
  const Coast& coast = fit.coasts[j];
  const std::vector<double> r = fit.problem->plain_residuals(fit.solution.parameters, j);
  const std::size_t count = std::clamp<std::size_t>(r.size() / kValuesInBlock, 6, kMostBlocks);
  std::vector<MeanResidual> course;
  for (std::size_t b = 0; b < count; ++b) {
    double sum = 0, own = 0, time = 0, n = 0;
    for (std::size_t i = b * r.size() / count; i < (b + 1) * r.size() / count; ++i) {
      if (coast.weight[i] == 0) continue;
      const double share = coast.noise.relative * coast.series.speed[i];
      sum += r[i];
      own += coast.noise.constant * coast.noise.constant + share * share +
             std::pow(coast.noise.timing * coast.series.timing_of(i), 2);
      time += coast.series.window_s[i];
      n += 1;
    }
    if (n < 1) continue;
    const double ends = 2 * std::pow(coast.noise.angle / time, 2);
    const double wander =
        coast.noise.wander * coast.noise.wander * std::min(1.0, 2 * coast.noise.memory_s / time);
    course.push_back({sum / n, own / (n * n) + ends + wander});
  }
  return course;
}

}  // namespace

double unexplained_course(const CoastFit& fit) {
  double ratio = 0, blocks = 0;
  for (std::size_t j = 0; j < fit.coasts.size(); ++j)
    if (fit.coasts[j].from_rows)
      for (const MeanResidual& block : course_of(fit, j)) {
        ratio += block.mean * block.mean / block.variance;
        blocks += 1;
      }
  const double fitted = fit.problem->common() + static_cast<double>(fit.coasts.size());
  return blocks > fitted + 2 ? ratio / (blocks - fitted) : 1;
}

double course_rms(const CoastFit& fit) {
  double squares = 0, blocks = 0;
  for (std::size_t j = 0; j < fit.coasts.size(); ++j)
    if (fit.coasts[j].from_rows)
      for (const MeanResidual& block : course_of(fit, j)) {
        squares += std::pow(block.mean / fit.problem->shown_at_once(fit.solution.parameters, j), 2);
        blocks += 1;
      }
  return blocks > 0 ? std::sqrt(squares / blocks) : 0;
}

}  // namespace loadline
