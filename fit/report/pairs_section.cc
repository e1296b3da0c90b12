#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <array>
#include <cctype>
#include <cmath>
#include <string_view>

#include "db/basis/units.h"
#include "db/basis/web.h"
#include "fit/report/curve_plots.h"
#include "fit/report/pairs.h"
#include "fit/report/sections.h"

namespace loadline {
namespace {

constexpr std::size_t kMostPairs = 12;    // each carries some 120 answers
constexpr std::size_t kFewestStops = 20;  // a shorter stretch is no trade-off to look at
constexpr std::array kShown = {Figure::kMotorSpeed,       Figure::kHandwheelSpeed,
                               Figure::kStitchRate,       Figure::kShaftPower,
                               Figure::kStandstillTorque, Figure::kNeedleForce};

// The figure's name as a heading.
std::string heading(Figure figure) {
  std::string words = info(figure).words;
  words[0] = static_cast<char>(std::toupper(static_cast<unsigned char>(words[0])));
  return words;
}

const AnswerLine* line_of(const TradeOffRow& row, Figure figure) {
  for (const AnswerLine& line : row.lines)
    if (line.figure == figure) return &line;
  return nullptr;
}

// "1,234 rpm" and "1,200 to 1,270" apart, as the page shows them.
std::array<std::string, 2> value_and_limits(const Estimate& estimate) {
  const std::string text = to_text(estimate);
  const std::size_t open = text.find(" ("), close = text.find(')');
  if (open == std::string::npos || close == std::string::npos) return {text, ""};
  return {text.substr(0, open) + text.substr(close + 1), text.substr(open + 1, close - open)};
}

// Tenths stand exactly as they are; the ratio of a pulley pair is told with its names.
std::string stop_words(const RatioStop& stop) {
  if (stop.pulleys.empty()) return fmt::format("{:.1f} : 1", stop.row.ratio);
  return fmt::format("{} : 1, {}", significant(stop.row.ratio, 4), stop.pulleys);
}

Json answers_json(const TradeOffRow& row) {
  Json answers = Json::object();
  for (const Figure figure : kShown) {
    const AnswerLine* line = line_of(row, figure);
    const auto shown = line ? value_and_limits(line->estimate)
                            : std::array<std::string, 2>{"no steady running", ""};
    answers[info(figure).key] = Json::array(
        {shown[0], shown[1] + (line && !line->extrapolated.empty() ? ", extrapolated" : "")});
  }
  return answers;
}

Json cross_json(const Pair& pair, const TradeOffRow& row) {
  const AnswerLine* line = line_of(row, Figure::kMotorSpeed);
  if (!line || !line->estimate.value) return Json();
  const Estimate& rpm = line->estimate;
  return {{"x", *rpm.value},
          {"y", pair.motor->curve->torque(rad_per_s_from_rpm(*rpm.value))},
          {"low", rpm.low ? json_number(*rpm.low) : Json()},
          {"high", rpm.high ? json_number(*rpm.high) : Json()}};
}

Series load_line(const Pair& pair, double ratio, const Series& drag) {
  Series load = drag;
  load.name = fmt::format("Load line of {}", pair.machine->part.name);
  load.colour = 2;
  load.dash = Series::Dash::kDashed;
  for (double& x : load.x) x *= ratio;
  for (auto* values : {&load.y, &load.low, &load.high})
    for (double& y : *values) y /= ratio;
  load.measured_from = *drag.measured_from * ratio;
  load.measured_to = *drag.measured_to * ratio;
  return load;
}

// The machine's drag over hand-wheel speed, far enough to cross the motor at any ratio.
Series drag_series(const Pair& pair) {
  const double furthest = end_of_motor_plot(*pair.motor->curve) / kLowRatio;
  return torque_series(*pair.machine->curve, furthest, "drag", 2);
}

Plot crossing_plot(const Pair& pair, const std::string& id, const Series& drag) {
  const Curve& motor = *pair.motor->curve;
  const double end = end_of_motor_plot(motor);
  const RatioStop& stop = pair.stops[pair.start];
  Plot plot;
  plot.id = id;
  plot.title = fmt::format("{} driving {}", pair.motor->part.name, pair.machine->part.name);
  plot.words =
      "They settle where the motor's torque meets the load line. A smaller motor pulley "
      "(a higher ratio) lays the load line flatter.";
  plot.x = {"Motor speed", "rpm", 0.0, rpm_from_rad_per_s(end), false, {}};
  plot.y = {"Torque at the motor shaft", "N·m", 0.0, {}, true, {}};
  plot.series.push_back(torque_series(motor, end, "Torque of " + pair.motor->part.name, 1));
  plot.series.push_back(load_line(pair, stop.row.ratio, drag));
  Series cross;
  cross.name = "Where they settle";
  cross.look = Series::Look::kMark;
  cross.colour = 5;
  const Json at = cross_json(pair, stop.row);
  if (at.is_object()) {
    cross.x = {at["x"].get<double>()};
    cross.y = {at["y"].get<double>()};
    if (at["low"].is_number() && at["high"].is_number()) {
      cross.x_low = {at["low"].get<double>()};
      cross.x_high = {at["high"].get<double>()};
    }
  }
  plot.series.push_back(std::move(cross));
  // The highest motor torque decides the height; a steep load line may leave the frame.
  double top = 0;
  for (const double y : plot.series[0].y) top = std::max(top, y);
  const auto ticks = nice_ticks(0, 1.05 * top, kTicks);
  if (!ticks.empty()) plot.y.high = ticks.back();
  return plot;
}

Json numbers(const std::vector<double>& values) {
  Json list = Json::array();
  for (const double value : values) list.push_back(json_number(value));
  return list;
}

Json slider_data(const Pair& pair, const std::string& plot_id, const Series& drag) {
  Json stops = Json::array();
  for (const RatioStop& stop : pair.stops)
    stops.push_back({{"ratio", stop.row.ratio},
                     {"words", stop_words(stop)},
                     {"answers", answers_json(stop.row)},
                     {"cross", cross_json(pair, stop.row)}});
  return {{"plot", plot_id},
          {"load_set", 1},
          {"cross_set", 2},
          {"loss", 0},
          {"drag",
           {{"x", numbers(drag.x)},
            {"y", numbers(drag.y)},
            {"low", numbers(drag.low)},
            {"high", numbers(drag.high)},
            {"from", *drag.measured_from},
            {"to", *drag.measured_to}}},
          {"stops", std::move(stops)}};
}

std::string slider_html(const Pair& pair, const std::string& data_name) {
  const RatioStop& start = pair.stops[pair.start];
  std::string html = fmt::format(
      "<div class=\"slider\" data-pair=\"{0}\"><label for=\"slider-{0}\">Ratio, motor turns per "
      "hand-wheel turn <output>{1}</output></label><input id=\"slider-{0}\" type=\"range\" "
      "min=\"0\" max=\"{2}\" step=\"1\" value=\"{3}\"><dl class=\"answer\">",
      data_name, html_escape(stop_words(start)), pair.stops.size() - 1, pair.start);
  for (const Figure figure : kShown) {
    const AnswerLine* line = line_of(start.row, figure);
    if (figure == Figure::kNeedleForce && !line) continue;
    const auto shown = line ? value_and_limits(line->estimate)
                            : std::array<std::string, 2>{"no steady running", ""};
    html += fmt::format(
        "<div><dt>{}</dt><dd><span data-key=\"{}\">{}</span> <span class=\"interval\">{}</span>"
        "</dd></div>",
        html_escape(heading(figure)), info(figure).key, html_escape(shown[0]),
        html_escape(shown[1]));
  }
  html += "</dl><div class=\"stops\">";
  for (std::size_t i = 0; i < pair.stops.size(); ++i)
    if (!pair.stops[i].pulleys.empty())
      html += fmt::format("<button type=\"button\" data-stop=\"{}\">{}</button>", i,
                          html_escape(pair.stops[i].pulleys));
  return html + "</div></div>\n";
}

std::optional<Plot> over_ratio(const Pair& pair, const std::string& id, Figure figure,
                               const std::string& title, const std::string& words, int colour) {
  Series series;
  series.name = title + ", 95 % band";
  series.colour = colour;
  for (const RatioStop& stop : pair.stops) {
    const AnswerLine* line = line_of(stop.row, figure);
    if (!line || !line->estimate.value) continue;
    const Estimate& e = line->estimate;
    series.x.push_back(stop.row.ratio);
    series.y.push_back(*e.value);
    series.low.push_back(e.low.value_or(*e.value));
    series.high.push_back(e.high.value_or(*e.value));
    series.extrapolated.push_back(!line->extrapolated.empty());
  }
  if (series.x.size() < kFewestStops) return std::nullopt;
  Plot plot;
  plot.id = id;
  plot.title = title;
  plot.words = words;
  plot.x = {"Ratio, motor turns per hand-wheel turn", "", {}, {}, false, {}};
  const bool share = std::string_view(info(figure).unit) == "%";
  plot.y = {share ? "Speed lost" : title, info(figure).unit, {}, {}, true, {}};
  plot.x.low = kLowRatio;
  plot.x.high = kHighRatio;
  if (share) plot.y.high = 100;
  plot.series.push_back(std::move(series));
  return plot;
}

void trade_off_plots(Page& page, const Pair& pair, const std::string& id) {
  const auto add = [&](const std::string& what, Figure figure, const std::string& title,
                       const std::string& words, int colour) {
    auto plot = over_ratio(pair, what + "-" + id, figure, title, words, colour);
    if (plot) page.plot(std::move(*plot));
  };
  add("top-speed", Figure::kHandwheelSpeed, "Top speed of the hand wheel",
      "The optimum is flat: near it another pulley costs little. Dotted where a curve stands "
      "outside its measured range.",
      3);
  add("standstill", Figure::kStandstillTorque, "Torque behind the needle at standstill",
      "Grows in proportion to the ratio.", 4);
  const std::string slow = fmt::format(
      "How much of its speed the machine loses when a thick seam adds {} N·m while it sews at {} "
      "turns a minute; lower is steadier. ",
      DriveQuestion::kDefaultSeam, kSlowRpm);
  add("slow-resistance", Figure::kResistanceDrop, "Speed lost under a seam, pedal as a resistor",
      slow + "Pedal with a resistance in series.", 2);
  add("slow-voltage", Figure::kVoltageDrop, "Speed lost under a seam, pedal as a lower voltage",
      slow + "Pedal that lowers the voltage.", 1);
  Table table{
      "trade-off-" + id,
      fmt::format("{} driving {} over the ratio", pair.motor->part.name, pair.machine->part.name),
      {{"Ratio", "", false}},
      {}};
  for (const Figure figure : kShown)
    table.columns.push_back({heading(figure), info(figure).unit, true});
  table.columns.push_back({"Pulleys", "", false});
  for (const RatioStop& stop : pair.stops) {
    const bool whole = std::fabs(stop.row.ratio - std::round(stop.row.ratio)) < 1e-9;
    if (!whole && stop.pulleys.empty()) continue;
    std::vector<Cell> row{stop.row.ratio};
    for (const Figure figure : kShown) row.push_back(stop.row.estimate(figure));
    row.push_back(stop.pulleys);
    table.rows.push_back(std::move(row));
  }
  page.table(std::move(table));
}

void best_table(Page& page, const Pair& pair, const std::string& id) {
  Table table{
      "best-" + id,
      fmt::format("The best of {} driving {}", pair.motor->part.name, pair.machine->part.name),
      {{"", "", false}, {"Value", "", true}, {"Unit", "", false}},
      {}};
  table.columns[0].heading = "Figure";
  for (const Figure figure :
       {Figure::kBestRatio, Figure::kBestHandwheelSpeed, Figure::kLimitedBestRatio,
        Figure::kLimitedBestHandwheelSpeed, Figure::kPeakPower, Figure::kPeakPowerSpeed})
    if (const AnswerLine* line = pair.best.find(figure))
      table.rows.push_back({heading(figure), line->estimate, line->estimate.unit});
  page.table(std::move(table));
}

void one_pair(Page& page, const Pair& pair, std::size_t number) {
  const std::string names = pair.motor->part.name + " " + pair.machine->part.name;
  const std::string id = slug(names, number);
  page.heading(fmt::format("{} with {}", pair.motor->part.name, pair.machine->part.name));
  const Series drag = drag_series(pair);
  page.plot(crossing_plot(pair, "cross-" + id, drag));
  page.data("slider-" + id, slider_data(pair, "cross-" + id, drag));
  page.html(slider_html(pair, "slider-" + id));
  if (!pair.best.runs()) page.paragraph(why_not_running(pair.best));
  page.cautions("Read these numbers with care", pair.best.warnings);
  best_table(page, pair, id);
  trade_off_plots(page, pair, id);
}

// A drag curve per inertia only is no torque; there is nothing to cross then.
bool can_be_paired(const Subject& subject) {
  return subject.curve && (!subject.stored->of_machine || !subject.details.contains("c0") ||
                           detail(subject.details, "c0").value);
}

}  // namespace

void pairs_section(Page& page, const Book& book, const Subjects& subjects,
                   const std::function<void(double)>& progress) {
  const std::vector<PulleyRatio> pulleys = pulley_ratios(book);
  const std::size_t all = std::min(kMostPairs, subjects.motors.size() * subjects.machines.size());
  std::size_t number = 0;
  for (const Subject& motor : subjects.motors) {
    for (const Subject& machine : subjects.machines) {
      if (!can_be_paired(motor) || !can_be_paired(machine)) continue;
      if (++number == 1) {
        page.section("drives", "Motor, pulleys, machine");
        page.paragraph(
            "Move the ratio and see where motor and machine settle. The figures are those of "
            "loadline-fit drive for that ratio, without slip and belt loss.");
      }
      if (number > kMostPairs) continue;
      one_pair(page, make_pair(motor, machine, pulleys), number);
      progress(static_cast<double>(number) / static_cast<double>(all));
    }
  }
  if (number > kMostPairs)
    page.paragraph(fmt::format(
        "{} more pairs are left out; name motors and machines with --motor and --machine to see "
        "them.",
        number - kMostPairs));
}

}  // namespace loadline
