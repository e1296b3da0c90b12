#include "fit/drive/trade_off.h"

#include <algorithm>
#include <cmath>

#include "db/basis/error.h"
#include "fit/drive/points/best_ratio.h"

namespace loadline {
namespace {

constexpr std::size_t kMostRows = 100000;
constexpr double kMargin = 1.15;  // picture beyond the last thing to see

double picture_end(const DriveSetup& setup, const std::optional<double>& crossing) {
  double end = setup.motor.high();
  if (crossing) end = std::max(end, *crossing * kMargin);
  return setup.motor.extrapolates() ? end : std::min(end, setup.motor.high());
}

template <class Torque>
Band band_over(const Sources& sources, double low, double high, std::size_t points, Torque torque) {
  Band band;
  for (std::size_t k = 0; k < points; ++k) {
    const double speed =
        low + (high - low) * static_cast<double>(k) / static_cast<double>(points - 1);
    const Estimate estimate = sources.estimate(torque(Propagated(speed)), 1, "N·m");
    if (!estimate.value) continue;
    band.speed.push_back(speed);
    band.torque.push_back(*estimate.value);
    band.low.push_back(estimate.low.value_or(*estimate.value));
    band.high.push_back(estimate.high.value_or(*estimate.value));
  }
  return band;
}

}  // namespace

Estimate TradeOffRow::estimate(Figure figure) const {
  for (const AnswerLine& line : lines)
    if (line.figure == figure) return line.estimate;
  return Estimate::unknown(info(figure).unit);
}

std::vector<TradeOffRow> trade_off(const DriveDesk& desk, double low, double high,
                                   std::size_t count) {
  if (!(low > 0 && high > low && std::isfinite(high)))
    throw Error(Fault::kInput,
                "the ratios of a trade-off run from a number above 0 to a larger one, for example "
                "4:12:33.");
  if (count < 2 || count > kMostRows)
    throw Error(Fault::kInput, "a trade-off takes between 2 and 100,000 ratios.");
  std::vector<double> ratios(count);
  for (std::size_t k = 0; k < count; ++k)
    ratios[k] = low + (high - low) * static_cast<double>(k) / static_cast<double>(count - 1);
  return trade_off(desk, ratios);
}

std::vector<TradeOffRow> trade_off(const DriveDesk& desk, const std::vector<double>& ratios) {
  std::vector<TradeOffRow> rows;
  rows.reserve(ratios.size());
  DriveSetup setup = desk.setup();
  for (const double ratio : ratios) {
    setup.line = at_ratio(desk.setup().line, Propagated(ratio));
    const DriveFindings findings = find_figures(setup, desk.question(), Depth::kAtRatio);
    TradeOffRow row{ratio,
                    findings.search.settling,
                    false,
                    answer_lines(desk, setup, findings.figures),
                    findings.slow[Pedal::kResistance].running,
                    findings.slow[Pedal::kVoltage].running};
    for (const AnswerLine& line : row.lines)
      if (line.figure == Figure::kMotorSpeed) row.extrapolated = !line.extrapolated.empty();
    rows.push_back(std::move(row));
  }
  return rows;
}

std::vector<Figure> trade_off_figures(const DriveDesk& desk) {
  const DriveQuestion& question = desk.question();
  std::vector<Figure> figures = {Figure::kMotorSpeed, Figure::kHandwheelSpeed, Figure::kShaftPower,
                                 Figure::kStandstillTorque};
  if (question.stroke_m) figures.push_back(Figure::kNeedleForce);
  if (question.extra_nm > 0) figures.push_back(Figure::kLoadedHandwheelSpeed);
  if (question.slow_speed) {
    figures.push_back(Figure::kSlowSpareTorque);
    if (supports_pedal(desk.setup().motor, Pedal::kResistance))
      figures.push_back(Figure::kResistanceDrop);
    if (supports_pedal(desk.setup().motor, Pedal::kVoltage))
      figures.push_back(Figure::kVoltageDrop);
  }
  return figures;
}

CrossingPicture crossing_picture(const DriveDesk& desk, std::size_t points) {
  const DriveSetup& setup = desk.setup();
  const OperatingSearch search = find_operating_point(setup.motor, setup.machine, setup.line);
  const double at_top = motor_speed_at(setup.line, setup.machine, setup.machine.high()).value;
  const double per_handwheel = at_top / setup.machine.high();
  CrossingPicture picture;
  picture.motor_low = setup.motor.low();
  picture.motor_high = setup.motor.high();
  picture.machine_low = setup.machine.low() * per_handwheel;
  picture.machine_high = setup.machine.high() * per_handwheel;
  const double low = setup.motor.extrapolates() ? 0 : setup.motor.low();
  const double high = picture_end(setup, search.motor_speed);
  picture.motor = band_over(desk.sources(), low, high, points,
                            [&](const Propagated& w) { return setup.motor.torque(w); });
  picture.load = band_over(desk.sources(), low, high, points, [&](const Propagated& w) {
    return (setup.machine.torque(handwheel_under_load(setup.line, setup.machine, w)) +
            setup.line.extra) /
               setup.line.ratio +
           setup.line.belt_loss;
  });
  picture.crossing_speed = search.motor_speed;
  if (search.motor_speed) picture.crossing_torque = setup.motor.torque(*search.motor_speed);
  return picture;
}

}  // namespace loadline
