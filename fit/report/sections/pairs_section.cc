#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <array>
#include <cctype>
#include <cmath>
#include <string_view>

#include "db/basis/units.h"
#include "db/basis/web.h"
#include "fit/report/pages/pairs.h"
#include "fit/report/pages/sections.h"
#include "fit/report/pages/verdicts.h"
#include "fit/report/plots/curve_plots.h"

namespace loadline {
namespace {

constexpr std::size_t kMostPairs = 12;    // each carries some 120 answers
constexpr std::size_t kFewestStops = 20;  // a shorter stretch is no trade-off to look at
// Stitches come after the hand wheel where they are not the same number.
constexpr std::array kShown = {Figure::kMotorSpeed,       Figure::kHandwheelSpeed,
                               Figure::kStitchRate,       Figure::kShaftPower,
                               Figure::kStandstillTorque, Figure::kNeedleForce};

// One machine with the motors that stand in its pictures together.
using Group = std::vector<Pair>;

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
std::string stop_words(const RatioStop& stop, const Language& language) {
  if (stop.pulleys.empty()) return language.number(fmt::format("{:.1f} : 1", stop.row.ratio));
  return language.number(significant(stop.row.ratio, 4)) + " : 1, " + stop.pulleys;
}

bool is_shown(const Group& group, Figure figure) {
  const Part& machine = group.front().machine->part;
  if (figure == Figure::kStitchRate) return machine.number("stitches-per-turn").value_or(1) != 1;
  if (figure == Figure::kNeedleForce) return machine.number("stroke-mm").has_value();
  return true;
}

// Value and limits as the page shows them.
std::array<std::string, 2> shown_answer(const TradeOffRow& row, Figure figure,
                                        const Language& language) {
  const AnswerLine* line = line_of(row, figure);
  if (!line) return {language.words("no steady running"), ""};
  Estimate estimate = line->estimate;
  if (figure == Figure::kStitchRate) estimate.unit.clear();  // its words say it
  auto shown = value_and_limits(estimate);
  for (std::string& text : shown) text = language.number(text);
  if (!line->extrapolated.empty()) shown[1] += ", " + language.words("extrapolated");
  return shown;
}

Json answers_json(const Group& group, std::size_t stop, const Language& language) {
  Json all = Json::array();
  for (const Pair& pair : group) {
    Json answers = Json::object();
    for (const Figure figure : kShown) {
      if (!is_shown(group, figure)) continue;
      const auto shown = shown_answer(pair.stops[stop].row, figure, language);
      answers[info(figure).key] = Json::array({shown[0], shown[1]});
    }
    all.push_back(std::move(answers));
  }
  return all;
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

Json crosses_json(const Group& group, std::size_t stop) {
  Json all = Json::array();
  for (const Pair& pair : group) all.push_back(cross_json(pair, pair.stops[stop].row));
  return all;
}

double end_of_plot(const Group& group) {
  double end = 1;
  for (const Pair& pair : group) end = std::max(end, end_of_motor_plot(*pair.motor->curve));
  return end;
}

std::string motors_of(const Group& group) {
  std::string names;
  for (const Pair& pair : group) names += (names.empty() ? "" : ", ") + pair.motor->part.name;
  return names;
}

Series load_line(const Group& group, double ratio, const Series& drag) {
  Series load = drag;
  load.name = fmt::format("Load line of {}", group.front().machine->part.name);
  load.colour = 2;
  load.dash = Series::Dash::kDashed;
  for (double& x : load.x) x *= ratio;
  for (auto* values : {&load.y, &load.low, &load.high})
    for (double& y : *values) y /= ratio;
  load.measured_from = *drag.measured_from * ratio;
  load.measured_to = *drag.measured_to * ratio;
  return load;
}

// The machine's drag over hand-wheel speed, far enough to cross the motors at any ratio.
Series drag_series(const Group& group) {
  return torque_series(*group.front().machine->curve, end_of_plot(group) / kLowRatio, "drag", 2);
}

Series cross_series(const Pair& pair, std::size_t number) {
  Series cross;
  cross.name = number == 0 ? "Where they settle" : "";
  cross.look = Series::Look::kMark;
  cross.colour = motor_colour(number);
  const Json at = cross_json(pair, pair.stops[pair.start].row);
  if (!at.is_object()) return cross;
  cross.x = {at["x"].get<double>()};
  cross.y = {at["y"].get<double>()};
  if (at["low"].is_number() && at["high"].is_number()) {
    cross.x_low = {at["low"].get<double>()};
    cross.x_high = {at["high"].get<double>()};
  }
  return cross;
}

// Where each motor settles, for those who cannot see it.
std::string crossing_words(const Group& group) {
  std::string words;
  const RatioStop& stop = group.front().stops[group.front().start];
  for (const Pair& pair : group) {
    const TradeOffRow& row = pair.stops[pair.start].row;
    const std::string ratio = significant(stop.row.ratio, 3);
    words +=
        line_of(row, Figure::kHandwheelSpeed)
            ? fmt::format("At a ratio of {} {} brings the hand wheel to {}. ", ratio,
                          pair.motor->part.name, to_text(row.estimate(Figure::kHandwheelSpeed)))
            : fmt::format("At a ratio of {} {} finds no steady speed. ", ratio,
                          pair.motor->part.name);
  }
  return words;
}

Plot crossing_plot(const Group& group, const std::string& id, const Series& drag) {
  Plot plot;
  plot.id = id;
  plot.title = fmt::format("{} driving {}", motors_of(group), group.front().machine->part.name);
  plot.words = crossing_words(group) +
               "They settle where a motor's torque meets the load line. A smaller motor pulley "
               "(a higher ratio) lays the load line flatter.";
  const double end = end_of_plot(group);
  plot.x = {"Motor speed", "rpm", 0.0, rpm_from_rad_per_s(end), false, {}};
  plot.y = {"Torque at the motor shaft", "N·m", 0.0, {}, true, {}};
  double top = 0;
  for (std::size_t i = 0; i < group.size(); ++i) {
    const Subject& motor = *group[i].motor;
    plot.series.push_back(torque_series(*motor.curve, end_of_motor_plot(*motor.curve),
                                        "Torque of " + motor.part.name, motor_colour(i)));
    plot.series.back().dash = motor_dash(i);
    for (const double y : plot.series.back().y) top = std::max(top, y);
  }
  const Pair& first = group.front();
  plot.series.push_back(load_line(group, first.stops[first.start].row.ratio, drag));
  for (std::size_t i = 0; i < group.size(); ++i) plot.series.push_back(cross_series(group[i], i));
  // The highest motor torque decides the height; a steep load line may leave the frame.
  const auto ticks = nice_ticks(0, 1.05 * top, kTicks);
  if (!ticks.empty()) plot.y.high = ticks.back();
  return plot;
}

Json numbers(const std::vector<double>& values) {
  Json list = Json::array();
  for (const double value : values) list.push_back(json_number(value));
  return list;
}

Json slider_data(const Group& group, const std::string& plot_id, const Series& drag,
                 const Language& language) {
  Json stops = Json::array();
  for (std::size_t i = 0; i < group.front().stops.size(); ++i) {
    const RatioStop& stop = group.front().stops[i];
    stops.push_back({{"ratio", stop.row.ratio},
                     {"words", stop_words(stop, language)},
                     {"answers", answers_json(group, i, language)},
                     {"crosses", crosses_json(group, i)}});
  }
  return {{"plot", plot_id},
          {"load_set", group.size()},
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

// A row for each figure, a column for each motor.
std::string answers_html(const Group& group, const Language& language) {
  std::string html = "<div class=\"answers\"><table class=\"answer\"><thead><tr><th></th>";
  for (const Pair& pair : group)
    html += fmt::format("<th scope=\"col\">{}</th>", html_escape(pair.motor->part.name));
  html += "</tr></thead><tbody>";
  for (const Figure figure : kShown) {
    if (!is_shown(group, figure)) continue;
    html +=
        fmt::format("<tr><th scope=\"row\">{}</th>", html_escape(language.words(heading(figure))));
    for (std::size_t k = 0; k < group.size(); ++k) {
      const Pair& pair = group[k];
      const auto shown = shown_answer(pair.stops[pair.start].row, figure, language);
      html += fmt::format(
          "<td><span data-motor=\"{}\" data-key=\"{}\">{}</span> <span class=\"interval\">{}"
          "</span></td>",
          k, info(figure).key, html_escape(shown[0]), html_escape(shown[1]));
    }
    html += "</tr>";
  }
  return html + "</tbody></table></div>";
}

std::string slider_html(const Group& group, const std::string& data_name,
                        const Language& language) {
  const Pair& first = group.front();
  std::string html = fmt::format(
      "<div class=\"slider\" data-pair=\"{0}\"><label for=\"slider-{0}\">{4} "
      "<output>{1}</output></label><input id=\"slider-{0}\" type=\"range\" "
      "min=\"0\" max=\"{2}\" step=\"1\" value=\"{3}\"><div class=\"stops\">",
      data_name, html_escape(stop_words(first.stops[first.start], language)),
      first.stops.size() - 1, first.start,
      html_escape(language.words("Ratio, motor turns per hand-wheel turn")));
  for (std::size_t i = 0; i < first.stops.size(); ++i)
    if (!first.stops[i].pulleys.empty())
      html += fmt::format("<button type=\"button\" data-stop=\"{}\">{}</button>", i,
                          html_escape(first.stops[i].pulleys));
  return html + "</div>" + answers_html(group, language) + "</div>\n";
}

// How slow running goes at a ratio with the pedal that `figure` is about.
SlowRunning slow_running(const TradeOffRow& row, Figure figure) {
  if (figure == Figure::kResistanceDrop) return row.with_resistance;
  if (figure == Figure::kVoltageDrop) return row.with_voltage;
  return SlowRunning::kSteady;
}

Series over_ratio(const Pair& pair, std::size_t number, Figure figure) {
  Series series;
  series.name = pair.motor->part.name;
  series.named = true;
  series.colour = motor_colour(number);
  series.dash = motor_dash(number);
  for (const RatioStop& stop : pair.stops) {
    const AnswerLine* line = line_of(stop.row, figure);
    const bool known = line && line->estimate.value;
    // A machine that the seam stops has lost all its speed.
    const bool stops = !known && slow_running(stop.row, figure) == SlowRunning::kStalls;
    if (!known && !stops) continue;
    const Estimate e = stops ? Estimate::exact(100, "%") : line->estimate;
    series.x.push_back(stop.row.ratio);
    series.y.push_back(*e.value);
    const double open = stops ? std::nan("") : *e.value;  // no limits of a stop are known
    series.low.push_back(e.low.value_or(open));
    series.high.push_back(e.high.value_or(open));
    series.extrapolated.push_back(known && !line->extrapolated.empty());
  }
  return series;
}

std::size_t known_stops(const Pair& pair, Figure figure) {
  return static_cast<std::size_t>(
      std::count_if(pair.stops.begin(), pair.stops.end(), [&](const RatioStop& stop) {
        const AnswerLine* line = line_of(stop.row, figure);
        return line && line->estimate.value;
      }));
}

const char* reason_of(SlowRunning running) {
  switch (running) {
    case SlowRunning::kStalls:
      return "the seam stops it";
    case SlowRunning::kUnsteady:
      return "its slow speed runs off";
    case SlowRunning::kTooSlow:
      return "it does not reach the slow speed";
    case SlowRunning::kNotAnswered:
    case SlowRunning::kNoModel:
      return "its curve does not say what such a pedal does";
    case SlowRunning::kSteady:
      break;
  }
  return "";
}

// Why a motor's line says nothing, or all is lost, over stretches of the ratio.
std::string why_missing(const Pair& pair, Figure figure) {
  std::string words;
  std::size_t from = 0;
  for (std::size_t i = 0; i <= pair.stops.size(); ++i) {
    const SlowRunning running = slow_running(pair.stops[from].row, figure);
    if (i < pair.stops.size() && slow_running(pair.stops[i].row, figure) == running) continue;
    if (running != SlowRunning::kSteady)
      words += fmt::format("{}: from {} to {} {}. ", pair.motor->part.name,
                           significant(pair.stops[from].row.ratio, 3),
                           significant(pair.stops[i - 1].row.ratio, 3), reason_of(running));
    from = i;
  }
  return words;
}

struct Over {
  std::string id, title, words;
  Figure figure;
};

void plot_over_ratio(Page& page, const Group& group, const Over& over) {
  Plot plot;
  plot.id = over.id;
  plot.title = over.title;
  plot.words = over.words;
  std::size_t told = 0;
  std::string missing;
  for (std::size_t k = 0; k < group.size(); ++k) {
    Series series = over_ratio(group[k], k, over.figure);
    missing += why_missing(group[k], over.figure);
    told = std::max(told, known_stops(group[k], over.figure));
    if (!series.x.empty()) plot.series.push_back(std::move(series));
  }
  plot.words += missing;
  if (plot.words.ends_with(' ')) plot.words.pop_back();
  if (told < kFewestStops) {
    // Not worth a picture: words say as much.
    if (!missing.empty()) page.paragraph(over.title + ". " + plot.words);
    return;
  }
  plot.x = {"Ratio, motor turns per hand-wheel turn", "", kLowRatio, kHighRatio, false, {}};
  const bool share = std::string_view(info(over.figure).unit) == "%";
  plot.y = {share ? "Speed lost" : heading(over.figure), info(over.figure).unit, {}, {}, true, {}};
  if (share) plot.y.high = 104;  // a line at 100 must not hide in the frame
  page.plot(std::move(plot));
}

// What each motor makes of its best ratio.
std::string best_words(const Group& group) {
  std::string words;
  for (const Pair& pair : group) {
    const AnswerLine* ratio = pair.best.find(Figure::kLimitedBestRatio);
    const AnswerLine* speed = pair.best.find(Figure::kLimitedBestHandwheelSpeed);
    if (!ratio) ratio = pair.best.find(Figure::kBestRatio);
    if (!speed) speed = pair.best.find(Figure::kBestHandwheelSpeed);
    if (!ratio || !speed || !ratio->estimate.value || !speed->estimate.value) continue;
    words += fmt::format("{} is fastest at {}: {}. ", pair.motor->part.name,
                         significant(*ratio->estimate.value, 3), to_text(speed->estimate));
  }
  return words;
}

void trade_off_plots(Page& page, const Group& group, const std::string& id) {
  plot_over_ratio(
      page, group,
      {"top-speed-" + id, "Top speed over the ratio",
       best_words(group) + "Near the best ratio another pulley costs little. Dotted where a curve "
                           "stands outside its measured range. ",
       Figure::kHandwheelSpeed});
  const std::string slow = fmt::format(
      "How much of its speed {} loses when a thick seam adds {} N·m while it sews at {} turns a "
      "minute; lower is steadier, at 100 % it stops. ",
      group.front().machine->part.name, DriveQuestion::kDefaultSeam, kSlowRpm);
  plot_over_ratio(page, group,
                  {"slow-resistance-" + id, "Speed lost under a seam, pedal as a resistor", slow,
                   Figure::kResistanceDrop});
  plot_over_ratio(page, group,
                  {"slow-voltage-" + id, "Speed lost under a seam, pedal as a lower voltage", slow,
                   Figure::kVoltageDrop});
  page.turn_to(Page::Part::kExpert);
  plot_over_ratio(page, group,
                  {"standstill-" + id, "Torque behind the needle at standstill",
                   "It grows in proportion to the ratio. ", Figure::kStandstillTorque});
  page.turn_to(Page::Part::kFront);
}

void trade_off_table(Page& page, const Group& group, const Pair& pair, const std::string& id) {
  Table table{
      "trade-off-" + id,
      fmt::format("{} driving {} over the ratio", pair.motor->part.name, pair.machine->part.name),
      {{"Ratio", "", false}, {"Pulleys", "", false}},
      {}};
  for (const Figure figure : kShown)
    if (is_shown(group, figure))
      table.columns.push_back(
          {heading(figure), figure == Figure::kStitchRate ? "" : info(figure).unit, true});
  for (const RatioStop& stop : pair.stops) {
    const bool whole = std::fabs(stop.row.ratio - std::round(stop.row.ratio)) < 1e-9;
    if (!whole && stop.pulleys.empty()) continue;
    std::vector<Cell> row{stop.row.ratio, stop.pulleys};
    for (const Figure figure : kShown)
      if (is_shown(group, figure)) row.push_back(stop.row.estimate(figure));
    table.rows.push_back(std::move(row));
  }
  page.table(without_empty_columns(std::move(table)));
}

void best_table(Page& page, const Pair& pair, const std::string& id) {
  Table table{
      "best-" + id,
      fmt::format("The best of {} driving {}", pair.motor->part.name, pair.machine->part.name),
      {{"", "", false, true}, {"Value", "", true}, {"Unit", "", false, true}},
      {}};
  table.columns[0].heading = "Figure";
  for (const Figure figure :
       {Figure::kBestRatio, Figure::kBestHandwheelSpeed, Figure::kLimitedBestRatio,
        Figure::kLimitedBestHandwheelSpeed, Figure::kPeakPower, Figure::kPeakPowerSpeed})
    if (const AnswerLine* line = pair.best.find(figure))
      table.rows.push_back({heading(figure), line->estimate, line->estimate.unit});
  page.table(std::move(table));
}

void cautions_of(Page& page, const Group& group) {
  for (const Pair& pair : group) {
    if (!pair.best.runs()) page.paragraph(why_not_running(pair.best));
    page.cautions(fmt::format("Read the numbers of {} with {} with care", pair.motor->part.name,
                              pair.machine->part.name),
                  pair.best.warnings);
  }
}

void one_group(Page& page, const Group& group, std::size_t number) {
  const std::string id = slug(group.front().machine->part.name, number);
  page.heading(fmt::format("Which motor for {}?", group.front().machine->part.name));
  const Series drag = drag_series(group);
  page.plot(crossing_plot(group, "cross-" + id, drag));
  page.data("slider-" + id, slider_data(group, "cross-" + id, drag, page.language()));
  page.html(slider_html(group, "slider-" + id, page.language()));
  cautions_of(page, group);
  trade_off_plots(page, group, id);
  page.turn_to(Page::Part::kExpert);
  for (std::size_t k = 0; k < group.size(); ++k) {
    const Pair& pair = group[k];
    const std::string pair_id = fmt::format("{}-{}", id, k + 1);
    best_table(page, pair, pair_id);
    trade_off_table(page, group, pair, pair_id);
  }
  page.turn_to(Page::Part::kFront);
}

std::optional<double> chosen_ratio(const Verdict& verdict,
                                   const std::vector<PulleyRatio>& pulleys) {
  const auto names = chosen_pulleys(verdict);
  for (const PulleyRatio& one : pulleys)
    if (names && one.names == *names) return one.ratio;
  return std::nullopt;
}

void begin(Page& page) {
  page.section("drives", "Motor, pulleys, machine");
  page.paragraph(
      "Move the ratio and see where motor and machine settle. The figures are those of "
      "loadline-fit drive for that ratio, without slip and belt loss; what a belt takes is in the "
      "answer at the top.");
  page.turn_to(Page::Part::kExpert);
  page.section("trade-offs", "Motor, pulleys, machine in numbers");
  page.turn_to(Page::Part::kFront);
}

// A drag curve per inertia only is no torque; there is nothing to cross then.
bool can_be_paired(const Subject& subject) {
  return subject.curve && (!subject.stored->of_machine || !subject.details.contains("c0") ||
                           detail(subject.details, "c0").value);
}

}  // namespace

void pairs_section(Page& page, const Book& book, const Subjects& subjects,
                   const std::vector<Verdict>& verdicts,
                   const std::function<void(double)>& progress) {
  const std::vector<PulleyRatio> pulleys = pulley_ratios(book);
  const std::size_t all = std::min(kMostPairs, subjects.motors.size() * subjects.machines.size());
  std::size_t count = 0, groups = 0;
  for (std::size_t m = 0; m < subjects.machines.size(); ++m) {
    const Subject& machine = subjects.machines[m];
    Group group;
    const auto flush = [&] {
      if (group.empty()) return;
      if (++groups == 1) begin(page);
      one_group(page, group, groups);
      group.clear();
    };
    for (const Subject& motor : subjects.motors) {
      if (!can_be_paired(motor) || !can_be_paired(machine)) continue;
      if (++count > kMostPairs) continue;
      // One slider moves them all, so they begin together.
      const auto first = group.empty() ? chosen_ratio(verdicts[m], pulleys)
                                       : group.front().stops[group.front().start].row.ratio;
      group.push_back(make_pair(motor, machine, pulleys, first));
      progress(static_cast<double>(count) / static_cast<double>(all));
      if (group.size() == kMotorsOfPlot) flush();
    }
    flush();
  }
  if (count > kMostPairs)
    page.paragraph(fmt::format(
        "{} more pairs are left out; name motors and machines with --motor and --machine to see "
        "them.",
        count - kMostPairs));
}

}  // namespace loadline
