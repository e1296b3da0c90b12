#include "fit/motors/motor_models.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"
#include "fit/brake_runs/open_terms.h"
#include "fit/equations/motor_equation.h"
#include "fit/readings/noise/noise.h"
#include "fit/solver/aicc.h"

namespace loadline {

namespace {

// A rotating field of f periods a second turns at most f times (two poles; IEC 60034-1 gives 3,000
// and 3,600 rpm at 50 and 60 Hz; from memory). Instruments are off by less than a twentieth.
double fastest_field(const Part& motor) {
  constexpr double kHighestMainsHz = 60, kOff = 1.05;
  return kOff * 2 * kPi * std::max(kHighestMainsHz, motor.number("rated-hz").value_or(0));
}

// Speed that a tenth of the readings reach: a pulse counted twice makes faster ones.
double usual_top(const Readings& readings) {
  std::vector<double> speeds = readings.motor.speed;
  std::erase_if(speeds, [](double speed) { return std::isnan(speed); });
  if (speeds.empty()) return 0;
  const auto at = speeds.begin() + static_cast<std::ptrdiff_t>((speeds.size() - 1) * 9 / 10);
  std::nth_element(speeds.begin(), at, speeds.end());
  return *at;
}

bool are_sweeps(const std::vector<const Readings*>& runs) {
  return std::all_of(runs.begin(), runs.end(), [](const Readings* readings) {
    return readings->run.kind == RunKind::kBrake && readings->points.empty();
  });
}

}  // namespace

std::vector<std::string> models_to_try(const MotorFitOptions& options, const Part& motor,
                                       const std::vector<const Readings*>& runs) {
  // The spline takes its torques through the equation that describes them best.
  if (options.model && *options.model != "smooth") return {*options.model};
  const auto type = motor.text("type");
  const bool sweeps = are_sweeps(runs);
  const bool too_fast = is_of_unknown_type(motor) &&
                        std::any_of(runs.begin(), runs.end(), [&](const Readings* readings) {
                          return usual_top(*readings) > fastest_field(motor);
                        });
  std::vector<std::string> names;
  for (const MotorEquation& equation : motor_equations())
    if (!(equation.only_of_type && equation.of_type != type) &&
        !(equation.only_sweeps && !sweeps) && !(too_fast && equation.speeds_by_frequency > 0))
      names.push_back(equation.name);
  return names;
}

bool is_of_unknown_type(const Part& motor) {
  const auto type = motor.text("type");
  return !type || *type == "unknown";
}

std::vector<std::string> further_of_the_kind(const std::string& model,
                                             const std::vector<std::string>& tried) {
  std::vector<std::string> names;
  for (const MotorEquation& equation : motor_equations())
    if (equation.only_of_type && equation.of_type == model &&
        std::find(tried.begin(), tried.end(), equation.name) == tried.end())
      names.push_back(equation.name);
  return names;
}

bool is_of_type(const std::string& model, const std::string& type) {
  const MotorEquation* equation = motor_equation(model);
  return model == type || (equation && equation->of_type == type);
}

double runs_z_over_speed(const SweepFit& fit, const ResidualsOfRun& residuals) {
  std::vector<std::pair<double, double>> by_speed;
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
    const std::vector<double> r = residuals(j);
    // Means over stretches as long as the noise remembers: nearly independent values.
    const auto stretch = static_cast<std::size_t>(std::ceil(fit.problem->noise[j].correlation));
    for (std::size_t at = 0; at + stretch <= r.size(); at += stretch) {
      double sum = 0;
      for (std::size_t i = at; i < at + stretch; ++i) sum += r[i];
      by_speed.emplace_back(fit.sweeps[j].rows[at + stretch / 2].speed, sum);
    }
  }
  std::sort(by_speed.begin(), by_speed.end());
  std::vector<double> ordered;
  ordered.reserve(by_speed.size());
  for (const auto& [speed, r] : by_speed) ordered.push_back(r);
  return runs_test_z(ordered);
}

