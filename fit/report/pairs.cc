#include "fit/report/pairs.h"

#include <cmath>

#include "db/basis/units.h"

namespace loadline {

DriveQuestion question_at(const Subject& motor, const Subject& machine, double ratio) {
  DriveQuestion question;
  question.motor_name = motor.part.name;
  question.machine_name = machine.part.name;
  question.motor = &*motor.curve;
  question.machine = &*machine.curve;
  question.ratio = {ratio, 0};
  if (const auto rpm = motor.part.number("max-rpm"))
    question.max_motor_speed = rad_per_s_from_rpm(*rpm);
  if (const auto rpm = machine.part.number("max-rpm"))
    question.max_handwheel_speed = rad_per_s_from_rpm(*rpm);
  if (const auto stroke = machine.part.number("stroke-mm")) question.stroke_m = m_from_mm(*stroke);
  question.stitches_per_turn = machine.part.number("stitches-per-turn").value_or(1);
  return question;
}

Pair make_pair(const Subject& motor, const Subject& machine) {
  Pair pair{&motor, &machine, {}, 0};
  const int count = static_cast<int>(std::lround((kHighRatio - kLowRatio) / kRatioStep));
  for (int i = 0; i <= count; ++i) {
    // Tenths, exactly as a person would type them.
    const double ratio = std::round((kLowRatio + i * kRatioStep) * 10) / 10;
    pair.stops.push_back({ratio, "", answer(DriveDesk(question_at(motor, machine, ratio)))});
  }
  const auto* best = pair.stops.front().answer.find(Figure::kBestRatio);
  const double wanted = best && best->estimate.value ? *best->estimate.value : 6;
  for (std::size_t i = 0; i < pair.stops.size(); ++i)
    if (std::fabs(pair.stops[i].ratio - wanted) < std::fabs(pair.stops[pair.start].ratio - wanted))
      pair.start = i;
  return pair;
}

}  // namespace loadline
