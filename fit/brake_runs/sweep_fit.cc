#include "fit/brake_runs/sweep_fit.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>

#include "fit/brake_runs/sweeps/brake_constants.h"
#include "fit/equations/motor_constants.h"
#include "fit/equations/motor_equation.h"
#include "fit/readings/noise/noise.h"
#include "fit/readings/steady_points.h"

namespace loadline {
namespace {

using namespace brake_chosen;

constexpr int kFirstPasses = 2, kPasses = 4, kBeliefRounds = 4;
// By so much the torque at standstill must be larger than the greatest measured to be believed
// anew (by less, beliefs of some per cent hardly move), and as much as it may be at most.
constexpr double kOtherBelief = 1.3, kSameBelief = 1.05, kMostOverGreatest = 5;
// Relative change of the sum of squares that ends a pass, whose answer only feeds the next one.
constexpr double kQuick = 1e-6;

// Scale of the residuals about each value: that of the bulk, or of its stretch of the run where a
// brake chatters more than elsewhere. A knock is short against a stretch and does not raise it.
constexpr std::size_t kStretches = 30, kLeastStretch = 60;
std::vector<double> local_scale(const std::vector<double>& residuals, double bulk) {
  const std::size_t length = std::max(kLeastStretch, residuals.size() / kStretches);
  std::vector<double> scale(residuals.size(), bulk);
  for (std::size_t first = 0; first < residuals.size(); first += length) {
    const std::size_t last = std::min(first + length, residuals.size());
    if (last - first < kLeastStretch / 2) continue;
    const std::vector<double> part(residuals.begin() + static_cast<std::ptrdiff_t>(first),
                                   residuals.begin() + static_cast<std::ptrdiff_t>(last));
    const double own = robust_sd(part);
    for (std::size_t i = first; i < last; ++i) scale[i] = std::max(bulk, own);
  }
  return scale;
}

// Noise of one sweep from the present residuals. `floor` is what alignment and the file's digits
// leave unexplained even in perfect data.
void update_noise(SweepNoise& noise, const std::vector<double>& residuals, double fitted,
                  double floor) {
  // The scale from the bulk, then from all that keep their weight.
  const double bulk = std::max(robust_sd(residuals), kOutlierFloor / kNoiseFloor * floor);
  const std::vector<double> scale = local_scale(residuals, bulk);
  Reweighted kept = reweighted(residuals, scale, fitted);
  noise.weight = std::move(kept.weight);
  double factor = std::max(1.0, correlation_factor(kept.residual, fitted).factor);
  // In data this clean the pattern is the alignment's, not noise with a long memory.
  if (kept.variance < kCleanNoise * kCleanNoise * floor * floor)
    factor = std::min(factor, kCleanFactor);
  const NoiseLevel level = noise_above_floor(kept.variance, factor, floor);
  noise.sd = level.sd;
  noise.correlation = level.correlation;
}

// Of each point by what is stated beside its torque and its speed; empty unless all have it.
std::vector<double> stated_sd(const SweepFit& fit, std::size_t j) {
  const std::vector<SweepRow>& rows = fit.sweeps[j].rows;
  if (!fit.sweeps[j].typed || std::any_of(rows.begin(), rows.end(),
                                          [](const SweepRow& row) { return !(row.torque_sd > 0); }))
    return {};
  const Eigen::VectorXd p = fit.shape->natural(fit.solution.parameters.head(fit.shape->size()));
  MotorShape::Torque torque;
  std::vector<double> sd;
  for (const SweepRow& row : rows) {
    fit.shape->torque(p, row.speed, fit.problem->volts_ratio(row.volts), 0, torque);
    sd.push_back(std::hypot(row.torque_sd, torque.by_speed * row.speed_sd));
  }
  return sd;
}

// How much each point is likely to scatter where nothing is stated, up to a factor: by that share
// of the speed's error which explains most.
std::vector<double> likely_scatter(const SweepFit& fit, std::size_t j,
                                   const std::vector<double>& residuals) {
  std::vector<double> likely(residuals.size(), 1);
  double least = std::inner_product(residuals.begin(), residuals.end(), residuals.begin(), 0.0);
  for (const double share : motor_chosen::kSpeedShares) {
    std::vector<double> scatter = scatter_with(fit, j, share);
    double squares = 0;
    for (std::size_t i = 0; i < residuals.size(); ++i)
      squares += std::pow(residuals[i] / scatter[i], 2);
    if (squares >= least) continue;
    least = squares;
    likely = std::move(scatter);
  }
  return likely;
}

// How many of its parameters the readings determine, not the beliefs beside them. The rows are
// those that were solved: the problem may have been aligned anew since.
double effective_parameters(const SweepFit& fit) {
  const Eigen::Index beliefs = fit.problem->count() - fit.problem->data_rows();
  const Eigen::MatrixXd data =
      fit.solution.jacobian.topRows(fit.solution.jacobian.rows() - beliefs);
  return (fit.solution.inverse_normal * (data.transpose() * data)).trace();
}

// Typed points are no series in time: what remembers in them is their curve's shape, which the
// equation's own doubt holds already. They weigh as what is stated of them says, which scatter
// beyond it enlarges for all alike (Birge's ratio).
void update_point_noise(SweepNoise& noise, const std::vector<double>& residuals,
                        const std::vector<double>& stated, const std::vector<double>& likely,
                        double fitted, double floor) {
  const std::size_t n = residuals.size();
  double weights = 0;
  for (const double sd : stated) weights += 1 / (sd * sd);
  const double usual = stated.empty() ? 0 : std::sqrt(static_cast<double>(n) / weights);
  std::vector<double> alike(residuals);
  for (std::size_t i = 0; i < n; ++i)
    alike[i] *= stated.empty() ? 1 / likely[i] : usual / stated[i];
  // The scale of few values is itself hardly known, unless it is stated.
  const double few = stated.empty() ? 1 + kOfFew / static_cast<double>(n) : 1;
  const double bulk =
      std::max({few * robust_sd(alike), usual, kOutlierFloor / kNoiseFloor * floor});
  const Reweighted kept = reweighted(alike, std::vector<double>(n, bulk), fitted);
  noise.weight = noise.belongs = kept.weight;
  for (std::size_t i = 0; i < stated.size(); ++i)
    noise.weight[i] *= usual * usual / (stated[i] * stated[i]);
  const double freedom = std::max(1.0, static_cast<double>(n) - fitted);
  double variance = kept.variance;
  if (stated.empty()) {
    double squares = 0, weight = 0;
    for (std::size_t i = 0; i < n; ++i) {
      squares += kept.weight[i] * residuals[i] * residuals[i];
      weight += kept.weight[i];
    }
    variance = squares / std::max(1.0, weight - fitted);
  }
  noise.stated = usual > 0 && borne_out(freedom * variance / (usual * usual), freedom);
  noise.sd = std::hypot(noise.stated ? usual : std::sqrt(variance), floor);
  noise.correlation = 1;
}

// Where the search begins is found on few rows, evenly taken from each sweep.
constexpr std::size_t kRowsOfStarts = 200;
std::vector<Sweep> few_rows(const std::vector<Sweep>& sweeps) {
  std::vector<Sweep> few = sweeps;
  for (Sweep& sweep : few) {
    const std::size_t step = std::max<std::size_t>(1, sweep.rows.size() / kRowsOfStarts);
    std::size_t kept = 0;
    for (std::size_t i = 0; i < sweep.rows.size(); i += step) sweep.rows[kept++] = sweep.rows[i];
    sweep.rows.resize(kept);
  }
  return few;
}

// The best of what the shape's starts lead to; `rss` stays kUndefined when none of them is defined.
NonlinearFit best_of_starts(const SweepProblem& problem, const MotorShape& shape) {
  NonlinearFit best;
  best.rss = kUndefined;
  for (const Eigen::VectorXd& start : shape.starts()) {
    Eigen::VectorXd x = Eigen::VectorXd::Zero(problem.parameters());
    x.head(shape.size()) = start;
    NonlinearFit fit =
        quick_fit(problem, x, {.max_iterations = 25, .tolerance = 1e-4, .geodesic = true});
    if (fit.rss < best.rss) best = std::move(fit);
  }
  return best;
}

void realign(SweepFit& fit, const SweepFitInput& input) {
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
    const double lag = fit.problem->nuisance(fit.solution.parameters, j, SweepProblem::kLag);
    const double turns = fit.problem->nuisance(fit.solution.parameters, j, SweepProblem::kTurnLag);
    const BenchRun& run = *input.runs[j];
    if (std::fabs(lag - fit.sweeps[j].lag_s) < kSameLag * run.readings.torque_interval_s &&
        std::fabs(turns - fit.sweeps[j].turns) < kSameTurns)
      continue;
    align(fit.sweeps[j], run.readings, run.speed, lag, turns);
  }
}

std::unique_ptr<SweepProblem> make_problem(const SweepFit& fit, const std::vector<Sweep>& sweeps,
                                           const SweepFitInput& input) {
  return std::make_unique<SweepProblem>(*fit.shape, sweeps, input.no_load, input.reference_v,
                                        fit.drift_sd, fit.heat_sd);
}

void realign_all(SweepFit& fit, const SweepFitInput& input) {
  realign(fit, input);
  fit.problem = make_problem(fit, fit.sweeps, input);
}

// From single values, which show best what belongs to no curve, to means under windows.
void average_all(SweepFit& fit, const SweepFitInput& input) {
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
    const BenchRun& run = *input.runs[j];
    take_means(fit.sweeps[j], fit.problem->noise[j].weight, run.readings, run.speed);
  }
  fit.problem = make_problem(fit, fit.sweeps, input);
}

