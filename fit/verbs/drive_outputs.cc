#include "fit/verbs/drive_outputs.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <tuple>

#include "db/basis/error.h"
#include "db/basis/text_table.h"
#include "db/basis/units.h"

namespace loadline {
namespace {

constexpr std::size_t kPicturePoints = 200;

std::vector<double> scaled(const std::vector<double>& values, double factor) {
  std::vector<double> result(values.size());
  std::transform(values.begin(), values.end(), result.begin(),
                 [&](double x) { return x * factor; });
  return result;
}

Series line_of(const Band& band, const std::string& name, int colour, Series::Dash dash) {
  Series series;
  series.name = name;
  series.colour = colour;
  series.dash = dash;
  series.x = scaled(band.speed, rpm_from_rad_per_s(1));
  series.y = band.torque;
  series.low = band.low;
  series.high = band.high;
  return series;
}

std::string settling_words(const DriveAnswer& answer) {
  switch (answer.settling) {
    case Settling::kRuns:
      return answer.extrapolated ? "extrapolated" : "";
    case Settling::kNeedsPush:
      return "needs a push";
    case Settling::kTooWeak:
      return "stalls";
    case Settling::kStillPulling:
      return "beyond the curves";
  }
  return "";
}

bool keeps_limit(const DriveAnswer& answer) {
  const AnswerLine* share = answer.find(Figure::kLimitShare);
  return !share || *share->estimate.value <= 100;
}

double top_speed(const DriveAnswer& answer) {
  const AnswerLine* line = answer.find(Figure::kHandwheelSpeed);
  return line ? *line->estimate.value : -1;
}

std::string estimate_text(const DriveAnswer& answer, Figure figure) {
  const AnswerLine* line = answer.find(figure);
  return line ? to_text(line->estimate) : "unknown";
}

std::string pulleys_text(const DriveCase& drive) {
  return drive.motor_pulley ? fmt::format("{} : {}", *drive.motor_pulley, *drive.hand_pulley) : "";
}

}  // namespace

Table trade_off_table(const DriveDesk& desk, const std::vector<TradeOffRow>& rows) {
  const std::vector<Figure> figures = trade_off_figures(desk);
  Table table;
  table.id = "trade-off";
  table.caption = fmt::format("Motor {} on machine {} over the ratio", desk.question().motor_name,
                              desk.question().machine_name);
  table.columns.push_back({"ratio", "", false});
  for (const Figure figure : figures)
    table.columns.push_back({info(figure).words, info(figure).unit, true});
  table.columns.push_back({"extrapolated", "", false});
  for (const TradeOffRow& row : rows) {
    std::vector<Cell> cells{row.ratio};
    for (const Figure figure : figures) cells.emplace_back(row.estimate(figure));
    cells.emplace_back(std::string(row.extrapolated ? "yes" : "no"));
    table.rows.push_back(std::move(cells));
  }
  return table;
}

std::string trade_off_text(const DriveDesk& desk, const std::vector<TradeOffRow>& rows) {
  const std::vector<Figure> figures = trade_off_figures(desk);
  std::vector<std::vector<std::string>> table(1, {"ratio"});
  for (const Figure figure : figures) table.front().emplace_back(info(figure).words);
  for (const TradeOffRow& row : rows) {
    std::vector<std::string>& cells = table.emplace_back();
    cells.push_back(significant(row.ratio, 4));
    for (const Figure figure : figures) cells.push_back(to_text(row.estimate(figure)));
    if (row.extrapolated) cells.emplace_back("extrapolated");
  }
  return text_table(table);
}

Json trade_off_json(const std::vector<TradeOffRow>& rows) {
  Json list = Json::array();
  for (const TradeOffRow& row : rows) {
    Json one;
    for (const AnswerLine& line : row.lines) one[info(line.figure).key] = to_json(line.estimate);
    for (const Figure figure : {Figure::kMotorSpeed, Figure::kHandwheelSpeed, Figure::kShaftPower})
      if (!one.contains(info(figure).key))
        one[info(figure).key] = to_json(Estimate::unknown(info(figure).unit));
    one["extrapolated"] = row.extrapolated;
    list.push_back(std::move(one));
  }
  return list;
}

Plot crossing_plot(const DriveDesk& desk) {
  const CrossingPicture picture = crossing_picture(desk, kPicturePoints);
  const double rpm = rpm_from_rad_per_s(1);
  Plot plot;
  plot.id = "crossing";
  plot.title = fmt::format("Motor {} and machine {} at ratio {:.4g}", desk.question().motor_name,
                           desk.question().machine_name, desk.setup().line.ratio.value);
  plot.words = picture.crossing_speed
                   ? fmt::format("The motor's torque meets the load line at {} rpm of the motor.",
                                 significant(*picture.crossing_speed * rpm, 4))
                   : "The motor's torque and the load line do not cross.";
  plot.x = {"Motor speed", "rpm", {}, {}, true, {}};
  plot.y = {"Torque at the motor shaft", "N·m", {}, {}, true, {}};
  plot.series.push_back(line_of(picture.motor, "torque of motor " + desk.question().motor_name, 1,
                                Series::Dash::kSolid));
  plot.series.back().measured_from = picture.motor_low * rpm;
  plot.series.back().measured_to = picture.motor_high * rpm;
  plot.series.push_back(line_of(picture.load,
                                "load line of machine " + desk.question().machine_name, 2,
                                Series::Dash::kDashed));
  plot.series.back().measured_from = picture.machine_low * rpm;
  plot.series.back().measured_to = picture.machine_high * rpm;
  if (picture.crossing_speed) {
    Series mark;
    mark.name = "where they settle";
    mark.look = Series::Look::kMark;
    mark.colour = 3;
    mark.x = {*picture.crossing_speed * rpm};
    mark.y = {*picture.crossing_torque};
    plot.series.push_back(std::move(mark));
  }
  return plot;
}

void rank(std::vector<RankedDrive>& drives) {
  const auto key = [](const RankedDrive& drive) {
    const bool fit = drive.answer.settling == Settling::kRuns && keeps_limit(drive.answer);
    return std::tuple(drive.answer.machine, !fit, -top_speed(drive.answer));
  };
  std::stable_sort(drives.begin(), drives.end(),
                   [&](const RankedDrive& a, const RankedDrive& b) { return key(a) < key(b); });
}

Json to_json(const RankedDrive& drive) {
  Json json = to_json(drive.answer);
  if (drive.drive.motor_pulley) {
    json["motor_pulley"] = *drive.drive.motor_pulley;
    json["hand_pulley"] = *drive.drive.hand_pulley;
  }
  json["within_limit"] = keeps_limit(drive.answer);
  return json;
}

std::string ranking_text(const std::vector<RankedDrive>& drives) {
  std::vector<std::vector<std::string>> table;
  std::string machine;
  for (const RankedDrive& one : drives) {
    if (table.empty() || one.answer.machine != machine) {
      machine = one.answer.machine;
      table.push_back({"machine", "motor", "pulleys", "ratio", "top speed", "standstill torque"});
    }
    std::string note = settling_words(one.answer);
    if (!keeps_limit(one.answer)) note += note.empty() ? "motor too fast" : ", motor too fast";
    table.push_back({machine, one.answer.motor, pulleys_text(one.drive),
                     significant(*one.answer.find(Figure::kRatio)->estimate.value, 3),
                     estimate_text(one.answer, Figure::kHandwheelSpeed),
                     estimate_text(one.answer, Figure::kStandstillTorque), note});
  }
  return text_table(table);
}

}  // namespace loadline
