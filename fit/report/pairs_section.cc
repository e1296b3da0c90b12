#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <cmath>

#include "db/basis/units.h"
#include "db/basis/web.h"
#include "fit/report/curve_plots.h"
#include "fit/report/pairs.h"
#include "fit/report/sections.h"

namespace loadline {
namespace {

constexpr std::size_t kMostPairs = 12;  // each carries some 120 answers
constexpr std::array kShown = {Figure::kMotorSpeed,       Figure::kHandwheelSpeed,
                               Figure::kStitchRate,       Figure::kShaftPower,
                               Figure::kStandstillTorque, Figure::kNeedleForce};

// The figure's name as a heading.
std::string heading(Figure figure) {
  std::string words = info(figure).words;
  words[0] = static_cast<char>(std::toupper(static_cast<unsigned char>(words[0])));
  return words;
}

// "1,234 rpm" and "1,200 to 1,270" apart, as the page shows them.
std::array<std::string, 2> value_and_limits(const Estimate& estimate) {
  const std::string text = to_text(estimate);
  const std::size_t open = text.find(" ("), close = text.find(')');
  if (open == std::string::npos || close == std::string::npos) return {text, ""};
  return {text.substr(0, open) + text.substr(close + 1), text.substr(open + 1, close - open)};
}

Json answers_json(const DriveAnswer& answer) {
  Json answers = Json::object();
  for (const Figure figure : kShown) {
    const AnswerLine* line = answer.find(figure);
    const auto shown = line ? value_and_limits(line->estimate)
                            : std::array<std::string, 2>{"no steady running", ""};
    answers[info(figure).key] = Json::array(
        {shown[0], shown[1] + (line && !line->extrapolated.empty() ? ", extrapolated" : "")});
  }
  return answers;
}

Json cross_json(const Pair& pair, const DriveAnswer& answer) {
  const AnswerLine* line = answer.find(Figure::kMotorSpeed);
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
  plot.series.push_back(load_line(pair, stop.ratio, drag));
  Series cross;
  cross.name = "Where they settle";
  cross.look = Series::Look::kMark;
  cross.colour = 5;
  const Json at = cross_json(pair, stop.answer);
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
    stops.push_back({{"ratio", stop.ratio},
                     {"words", fmt::format("{:.1f} : 1", stop.ratio)},
                     {"answers", answers_json(stop.answer)},
                     {"cross", cross_json(pair, stop.answer)}});
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
      "hand-wheel turn <output>{1:.1f} : 1</output></label><input id=\"slider-{0}\" type=\"range\" "
      "min=\"0\" max=\"{2}\" step=\"1\" value=\"{3}\"><dl class=\"answer\">",
      data_name, start.ratio, pair.stops.size() - 1, pair.start);
  for (const Figure figure : kShown) {
    const AnswerLine* line = start.answer.find(figure);
    if (figure == Figure::kNeedleForce && !line) continue;
    const auto shown = line ? value_and_limits(line->estimate)
                            : std::array<std::string, 2>{"no steady running", ""};
    html += fmt::format(
        "<div><dt>{}</dt><dd><span data-key=\"{}\">{}</span> <span class=\"interval\">{}</span>"
        "</dd></div>",
        html_escape(heading(figure)), info(figure).key, html_escape(shown[0]), html_escape(shown[1]));
  }
  return html + "</dl></div>\n";
}

std::optional<Plot> over_ratio(const Pair& pair, const std::string& id, Figure figure,
                               const std::string& title, const std::string& words, int colour) {
  Series series;
  series.name = title + ", 95 % band";
  series.colour = colour;
  double first_measured = 0, last_measured = 0;
  bool any_measured = false;
  for (const RatioStop& stop : pair.stops) {
    const AnswerLine* line = stop.answer.find(figure);
    if (!line || !line->estimate.value) continue;
    const Estimate& e = line->estimate;
    series.x.push_back(stop.ratio);
    series.y.push_back(*e.value);
    series.low.push_back(e.low.value_or(*e.value));
    series.high.push_back(e.high.value_or(*e.value));
    if (!line->extrapolated.empty()) continue;
    if (!any_measured) first_measured = stop.ratio;
    any_measured = true;
    last_measured = stop.ratio;
  }
  if (series.x.size() < 2) return std::nullopt;
  if (any_measured) {
    series.measured_from = first_measured;
    series.measured_to = last_measured;
  } else {
    series.measured_from = series.measured_to = -1;
  }
  Plot plot;
  plot.id = id;
  plot.title = title;
  plot.words = words;
  plot.x = {"Ratio, motor turns per hand-wheel turn", "", {}, {}, false, {}};
  plot.y = {title, info(figure).unit, {}, {}, true, {}};
  plot.series.push_back(std::move(series));
  return plot;
}

void trade_off(Page& page, const Pair& pair, const std::string& id) {
  const auto add = [&](const std::string& what, Figure figure, const std::string& title,
                       const std::string& words, int colour) {
    auto plot = over_ratio(pair, what + "-" + id, figure, title, words, colour);
    if (plot) page.plot(std::move(*plot));
  };
  add("top-speed", Figure::kHandwheelSpeed, "Top speed of the hand wheel",
      "The optimum is flat: near it another pulley costs little. Dotted where a curve stands "
      "outside "
      "its measured range.",
      3);
  add("standstill", Figure::kStandstillTorque, "Torque behind the needle at standstill",
      "Grows in proportion to the ratio.", 4);
  Table table{
      "trade-off-" + id,
      fmt::format("{} driving {} over the ratio", pair.motor->part.name, pair.machine->part.name),
      {{"Ratio", "", false}},
      {}};
  for (const Figure figure : kShown)
    table.columns.push_back({heading(figure), info(figure).unit, true});
  for (std::size_t i = 0; i < pair.stops.size(); i += 10) {
    std::vector<Cell> row{pair.stops[i].ratio};
    for (const Figure figure : kShown) {
      const AnswerLine* line = pair.stops[i].answer.find(figure);
      row.push_back(line ? line->estimate : Estimate::unknown(info(figure).unit));
    }
    table.rows.push_back(std::move(row));
  }
  page.table(std::move(table));
}

void one_pair(Page& page, const Subject& motor, const Subject& machine, std::size_t number) {
  const std::string id = slug(motor.part.name + " " + machine.part.name, number);
  page.heading(fmt::format("{} with {}", motor.part.name, machine.part.name));
  const Pair pair = make_pair(motor, machine);
  const RatioStop& start = pair.stops[pair.start];
  const Series drag = drag_series(pair);
  page.plot(crossing_plot(pair, "cross-" + id, drag));
  page.data("slider-" + id, slider_data(pair, "cross-" + id, drag));
  page.html(slider_html(pair, "slider-" + id));
  if (!start.answer.runs()) page.paragraph(why_not_running(start.answer));
  page.cautions("Read these numbers with care", start.answer.warnings);
  trade_off(page, pair, id);
}

}  // namespace

void pairs_section(Page& page, const Book&, const Subjects& subjects) {
  std::size_t number = 0;
  for (const Subject& motor : subjects.motors) {
    for (const Subject& machine : subjects.machines) {
      if (!motor.curve || !machine.curve) continue;
      if (number == 0) {
        page.section("drives", "Motor, pulleys, machine");
        page.paragraph(
            "Move the ratio and see where motor and machine settle. The figures are those of "
            "loadline-fit drive for that ratio, without slip and belt loss.");
      }
      if (++number <= kMostPairs) one_pair(page, motor, machine, number);
    }
  }
  if (number > kMostPairs)
    page.paragraph(
        fmt::format("{} more pairs are left out; name motors and machines with --motor and "
                    "--machine to see them.",
                    number - kMostPairs));
}

}  // namespace loadline