double aicc(double values, double rms, double parameters) {
  const double k = parameters + 1;
  const double n = std::max(values, k + 2);
  return n * std::log(std::max(rms * rms, 1e-24)) + aicc_penalty(k, n);
}

namespace {

double runs_z_over_speed(const SweepFit& fit) {
  return runs_z_over_speed(fit, [&](std::size_t run) {
    return fit.problem->plain_residuals(fit.solution.parameters, run);
  });
}

// What a fit asks of its runs' drift, warmth, lag and the like against what is usual, as −2 ln of
// its probability: an equation that follows them only by something unlikely is less likely for it.
double cost_beside_curve(const SweepFit& fit) {
  return fit.solution.parameters.tail(fit.problem->parameters() - fit.shape->size()).squaredNorm();
}

// Points typed one by one are as many as they are. With stated uncertainties their deviance is
// known but for what they scatter beyond these, by the equation that leaves least (Burnham and
// Anderson's QAIC, from memory); else the penalty counts as of a few points more, where the last
// ones would forbid any equation but the simplest.
std::vector<double> criteria_of_points(const std::vector<MotorCandidate>& candidates) {
  constexpr double kLeastFreedom = 3;
  double values = 0, least = 1e300, beyond = 1e300;
  for (const MotorCandidate& c : candidates) {
    if (!c.fit->usable) continue;
    if (c.fit->rms < least) values = c.fit->effective_values;
    least = std::min(least, c.fit->rms);
    if (c.fit->of_stated)
      beyond = std::min(beyond,
                        c.fit->of_stated->squares /
                            std::max(1.0, c.fit->effective_values - c.fit->effective_parameters));
  }
  std::vector<double> criteria;
  criteria.reserve(candidates.size());
  for (const MotorCandidate& c : candidates) {
    criteria.push_back(1e300);
    if (!c.fit->usable) continue;
    const double squares = std::max(c.fit->rms * c.fit->rms, 1e-24);
    for (const TermsTaken& terms : ways_with_terms(*c.fit, c.tried.name)) {
      const double k = c.fit->effective_parameters + terms.count + 1;
      const auto& stated = c.fit->of_stated;
      criteria.back() = std::min(
          criteria.back(),
          stated ? terms.left * stated->squares / std::max(1.0, beyond) + stated->logs + 2 * k
                 : values * std::log(terms.left * squares) +
                       aicc_penalty(k, std::max(values, k + 1 + kLeastFreedom)));
    }
  }
  return criteria;
}

std::vector<double> criteria_of(const std::vector<MotorCandidate>& candidates) {
  const auto& sweeps = candidates.front().fit->sweeps;
  if (std::all_of(sweeps.begin(), sweeps.end(), [](const Sweep& sweep) { return sweep.typed; }))
    return criteria_of_points(candidates);
  // The noise is judged by the model that leaves least of it.
  double values = 0, least = 1e300;
  for (const MotorCandidate& c : candidates)
    if (c.fit->usable && c.fit->rms < least) {
      least = c.fit->rms;
      values = std::max(c.fit->effective_values, motor_chosen::kLeastValues);
    }
  std::vector<double> criteria;
  criteria.reserve(candidates.size());
  for (const MotorCandidate& c : candidates)
    criteria.push_back(c.fit->usable ? aicc(values, c.fit->rms, c.fit->effective_parameters) +
                                           cost_beside_curve(*c.fit)
                                     : 1e300);
  return criteria;
}

// Fits the equations of these names besides the candidates, and puts all in order of AICc.
void try_models(std::vector<MotorCandidate>& candidates, const std::vector<std::string>& names,
                const SweepFitInput& input, const MotorFitOptions& options) {
  const std::size_t all = candidates.size() + names.size();
  for (const std::string& name : names) {
    MotorCandidate candidate{fit_sweeps(name, input), {}};
    candidate.tried.name = name;
    candidates.push_back(std::move(candidate));
    if (options.progress)
      options.progress(static_cast<double>(candidates.size()) / static_cast<double>(all));
  }
  const std::vector<double> criteria = criteria_of(candidates);
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    MotorCandidate& c = candidates[i];
    c.tried.residual_rms = c.fit->rms;
    c.tried.aicc = criteria[i];
    c.tried.runs_z = c.fit->usable ? runs_z_over_speed(*c.fit) : 0;
    c.tried.remark = !c.fit->usable        ? "did not converge on these data"
                     : c.tried.runs_z < -3 ? "its residuals keep a pattern over speed"
                                           : "its residuals show no pattern over speed";
  }
  std::stable_sort(
      candidates.begin(), candidates.end(),
      [](const MotorCandidate& a, const MotorCandidate& b) { return a.tried.aicc < b.tried.aicc; });
}