// The first answer, from nothing but the shape's starts.
void search(SweepFit& fit, const SweepFitInput& input, double sd) {
  const std::vector<Sweep> few = few_rows(fit.sweeps);
  const auto few_problem = make_problem(fit, few, input);
  fit.problem = make_problem(fit, fit.sweeps, input);
  for (SweepProblem* problem : {few_problem.get(), fit.problem.get()})
    for (SweepNoise& noise : problem->noise) noise.sd = sd;
  fit.solution = best_of_starts(*few_problem, *fit.shape);
  if (fit.solution.rss < kUndefined)
    fit.solution = quick_fit(*fit.problem, fit.solution.parameters,
                             {.max_iterations = 300, .tolerance = kQuick, .geodesic = true});
}

// What is believed of friction and iron are shares of the torque at standstill, of which readings
// that begin far above it hold only a part: then the fit itself says how large it is.
void search_with_beliefs(SweepFit& fit, const SweepFitInput& input, const ShapeMaker& make,
                         const SweepScale& scale) {
  SweepScale believed = scale;
  for (int round = 0;; ++round) {
    fit.shape = make(believed);
    search(fit, input, kFirstNoise * scale.torque);
    if (round == kBeliefRounds || fit.shape->prior_root().rows() == 0 ||
        !(fit.solution.rss < kUndefined))
      return;
    const double standstill = fit.shape->torque(
        fit.shape->natural(fit.solution.parameters.head(fit.shape->size())), 0, 1, 0);
    const double next = std::min(standstill, kMostOverGreatest * scale.torque);
    if (!(next > (round == 0 ? kOtherBelief : kSameBelief) * believed.torque)) return;
    believed.torque = next;
  }
}

