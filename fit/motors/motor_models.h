// Which equation describes a motor's brake runs: all are fitted, compared, and one is chosen.
#pragma once

#include <algorithm>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "fit/brake_runs/sweep_fit.h"
#include "fit/equations/motor_constants.h"
#include "fit/motor_runs/motor_findings.h"
#include "fit/motor_runs/motor_options.h"

namespace loadline {

/// Names of the equations that `options` leaves to try for this motor, which was seen in `runs`:
/// of one whose type is not entered none that stays below the mains' synchronous speed when it was
/// faster than that.
std::vector<std::string> models_to_try(const MotorFitOptions& options, const Part& motor,
                                       const std::vector<const Readings*>& runs);

/// Whether nobody entered what kind of motor it is.
bool is_of_unknown_type(const Part& motor);

/// Further equations of the kind of motor that `model` describes, for one of whose kind nobody said
/// anything and whose runs follow that best. A household has one phase (common practice): a curve
/// that looks like Kloss' has a field that turns backwards besides, for which its standstill torque
/// is some per cent to a tenth lower.
std::vector<std::string> further_of_the_kind(const std::string& model,
                                             const std::vector<std::string>& tried);

/// Whether the equation of that name is one of motors entered as of `type`.
bool is_of_type(const std::string& model, const std::string& type);

/// AICc = n ln(RSS/n) and the penalty (aicc.h), k counting the variance, with the effective number
/// of values for n.
double aicc(double values, double rms, double parameters);

using ResidualsOfRun = std::function<std::vector<double>(std::size_t run)>;
/// z of the runs test on residuals put in order of speed, over stretches as long as the noise
/// remembers; below −3 neighbouring speeds are missed the same way.
double runs_z_over_speed(const SweepFit& fit, const ResidualsOfRun& residuals);

struct MotorCandidate {
  std::unique_ptr<SweepFit> fit;
  ModelTried tried;
};

/// Fits every equation that `options` wants, and tells its progress; the order is by choice: first
/// the one to use, its fit final, then by AICc. Error(kInput) when none describes the runs.
std::vector<MotorCandidate> choose_model(const SweepFitInput& input, const Part& motor,
                                         const MotorFitOptions& options);

/// Moves the first candidate that `is` it to the front, unless its AICc is worse by so much.
template <typename Candidate, typename Is>
void prefer(std::vector<Candidate>& candidates, const Is& is, double unless_worse_by) {
  const auto at = std::find_if(candidates.begin(), candidates.end(),
                               [&](const Candidate& c) { return is(c.tried.name); });
  if (at != candidates.end() && at->tried.aicc - candidates.front().tried.aicc < unless_worse_by)
    std::rotate(candidates.begin(), at, at + 1);
}

/// Candidates in order of AICc where it says little. `lowest_share`: lowest measured speed over the
/// highest. Kloss' equation with a large breakdown slip is a straight line too: then the simpler
/// one; and so a line that its armature hardly bends, or a field against which hardly another
/// turns. On a narrow range all equations are close: then the motor's entered type decides, else
/// the series motor, which is what such machines mostly have (common practice); its fit carries the
/// widest doubt about what lies outside the measured speeds.
template <typename Candidate>
void prefer_known(std::vector<Candidate>& candidates, const Part& motor, double lowest_share) {
  using Name = const std::string&;
  const auto type = motor.text("type");
  const auto first_is_of = [&](Name of) { return is_of_type(candidates.front().tried.name, of); };
  const auto straight = [](Name name) { return name == "permanent-magnet"; };
  const auto one_field = [](Name name) { return name == "induction"; };
  if (first_is_of("induction")) prefer(candidates, straight, motor_chosen::kClearly);
  if (!is_of_unknown_type(motor) && !first_is_of(*type))
    prefer(
        candidates, [&](Name name) { return is_of_type(name, *type); }, motor_chosen::kAgainstType);
  if (first_is_of("permanent-magnet")) prefer(candidates, straight, motor_chosen::kBendsClearly);
  if (first_is_of("induction")) prefer(candidates, one_field, motor_chosen::kBendsClearly);
  if (is_of_unknown_type(motor) && lowest_share > motor_chosen::kWholeRange)
    prefer(
        candidates, [](Name name) { return name == "series"; }, motor_chosen::kClearly);
}

/// Why the first of `models` was taken, one sentence.
std::string reason_for(const std::vector<ModelTried>& models, const MotorFitOptions& options,
                       const Part& motor);

}  // namespace loadline
