#include "fit/motors/runs_apart.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>

#include "db/basis/estimate.h"
#include "fit/brake_runs/sweeps/brake_constants.h"
#include "fit/curves/copper.h"

namespace loadline {
namespace {

using namespace brake_chosen;

constexpr double kForSure = 3;  // standard deviations
constexpr double kSameSupply = 0.02;
// Between these shares of the top speed a start is neither its first instants nor its last creep.
constexpr double kFromShare = 0.2, kToShare = 0.7;

std::vector<RunLevel> over_first(std::vector<RunLevel> levels) {
  if (levels.size() < 2 || !(levels.front().torque > 0)) return {};
  const RunLevel first = levels.front();
  for (RunLevel& level : levels) {
    const double relative_sd = std::hypot(level.sd / level.torque, first.sd / first.torque);
    level.torque /= first.torque;
    level.sd = relative_sd * level.torque;
  }
  return levels;
}

// Regression of the torques on the curve's.
RunLevel level_of(const SweepFit& fit, std::size_t j) {
  const Sweep& sweep = fit.sweeps[j];
  const Eigen::VectorXd p = fit.shape->natural(fit.solution.parameters.head(fit.shape->size()));
  std::vector<double> curve, read;
  curve.reserve(sweep.rows.size());
  read.reserve(sweep.rows.size());
  double square = 0, product = 0, sum = 0;
  for (const SweepRow& row : sweep.rows) {
    curve.push_back(fit.shape->torque(p, row.speed, fit.problem->volts_ratio(row.volts), 0));
    read.push_back(row.torque + sweep.inertia.mean * row.acceleration);
    sum += curve.back();
    square += curve.back() * curve.back();
    product += curve.back() * read.back();
  }
  const double level = product / square;
  double left = 0;
  for (std::size_t i = 0; i < curve.size(); ++i) left += std::pow(read[i] - level * curve[i], 2);
  // The mean of n values that remember, and the zero, which moves on the way.
  const double values = static_cast<double>(curve.size()) / fit.problem->noise[j].correlation;
  const double scatter = std::sqrt(left / square / std::max(1.0, values));
  const double zero = std::hypot(fit.drift_sd, sweep.systematics.zero_nm) * sum / square;
  return {sweep.run, level, std::hypot(scatter, zero)};
}

double top_of(const RunUp& run) { return *std::max_element(run.speed.begin(), run.speed.end()); }

// When the run first reaches a speed; empty where it does not.
std::optional<double> time_at(const RunUp& run, double speed) {
  const auto middle = [&](std::size_t i) { return (run.start_s[i] + run.end_s[i]) / 2; };
  for (std::size_t i = 1; i < run.speed.size(); ++i)
    if (run.speed[i - 1] < speed && run.speed[i] >= speed)
      return middle(i - 1) + (middle(i) - middle(i - 1)) * (speed - run.speed[i - 1]) /
                                 (run.speed[i] - run.speed[i - 1]);
  return std::nullopt;
}

double mean_volts(const RunUp& run) {
  double sum = 0;
  for (const double volts : run.volts) sum += volts;
  return run.volts.empty() ? 1 : sum / static_cast<double>(run.volts.size());
}

std::string words(const char* run, const RunLevel& level, std::int64_t first) {
  return fmt::format("{} {} has {} % {} torque than run {} at the same speed", run, level.run,
                     significant(100 * std::fabs(level.torque - 1), 2),
                     level.torque > 1 ? "more" : "less", first);
}

bool is_apart(const RunLevel& level, double share) {
  const double apart = std::fabs(level.torque - 1);
  return apart > share && apart > kForSure * level.sd;
}

}  // namespace

std::vector<RunLevel> levels_of(const SweepFit& fit) {
  std::vector<RunLevel> levels;
  if (fit.sweeps.size() < 2) return levels;
  levels.reserve(fit.sweeps.size());
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) levels.push_back(level_of(fit, j));
  return over_first(std::move(levels));
}

std::vector<RunLevel> levels_of(const std::vector<RunUp>& runs) {
  std::vector<RunLevel> levels;
  if (runs.size() < 2) return levels;
  levels.reserve(runs.size());
  double top = top_of(runs.front());
  for (const RunUp& run : runs) top = std::min(top, top_of(run));
  const double volts = mean_volts(runs.front());
  for (const RunUp& run : runs) {
    const auto from = time_at(run, kFromShare * top), to = time_at(run, kToShare * top);
    if (!from || !to || std::fabs(mean_volts(run) / volts - 1) > kSameSupply) {
      if (levels.empty()) return {};
      continue;
    }
    const double torque = run.inertia.mean / (*to - *from);
    const double row = run.length_s / static_cast<double>(run.speed.size());
    levels.push_back({run.run, torque,
                      torque * std::hypot(run.inertia.sd / run.inertia.mean, row / (*to - *from))});
  }
  return over_first(std::move(levels));
}

std::string too_far_apart(const std::vector<RunLevel>& levels) {
  for (const RunLevel& level : levels)
    if (is_apart(level, kMostApart))
      return words("run", level, levels.front().run) +
             ", which no warmth of its winding explains: look at supply, cell and arm, and at the "
             "inertia of a spin-up, and set aside the run that is wrong";
  return "";
}

std::vector<std::string> said_apart(const std::vector<RunLevel>& levels) {
  std::vector<std::string> said;
  for (const RunLevel& level : levels)
    if (is_apart(level, kSaidApart) && !is_apart(level, kMostApart))
      said.push_back(
          words("Run", level, levels.front().run) +
          fmt::format(", as a winding some {:.0f} K {} would make it. If none was, supply, cell, "
                      "arm or inertia differed: set aside the run that is wrong.",
                      std::fabs(1 / level.torque - 1) / kCopperPerK,
                      level.torque > 1 ? "colder" : "warmer"));
  return said;
}

}  // namespace loadline