// What the answer would do if every torque were larger by a unit share, or a run's zero by 1 N·m.
void find_sensitivities(SweepFit& fit) {
  fit.by_zero.clear();
  fit.by_bow.clear();
  const Eigen::MatrixXd& jacobian = fit.solution.jacobian;
  const Eigen::MatrixXd gain = fit.solution.inverse_normal * jacobian.transpose();
  Eigen::VectorXd scale = Eigen::VectorXd::Zero(jacobian.rows());
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
    Eigen::VectorXd zero = Eigen::VectorXd::Zero(jacobian.rows()), bow = zero;
    for (std::size_t i = 0; i < fit.sweeps[j].rows.size(); ++i) {
      const Eigen::Index at = fit.problem->row_of(j) + static_cast<Eigen::Index>(i);
      zero[at] = fit.unit(j, i);
      scale[at] = zero[at] * fit.sweeps[j].rows[i].torque;
      bow[at] = zero[at] * std::sin(std::numbers::pi * fit.sweeps[j].rows[i].share);
    }
    fit.by_zero.push_back(gain * zero);
    fit.by_bow.push_back(gain * bow);
  }
  fit.by_torque_scale = gain * scale;
}

void add_systematics(SweepFit& fit) {
  find_sensitivities(fit);
  // Slope and arm are the rig's: the same error in every run. The zero is each run's own.
  double scale_sd = 0;
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
    const TorqueSystematics& s = fit.sweeps[j].systematics;
    scale_sd = std::max(scale_sd, std::hypot(s.slope_relative, s.arm_relative));
    fit.covariance += s.zero_nm * s.zero_nm * fit.by_zero[j] * fit.by_zero[j].transpose();
    fit.covariance += fit.bow_sd * fit.bow_sd * fit.by_bow[j] * fit.by_bow[j].transpose();
  }
  fit.covariance += scale_sd * scale_sd * fit.by_torque_scale * fit.by_torque_scale.transpose();
}