double lowest_share(const SweepFit& fit) {
  double low = 1e300, high = 0;
  for (const Sweep& sweep : fit.sweeps)
    for (const SweepRow& row : sweep.rows) {
      low = std::min(low, row.speed);
      high = std::max(high, row.speed);
    }
  return high > 0 ? low / high : 1;
}

// Ends the chosen fit; a model whose parameters the data do not determine gives way to the next.
void final_fit_of_first_that_can(std::vector<MotorCandidate>& candidates, const Part& motor) {
  std::string last;
  for (auto at = candidates.begin(); at != candidates.end() && at->fit->usable; ++at) {
    if (final_fit(*at->fit)) {
      std::rotate(candidates.begin(), at, at + 1);
      return;
    }
    at->tried.remark = "its parameters are not determined by these data";
    last = at->fit->solution.message;
  }
  throw Error(Fault::kInput,
              fmt::format("the brake runs of '{}' do not determine a curve: {}", motor.name, last));
}

}  // namespace

std::vector<MotorCandidate> choose_model(const SweepFitInput& input, const Part& motor,
                                         const MotorFitOptions& options) {
  std::vector<const Readings*> runs;
  runs.reserve(input.runs.size());
  for (const BenchRun* run : input.runs) runs.push_back(&run->readings);
  std::vector<MotorCandidate> candidates;
  const std::vector<std::string> names = models_to_try(options, motor, runs);
  try_models(candidates, names, input, options);
  if (!candidates.front().fit->usable)
    throw Error(Fault::kInput,
                fmt::format("no motor model describes the brake runs of '{}'; check the signs and "
                            "units of torque and speed.",
                            motor.name));
  const double lowest = lowest_share(*candidates.front().fit);
  prefer_known(candidates, motor, lowest);
  if (!options.model && are_sweeps(runs)) {
    const auto more = further_of_the_kind(candidates.front().tried.name, names);
    if (!more.empty()) {
      try_models(candidates, more, input, options);
      prefer_known(candidates, motor, lowest);
    }
  }
  final_fit_of_first_that_can(candidates, motor);
  return candidates;
}

std::string reason_for(const std::vector<ModelTried>& models, const MotorFitOptions& options,
                       const Part& motor) {
  const ModelTried& best = models.front();
  if (options.model) return fmt::format("'{}' was asked for; {}.", best.name, best.remark);
  if (models.size() < 2 || models[1].aicc > 1e299)
    return fmt::format("'{}' is the only model that describes the data.", best.name);
  const double ahead = models[1].aicc - best.aicc;
  if (ahead < -motor_chosen::kAgainstType)
    return fmt::format(
        "'{}' is taken although '{}' leaves less over (AICc lower by {:.1f}), of which it must be "
        "said: {}.",
        best.name, models[1].name, -ahead, models[1].remark);
  if (ahead < 0)
    return fmt::format(
        "'{}' is taken although '{}' has an AICc lower by {:.1f}: the data do not tell "
        "them apart clearly; {}.{}",
        best.name, models[1].name, -ahead, best.remark,
        is_of_unknown_type(motor) ? " Enter the motor's --type where it is known." : "");
  return fmt::format("'{}' describes the data best (AICc {:.1f} below '{}'); {}.", best.name, ahead,
                     models[1].name, best.remark);
}

}  // namespace loadline
