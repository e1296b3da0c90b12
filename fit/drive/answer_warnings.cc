#include "fit/drive/answer_warnings.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/shell_word.h"
#include "db/basis/units.h"
#include "fit/drive/load_lines/drive_constants.h"

namespace loadline {
namespace {

using namespace drive_chosen;

void warn_of_extrapolation(DriveAnswer& answer) {
  const auto say = [&](Figure figure, const char* what, const char* todo) {
    const AnswerLine* line = answer.find(figure);
    if (line && !line->extrapolated.empty())
      answer.warnings.push_back(fmt::format("{} leans on the {}, where nothing was measured: {}.",
                                            what, line->extrapolated, todo));
  };
  say(Figure::kMotorSpeed, "the operating point", "take it as extrapolated, or measure there");
  say(Figure::kBestRatio, "the best ratio", "measure there before you buy a pulley for it");
  say(Figure::kStandstillTorque, "the standstill torque",
      "brake the motor further down to be sure");
}

void warn_of_settling(const DriveDesk& desk, DriveAnswer& answer) {
  if (answer.settling == Settling::kNeedsPush)
    answer.warnings.push_back(
        "the machine does not start by itself with this ratio: at standstill the drag is above the "
        "motor's torque; the operating point is reached only after a push by hand.");
  const auto stable = std::count_if(answer.crossings.begin(), answer.crossings.end(),
                                    [](const Crossing& crossing) { return crossing.stable; });
  if (stable > 1)
    answer.warnings.push_back(fmt::format(
        "the curves cross at {} steady speeds; the one reached from standstill is given.", stable));
  if (answer.settling == Settling::kRuns && desk.setup().motor.extrapolates() == false)
    answer.warnings.push_back(
        "the motor's smooth curve stands for its measured range only: the standstill torque is "
        "unknown, and so is whether the machine starts by itself.");
}

void warn_of_limits(const DriveQuestion& question, DriveAnswer& answer) {
  const AnswerLine* share = answer.find(Figure::kLimitShare);
  if (share && share->estimate.high && *share->estimate.high > 100)
    answer.warnings.push_back(fmt::format(
        "the motor {} its highest permitted speed of {} rpm with this ratio; use a lower one.",
        *share->estimate.value > 100 ? "exceeds" : "may exceed",
        rpm_text(*question.max_motor_speed)));
  const AnswerLine* wheel = answer.find(Figure::kHandwheelSpeed);
  if (wheel && question.max_handwheel_speed &&
      *wheel->estimate.value > rpm_from_rad_per_s(*question.max_handwheel_speed))
    answer.warnings.push_back(
        fmt::format("the hand wheel exceeds its highest permitted speed of "
                    "{} rpm.",
                    rpm_text(*question.max_handwheel_speed)));
  const AnswerLine* power = answer.find(Figure::kShaftPower);
  if (power && question.rated_power && *power->estimate.value > *question.rated_power)
    answer.warnings.push_back(fmt::format(
        "the motor's shaft gives {} here, more than the {} W of its plate, whether that means what "
        "goes in or what comes out: for moments, not for steady sewing.",
        to_text(power->estimate), significant(*question.rated_power, 3)));
  const AnswerLine* speed = answer.find(Figure::kMotorSpeed);
  const AnswerLine* peak = answer.find(Figure::kPeakPowerSpeed);
  if (speed && peak && *speed->estimate.value < 0.5 * *peak->estimate.value)
    answer.warnings.push_back(
        "at full voltage the motor runs below half its peak-power speed, with a heavy current: "
        "feel for heat, and consider a higher ratio.");
}

void warn_of_belt(const DriveDesk& desk, DriveAnswer& answer) {
  const LoadLine& line = desk.setup().line;
  if (const AnswerLine* use = answer.find(Figure::kBeltUse)) {
    const Estimate& e = use->estimate;
    if (e.low && *e.low > 100)
      answer.warnings.push_back(
          "the belt slips altogether before the machine reaches this speed, by its slip check: "
          "tighten it, or the speed is not to be had.");
    else if (e.high && *e.high > 100)
      answer.warnings.push_back(
          "the belt may slip altogether at this speed, by its slip check: set it tighter and "
          "check again.");
  }
  const AnswerLine* force = answer.find(Figure::kNeedleForce);
  const AnswerLine* given = answer.find(Figure::kStandstillTorque);
  if (!line.capacity || !force || !given) return;
  const double most = line.capacity->value * line.ratio.value;
  if (most < *given->estimate.value)
    answer.warnings.push_back(fmt::format(
        "from standstill the belt slips at {} N·m at the hand wheel, by its slip check, before the "
        "motor's {} N·m come through: the needle's force is what the belt carries.",
        significant(most, 3), significant(*given->estimate.value, 3)));
}

void warn_of_wide_intervals(DriveAnswer& answer) {
  const AnswerLine* line = answer.find(Figure::kHandwheelSpeed);
  if (answer.draws || !line || !line->estimate.high || !line->estimate.low) return;
  if (*line->estimate.high - *line->estimate.low > 2 * kWide * std::fabs(*line->estimate.value))
    answer.warnings.push_back(
        "the top speed is known poorly, so that its symmetric interval is a rough one; --draws "
        "10000 gives a better one.");
}

void warn_of_speed_seen(DriveAnswer& answer) {
  const AnswerLine* off = answer.find(Figure::kSeenDifference);
  if (off && off->estimate.low && *off->estimate.low > 0)
    answer.warnings.push_back(
        "the top speed seen is above what the curves give, which no drag, belt loss or slip "
        "explains: check the ratio, the supply voltage, and both curves.");
}

// The seam as a push in its turn, and foot controls that no pedal here stands for.
void warn_of_seam(const DriveQuestion& question, DriveAnswer& answer) {
  bool sewn = false;
  for (const PedalFigures& pedal : kPedalFigures) {
    const auto& share = answer.stalls[pedal.pedal];
    sewn = sewn || share;
    if (!share || *share <= kPossible || answer.slow[pedal.pedal] == SlowRunning::kStalls) continue;
    answer.warnings.push_back(fmt::format(
        "with the {} pedal held for the slow speed, the needle's push in the seam may stop the "
        "machine (in {:.0f} of 100 possible cases).",
        pedal.words, 100 * *share));
  }
  if (question.only_pedal == Pedal::kMarks && !question.marked)
    answer.warnings.push_back(fmt::format(
        "an electronic foot control (phase angle, half wave) chops the supply, and no voltage "
        "tells what the motor then does. Mark two positions of the pedal, one a little slower and "
        "one a little faster than wanted; enter motor and control together at each as a motor of "
        "its own ('loadline-db add motor NAME --pedal-of {} --pedal-mark 1'), record its brake run "
        "through the control held there and fit it; drive then answers between the marks.",
        shell_word(question.motor_name)));
  else if (!question.rotor_inertia && sewn)
    answer.warnings.push_back(
        "the rotor's inertia is not known and not counted; 'loadline-db set motor NAME "
        "--inertia-kgm2 J' lets it help the machine through the seam.");
}

void warn_of_wishes(const DriveQuestion& question, DriveAnswer& answer) {
  if (question.wanted_speed && !answer.find(Figure::kWantedLowRatio) &&
      !answer.find(Figure::kWantedHighRatio))
    answer.warnings.push_back(
        fmt::format("no ratio gives the wanted top speed of {} rpm with this motor.",
                    rpm_text(*question.wanted_speed)));
  if (question.extra_nm > 0 && answer.settling == Settling::kRuns &&
      !answer.find(Figure::kLoadedHandwheelSpeed))
    answer.warnings.push_back(
        fmt::format("the sewing load of {} N·m stops the machine at this ratio; try a higher one.",
                    significant(question.extra_nm, 3)));
  warn_of_speed_seen(answer);
  if (!question.slow_speed) return;
  const SlowRunning resistance = answer.slow[Pedal::kResistance];
  const SlowRunning voltage = answer.slow[Pedal::kVoltage];
  if (voltage == SlowRunning::kTooSlow || resistance == SlowRunning::kTooSlow)
    answer.warnings.push_back("the wanted slow speed is above what the motor reaches here.");
  warn_of_seam(question, answer);
  for (const PedalFigures& pedal : kPedalFigures) {
    const SlowRunning running = answer.slow[pedal.pedal];
    if (running == SlowRunning::kStalls)
      answer.warnings.push_back(fmt::format(
          "with the {} pedal held for the slow speed, the seam stops the machine.", pedal.words));
    if (running == SlowRunning::kUnsteady)
      answer.warnings.push_back(fmt::format(
          "with a {} pedal no setting holds the slow speed: the motor runs off or stops.",
          pedal.words));
    // Who has no resistor's answer for want of a model may still have a voltage's.
    const bool told = pedal.pedal == Pedal::kVoltage ||
                      (pedal.pedal == Pedal::kResistance && voltage == SlowRunning::kNoModel);
    if (running == SlowRunning::kNoModel && told)
      answer.warnings.push_back(
          fmt::format("the motor's model does not say what a {} pedal does, "
                      "so that its steadiness is unknown.",
                      pedal.words));
  }
}

}  // namespace

std::string why_not_running(const DriveAnswer& answer) {
  if (answer.settling == Settling::kTooWeak)
    return fmt::format(
        "there is no operating point: motor {} stalls on machine {} with this ratio, its torque is "
        "below the drag at every speed; try a higher ratio.",
        answer.motor, answer.machine);
  if (answer.settling == Settling::kStillPulling)
    return fmt::format(
        "there is no operating point within reach of the curves: motor {} still out-pulls machine "
        "{} at the highest speed that they say anything about; measure both faster, or try a "
        "higher ratio.",
        answer.motor, answer.machine);
  return {};
}

void add_warnings(const DriveDesk& desk, DriveAnswer& answer) {
  answer.warnings = desk.warnings();
  if (const std::string why = why_not_running(answer); !why.empty()) answer.warnings.push_back(why);
  warn_of_settling(desk, answer);
  warn_of_extrapolation(answer);
  warn_of_limits(desk.question(), answer);
  warn_of_belt(desk, answer);
  warn_of_wide_intervals(answer);
  warn_of_wishes(desk.question(), answer);
}

}  // namespace loadline