// A run whose torques are all larger or smaller together than the others' is not of their curve;
// how much runs scatter so goes into the curve that all of them gave.
void add_levels(SweepFit& fit) {
  const auto runs = static_cast<Eigen::Index>(fit.sweeps.size());
  fit.of_levels = Eigen::MatrixXd::Zero(fit.covariance.rows(), fit.covariance.cols());
  if (runs < 2) return;
  // Levels, then what is known to differ from run to run anyway: zeros and their bows, and the
  // first run's warmth, which the curve stands for, as that of the others.
  Eigen::MatrixXd columns = Eigen::MatrixXd::Zero(fit.solution.jacobian.rows(), 3 * runs + 1);
  Eigen::VectorXd others(2 * runs + 1);
  columns.col(3 * runs) =
      fit.solution.jacobian.col(fit.problem->column_of(0) + SweepProblem::kWarm) /
      fit.problem->nuisance_sd_before(0, SweepProblem::kWarm);
  columns.col(3 * runs).tail(columns.rows() - fit.problem->data_rows()).setZero();
  others[2 * runs] = std::pow(fit.problem->nuisance_sd_before(1, SweepProblem::kWarm), 2);
  for (Eigen::Index j = 0; j < runs; ++j) {
    const auto at = static_cast<std::size_t>(j);
    const Sweep& sweep = fit.sweeps[at];
    // Of the torque as fitted: what is read holds the noise that the residuals are made of.
    const std::vector<double> left = fit.problem->plain_residuals(fit.solution.parameters, at);
    for (std::size_t i = 0; i < sweep.rows.size(); ++i) {
      const Eigen::Index row = fit.problem->row_of(at) + static_cast<Eigen::Index>(i);
      const double unit = fit.unit(at, i);
      columns(row, j) = unit * (sweep.rows[i].torque + left[i]);
      columns(row, runs + j) = unit;
      columns(row, 2 * runs + j) = unit * std::sin(std::numbers::pi * sweep.rows[i].share);
    }
    others[j] = sweep.systematics.zero_nm * sweep.systematics.zero_nm;
    others[runs + j] = fit.bow_sd * fit.bow_sd;
  }
  const EffectsBeside levels = without_others(effects_beside(fit.solution, columns), runs, others);
  if (!levels.information.allFinite() || !levels.right.allFinite()) return;
  const LevelData data = level_data(levels, fit.session_of);
  fit.levels = scatter_of(data);
  fit.of_levels = covariance_of_levels(data, fit.levels, levels.by_effect);
  fit.covariance += fit.of_levels;
}

double rms_of_singles(const SweepFit& fit) {
  double squares = 0, kept = 0;
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
    const std::vector<double> r = fit.problem->single_residuals(fit.solution.parameters, j);
    for (std::size_t i = 0; i < r.size(); ++i) {
      squares += fit.single_weight(j, i) * r[i] * r[i];
      kept += fit.single_weight(j, i);
    }
  }
  return kept > 0 ? std::sqrt(squares / kept) : 0;
}

std::optional<SweepFit::OfStated> of_stated(const SweepFit& fit) {
  SweepFit::OfStated sums;
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
    const std::vector<double> sd = stated_sd(fit, j);
    if (sd.empty()) return std::nullopt;
    const std::vector<double> r = fit.problem->plain_residuals(fit.solution.parameters, j);
    for (std::size_t i = 0; i < r.size(); ++i) {
      const double belongs = fit.problem->noise[j].belongs[i];
      sums.squares += belongs * r[i] * r[i] / (sd[i] * sd[i]);
      sums.logs += belongs * 2 * std::log(sd[i]);
    }
  }
  return sums;
}

