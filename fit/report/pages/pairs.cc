#include "fit/report/pages/pairs.h"

#include <algorithm>
#include <cmath>
#include <map>

#include "db/basis/units.h"
#include "fit/belts/grooves/fit_check.h"

namespace loadline {
namespace {

constexpr double kStartRatio = 6;
constexpr std::size_t kMostPulleyPairs = 8;

}  // namespace

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

std::vector<PulleyRatio> pulley_ratios(const Book& book) {
  std::vector<PulleyRatio> ratios;
  const std::vector<Part> pulleys = book.parts(PartKind::kPulley);
  for (const Part& motor : pulleys) {
    for (const Part& hand : pulleys) {
      if (motor.text("role").value_or("motor") != "motor") continue;
      if (hand.text("role").value_or("hand") != "hand") continue;
      const Estimate ratio = true_ratio(motor, hand, std::nullopt).ratio;
      if (ratio.value && *ratio.value >= kLowRatio && *ratio.value <= kHighRatio)
        ratios.push_back({motor.name + " / " + hand.name, *ratio.value});
    }
  }
  std::sort(ratios.begin(), ratios.end(),
            [](const PulleyRatio& a, const PulleyRatio& b) { return a.ratio < b.ratio; });
  if (ratios.size() > kMostPulleyPairs) ratios.resize(kMostPulleyPairs);
  return ratios;
}

Pair make_pair(const Subject& motor, const Subject& machine,
               const std::vector<PulleyRatio>& pulleys, std::optional<double> first) {
  DriveQuestion question = question_at(motor, machine, kStartRatio);
  question.slow_speed = rad_per_s_from_rpm(kSlowRpm);
  Pair pair{&motor, &machine, answer(DriveDesk(question)), {}, 0};
  const auto* best = pair.best.find(Figure::kBestRatio);
  const double fastest = best && best->estimate.value ? *best->estimate.value : kStartRatio;
  const double wanted = first.value_or(fastest);
  std::map<double, std::string> stops;
  const int count = static_cast<int>(std::lround((kHighRatio - kLowRatio) / kRatioStep));
  // Tenths, exactly as a person would type them.
  for (int i = 0; i <= count; ++i) stops[std::round((kLowRatio + i * kRatioStep) * 10) / 10];
  for (const PulleyRatio& pulley : pulleys) stops[pulley.ratio] = pulley.names;
  std::vector<double> ratios;
  ratios.reserve(stops.size());
  for (const auto& [ratio, names] : stops) ratios.push_back(ratio);
  for (TradeOffRow& row : trade_off(DriveDesk(question), ratios)) {
    const std::string names = stops[row.ratio];
    pair.stops.push_back({std::move(row), names});
  }
  for (std::size_t i = 0; i < pair.stops.size(); ++i)
    if (std::fabs(pair.stops[i].row.ratio - wanted) <
        std::fabs(pair.stops[pair.start].row.ratio - wanted))
      pair.start = i;
  pair.best = answer(DriveDesk(question_at(motor, machine, pair.stops[pair.start].row.ratio)));
  return pair;
}

}  // namespace loadline
