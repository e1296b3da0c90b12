#include "fit/verbs/drive/drive_outputs.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <tuple>

#include "db/basis/error.h"
#include "db/basis/text_table.h"
#include "db/basis/units.h"
#include "fit/report/plots/curve_plots.h"

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

std::string whole_number(const DriveAnswer& answer, Figure figure) {
  const AnswerLine* line = answer.find(figure);
  return line ? whole_text(line->estimate) : "unknown";
}

std::string torque_text(const DriveAnswer& answer) {
  const AnswerLine* line = answer.find(Figure::kStandstillTorque);
  return line && line->estimate.value ? significant(*line->estimate.value, 3) + " N·m" : "unknown";
}

std::string pulleys_text(const DriveCase& drive) {
  return drive.motor_pulley ? fmt::format("{} : {}", *drive.motor_pulley, *drive.hand_pulley) : "";
}

// Short enough for a column.
const char* column_head(Figure figure) {
  switch (figure) {
    case Figure::kMotorSpeed:
      return "motor, rpm";
    case Figure::kHandwheelSpeed:
      return "top speed, rpm";
    case Figure::kShaftPower:
      return "power, W";
    case Figure::kStandstillTorque:
      return "standstill, N·m";
    case Figure::kNeedleForce:
      return "needle, N";
    case Figure::kLoadedHandwheelSpeed:
      return "sewing, rpm";
    case Figure::kSlowSpareTorque:
      return "to spare, N·m";
    case Figure::kResistanceDrop:
      return "drop, %";
    case Figure::kVoltageDrop:
      return "drop (voltage), %";
    default:
      return info(figure).words;
  }
}

// A sentence and a blank; the motor is named where there are several.
std::string crossing_words(const CrossingPicture& picture, const std::string& motor) {
  const std::string torque = motor.empty() ? "The motor's torque" : "The torque of " + motor;
  return picture.crossing_speed
             ? fmt::format("{} meets the load line at {} rpm of the motor. ", torque,
                           significant(rpm_from_rad_per_s(*picture.crossing_speed), 4))
             : torque + " and the load line do not cross. ";
}

std::size_t widest_line(const std::string& text) {
  std::size_t widest = 0;
  for (std::size_t at = 0; at <= text.size();) {
    const std::size_t end = std::min(text.find('\n', at), text.size());
    widest = std::max(widest, width_of(text.substr(at, end - at)));
    at = end + 1;
  }
  return widest;
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

// As many columns as the page takes; the rest is in --csv and --json.
std::string trade_off_text(const DriveDesk& desk, const std::vector<TradeOffRow>& rows) {
  std::vector<Figure> figures = {Figure::kHandwheelSpeed};  // what is asked for most comes first
  for (const Figure figure : trade_off_figures(desk))
    if (figure != Figure::kHandwheelSpeed) figures.push_back(figure);
  std::vector<std::vector<std::string>> table(rows.size() + 1);
  table[0].emplace_back("ratio");
  for (std::size_t k = 0; k < rows.size(); ++k)
    table[k + 1].push_back(significant(rows[k].ratio, 4) + (rows[k].extrapolated ? " *" : ""));
  bool all = true;
  for (const Figure figure : figures) {
    auto wider = table;
    wider[0].emplace_back(column_head(figure));
    for (std::size_t k = 0; k < rows.size(); ++k) {
      Estimate estimate = rows[k].estimate(figure);
      const bool speed = estimate.unit == "rpm";
      estimate.unit.clear();
      wider[k + 1].push_back(speed ? whole_text(estimate) : to_text(estimate));
    }
    const std::string text = text_table(wider);
    if (widest_line(text) <= kPageWidth)
      table = std::move(wider);
    else
      all = false;
  }
  std::string text = text_table(table);
  if (std::any_of(rows.begin(), rows.end(), [](const TradeOffRow& r) { return r.extrapolated; }))
    text += "\n(* leans on a curve where nothing was measured)";
  if (!all) text += "\nMore columns are in --csv and --json.";
  return text;
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

Plot crossing_plot(const std::vector<DriveDesk>& desks) {
  const double rpm = rpm_from_rad_per_s(1);
  const DriveDesk& first = desks.front();
  Plot plot;
  plot.id = "crossing";
  std::string motors;
  std::vector<Series> marks;
  std::optional<CrossingPicture> longest;
  for (std::size_t i = 0; i < desks.size(); ++i) {
    const CrossingPicture picture = crossing_picture(desks[i], kPicturePoints);
    const std::string& name = desks[i].question().motor_name;
    motors += (i == 0 ? "" : i + 1 == desks.size() ? " and " : ", ") + name;
    plot.series.push_back(
        line_of(picture.motor, "torque of motor " + name, motor_colour(i), motor_dash(i)));
    plot.series.back().measured_from = picture.motor_low * rpm;
    plot.series.back().measured_to = picture.motor_high * rpm;
    plot.words += crossing_words(picture, desks.size() > 1 ? name : "");
    if (!longest || picture.load.speed.back() > longest->load.speed.back()) longest = picture;
    if (!picture.crossing_speed) continue;
    Series& mark = marks.emplace_back();
    mark.name = marks.size() == 1 ? "where they settle" : "";
    mark.look = Series::Look::kMark;
    mark.colour = desks.size() == 1 ? 3 : motor_colour(i);
    mark.x = {*picture.crossing_speed * rpm};
    mark.y = {*picture.crossing_torque};
  }
  plot.words.pop_back();
  plot.title = fmt::format("Motor{} {} and machine {} at ratio {:.4g}", desks.size() > 1 ? "s" : "",
                           motors, first.question().machine_name, first.setup().line.ratio.value);
  plot.x = {"Motor speed", "rpm", {}, {}, true, {}};
  plot.y = {"Torque at the motor shaft", "N·m", 0.0, {}, true, {}};
  plot.series.push_back(line_of(longest->load,
                                "load line of machine " + first.question().machine_name, 2,
                                Series::Dash::kDashed));
  plot.series.back().measured_from = longest->machine_low * rpm;
  plot.series.back().measured_to = longest->machine_high * rpm;
  for (Series& mark : marks) plot.series.push_back(std::move(mark));
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
  std::string text;
  std::size_t from = 0;
  while (from < drives.size()) {
    const std::string machine = drives[from].answer.machine;
    std::vector<std::vector<std::string>> table = {{"  top speed, rpm", "standstill", "ratio", ""}};
    for (; from < drives.size() && drives[from].answer.machine == machine; ++from) {
      const RankedDrive& one = drives[from];
      std::string note = settling_words(one.answer);
      if (!keeps_limit(one.answer)) note += note.empty() ? "motor too fast" : ", motor too fast";
      table.push_back({"  " + whole_number(one.answer, Figure::kHandwheelSpeed),
                       torque_text(one.answer),
                       significant(*one.answer.find(Figure::kRatio)->estimate.value, 3),
                       one.answer.motor + (one.drive.motor_pulley ? ", " : "") +
                           pulleys_text(one.drive) + (note.empty() ? "" : "; " + note)});
    }
    text += (text.empty() ? "" : "\n") + ("On " + machine + ":\n") + text_table(table);
  }
  return text;
}

}  // namespace loadline