void finish(SweepFit& fit) {
  fit.of_stated = of_stated(fit);
  fit.natural = fit.shape->natural(fit.solution.parameters.head(fit.shape->size()));
  fit.natural_by_internal =
      fit.shape->natural_by_internal(fit.solution.parameters.head(fit.shape->size()));
  fit.covariance = fit.solution.inverse_normal;
  fit.effective_parameters = effective_parameters(fit);
  double squares = 0, kept = 0;
  fit.effective_values = 0;
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
    const std::vector<double> r = fit.problem->plain_residuals(fit.solution.parameters, j);
    const SweepNoise& noise = fit.problem->noise[j];
    double own = 0;
    for (std::size_t i = 0; i < r.size(); ++i) {
      squares += noise.weight[i] * r[i] * r[i];
      own += noise.weight[i];
    }
    kept += own;
    fit.effective_values += own / noise.correlation;
  }
  fit.rms = kept > 0 ? std::sqrt(squares / kept) : 0;
  fit.single_rms = rms_of_singles(fit);
  fit.degrees_of_freedom = std::max(3.0, fit.effective_values - fit.effective_parameters);
  if (std::all_of(fit.problem->noise.begin(), fit.problem->noise.end(),
                  [](const SweepNoise& noise) { return noise.stated; }))
    fit.degrees_of_freedom = kStatedFreedom;
}

}  // namespace

SweepScale sweep_scale(const std::vector<Sweep>& sweeps) {
  std::vector<double> torques, speeds;
  for (const Sweep& sweep : sweeps)
    for (const SweepRow& row : sweep.rows) {
      torques.push_back(row.torque + sweep.inertia.mean * row.acceleration);
      speeds.push_back(row.speed);
    }
  if (torques.empty()) return {};
  const auto at = [](std::vector<double>& v, double share) {
    const auto i = static_cast<std::ptrdiff_t>(share * static_cast<double>(v.size() - 1));
    std::nth_element(v.begin(), v.begin() + i, v.end());
    return v[static_cast<std::size_t>(i)];
  };
  return {at(torques, 0.98), at(speeds, 0.995), at(speeds, 0.005)};
}

std::vector<double> scatter_with(const SweepFit& fit, std::size_t j, double share) {
  const Eigen::VectorXd p = fit.shape->natural(fit.solution.parameters.head(fit.shape->size()));
  const double greatest = sweep_scale(fit.sweeps).torque;
  MotorShape::Torque torque;
  std::vector<double> scatter;
  scatter.reserve(fit.sweeps[j].rows.size());
  double logs = 0;
  for (const SweepRow& row : fit.sweeps[j].rows) {
    fit.shape->torque(p, row.speed, fit.problem->volts_ratio(row.volts), 0, torque);
    scatter.push_back(std::hypot(1, share * torque.by_speed * row.speed / greatest));
    logs += std::log(scatter.back());
  }
  const double mean = std::exp(logs / static_cast<double>(scatter.size()));
  for (double& one : scatter) one /= mean;
  return scatter;
}

double SweepFit::unit(std::size_t j, std::size_t i) const {
  const SweepNoise& noise = problem->noise[j];
  return std::sqrt(noise.weight[i] / noise.correlation) / noise.sd;
}

double SweepFit::single_weight(std::size_t j, std::size_t i) const {
  if (sweeps[j].typed) return problem->noise[j].belongs[i];
  if (sweeps[j].values.empty()) return problem->noise[j].weight[i];
  return sweeps[j].values[i].stray ? 0 : 1;
}

double SweepFit::lag_sd(std::size_t j) const {
  const int column = problem->column_of(j) + SweepProblem::kLag;
  const double sd = std::sqrt(std::max(0.0, covariance(column, column))) *
                    problem->nuisance_sd_before(j, SweepProblem::kLag);
  const double away =
      problem->nuisance(solution.parameters, j, SweepProblem::kLag) - sweeps[j].lag_s;
  return std::hypot(sd, away);
}

// What is linear in a delay is in the covariance. To second order a delay δ takes the share
// (Ωδ)²/2 off the swing of a sweep that goes up and down as cos Ωt, and where inertia and lag make
// up for each other nothing tells that from a flatter curve. A mean over L takes (ΩL)²/24: of the
// time between rows, by either instrument. A cell that is late by δ takes no more than a filter of
// first order, (Ωδ)²/2, three times what an even mean would. A parabola through speeds within h
// either way takes (Ωh)⁴/792 (biweight kernel, of which 1/33 is the fourth moment that a parabola
// leaves).
double SweepFit::blur(std::size_t j) const {
  const Sweep& sweep = sweeps[j];
  if (!(sweep.one_way_s > 0)) return 0;
  const double omega = std::numbers::pi / sweep.one_way_s;
  const auto square = [](double x) { return x * x; };
  const double lag = problem->nuisance(solution.parameters, j, SweepProblem::kLag);
  double blur = square(omega * 2 * lag_sd(j)) / 2 + square(omega * sweep.row_s) / 12;
  if (sweep.values.empty())
    blur += square(omega * 2 * lag) / 8 + square(square(omega * sweep.smooth_s)) / 792;
  return blur;
}

// Up and down together tell an inertia from the curve. One way only the equation does, and nothing
// says that it is so exact.
double SweepFit::unknown_inertia(std::size_t j) const {
  const Sweep& sweep = sweeps[j];
  if (sweep.inertia_given || !sweep.one_way()) return 0;
  return sweep.inertia.sd * sweep.acceleration_scale / sweep_scale(sweeps).torque;
}

std::unique_ptr<SweepFit> fit_sweeps(const ShapeMaker& make, const SweepFitInput& input) {
  auto result = std::make_unique<SweepFit>();
  SweepFit& fit = *result;
  for (const BenchRun* run : input.runs)
    fit.sweeps.push_back(make_sweep(run->readings, run->speed, input.options));
  fit.session_of = input.session_of;
  fit.session_of.resize(fit.sweeps.size(), 0);
  const SweepScale scale = sweep_scale(fit.sweeps);
  // A run that saw only the fast end saw only small torques; its zero wanders like any other's.
  const double reach = 1 + 2 * std::max(0.0, scale.lowest) / scale.speed;
  fit.drift_sd = input.options.correct_drift ? kDriftShare * reach * scale.torque : 1e-12;
  fit.bow_sd = kBowShare * fit.drift_sd;
  fit.heat_sd = input.options.correct_drift ? kHeatSd : 1e-9;
  search_with_beliefs(fit, input, make, scale);
  if (!(fit.solution.rss < kUndefined)) return result;
  // First with single values as noisy as they look and no memory: the data lead, the priors hardly
  // count, and what is left over is noise. Only the last fit weighs values by how long the noise
  // remembers; judging the noise again from it would take the priors' pull for noise, and feed it.
  const double fitted = 2 + fit.shape->size();
  const double floor = kNoiseFloor * scale.torque;
  const auto judge = [&](bool with_memory) {
    for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
      SweepNoise& noise = fit.problem->noise[j];
      if (fit.sweeps[j].typed) {
        const double share = static_cast<double>(fit.sweeps[j].rows.size()) /
                             static_cast<double>(fit.problem->data_rows());
        const std::vector<double> residuals =
            fit.problem->plain_residuals(fit.solution.parameters, j);
        const std::vector<double> stated = stated_sd(fit, j);
        update_point_noise(
            noise, residuals, stated,
            stated.empty() ? likely_scatter(fit, j, residuals) : std::vector<double>(),
            effective_parameters(fit) * share, floor);
        continue;
      }
      update_noise(noise, fit.problem->plain_residuals(fit.solution.parameters, j), fitted, floor);
      if (!with_memory) noise.correlation = 1;
    }
  };
  const auto refit = [&] {
    fit.solution = quick_fit(*fit.problem, fit.solution.parameters,
                             {.max_iterations = 100, .tolerance = kQuick, .geodesic = true});
  };
  for (int pass = 0; pass < kFirstPasses; ++pass) {
    if (pass > 0) realign_all(fit, input);
    judge(false);
    refit();
  }
  judge(false);
  average_all(fit, input);
  for (int pass = 0; pass < kPasses; ++pass) {
    if (pass > 0) realign_all(fit, input);
    judge(pass + 1 == kPasses);
    refit();
  }
  if (!fit.solution.inverse_normal.allFinite()) return result;
  finish(fit);
  fit.usable = true;
  return result;
}

std::unique_ptr<SweepFit> fit_sweeps(const std::string& model, const SweepFitInput& input) {
  return fit_sweeps(
      [&](const SweepScale& scale) { return motor_equation(model)->shape(scale, input.own_drag); },
      input);
}

bool final_fit(SweepFit& fit) {
  NonlinearOptions options;
  options.near = true;
  fit.solution = quick_fit(*fit.problem, fit.solution.parameters,
                           {.max_iterations = 100, .tolerance = 1e-14, .geodesic = true});
  fit.solution = fit_nonlinear(*fit.problem, fit.solution.parameters, options);
  fit.usable = fit.solution.inverse_normal.allFinite();
  if (!fit.usable) return false;
  finish(fit);
  add_systematics(fit);
  add_levels(fit);
  return true;
}

}  // namespace loadline
