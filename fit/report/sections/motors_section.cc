#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>

#include "db/basis/json_read.h"
#include "db/basis/units.h"
#include "fit/report/pages/sections.h"
#include "fit/report/pages/words.h"
#include "fit/report/plots/curve_plots.h"

namespace loadline {
namespace {

// Highest value worth showing: the line, and the band where it was measured. A band that
// runs away outside must not squeeze the rest flat.
double top_of(const Plot& plot) {
  double top = 0;
  for (const Series& series : plot.series) {
    if (series.look != Series::Look::kLine) continue;
    for (const double y : series.y)
      if (std::isfinite(y)) top = std::max(top, y);
    for (std::size_t i = 0; i < series.high.size(); ++i)
      if (series.measured_at(i)) top = std::max(top, series.high[i]);
  }
  return top;
}

void cut_above_data(Plot& plot) {
  const std::vector<double> ticks = nice_ticks(0, 1.08 * top_of(plot), kTicks);
  plot.y.from_zero = true;
  plot.y.low = 0;
  if (!ticks.empty()) plot.y.high = ticks.back();
}

// Outliers may leave the frame; the cloud that the curve was fitted to fills it.
void cut_to_weighty(Plot& plot, const Series& used) {
  std::vector<double> sizes;
  for (const double y : used.y)
    if (std::isfinite(y)) sizes.push_back(std::fabs(y));
  if (sizes.empty()) return;
  // One in a hundred may lie on the way between two steps, where a single value says little.
  const auto most = sizes.begin() + static_cast<std::ptrdiff_t>(sizes.size() * 99 / 100);
  std::nth_element(sizes.begin(), most, sizes.end());
  const std::vector<double> ticks = nice_ticks(-2 * *most, 2 * *most, kTicks);
  if (ticks.empty()) return;
  plot.y.low = ticks.front();
  plot.y.high = ticks.back();
}

Plot plot_over_speed(const std::string& id, const std::string& title, const std::string& words,
                     const char* quantity, const char* unit) {
  Plot plot;
  plot.id = id;
  plot.title = title;
  plot.words = words;
  plot.x.quantity = "Motor speed";
  plot.x.unit = "rpm";
  plot.x.low = 0;
  plot.y.quantity = quantity;
  plot.y.unit = unit;
  return plot;
}

// The line that a motor has in every plot of several.
void style(Series& series, std::size_t number) {
  series.colour = motor_colour(number);
  series.dash = motor_dash(number);
}

std::string of_motors(const std::vector<const Subject*>& motors) {
  return motors.size() == 1 ? motors.front()->part.name : "the motors";
}

// What a picture of several motors shows, a sentence for each.
std::string findings(const std::vector<const Subject*>& motors, bool power) {
  std::string words;
  for (const Subject* motor : motors) {
    const auto number = [&](const char* key) { return to_text(detail(motor->details, key)); };
    const std::string who =
        motor->stored->supply_v
            ? fmt::format("{} at {} V", motor->part.name, significant(*motor->stored->supply_v, 4))
            : motor->part.name;
    words += power ? fmt::format("{}: at most {} at {}. ", who, number("peak_power"),
                                 number("peak_power_speed"))
                   : fmt::format("{}: {} at standstill, {} without load. ", who,
                                 number("stall_torque"), number("no_load_speed"));
  }
  return words + "Dotted where nothing was measured; the bands are 95 % intervals.";
}

// Motors over each other, so that they can be compared.
void overlay(Page& page, const std::vector<const Subject*>& motors, std::size_t group) {
  const std::string end = group == 1 ? "" : fmt::format("-{}", group);
  for (const bool power : {false, true}) {
    Plot plot = plot_over_speed((power ? "motors-power" : "motors-torque") + end,
                                (power ? "Power of " : "Torque of ") + of_motors(motors),
                                findings(motors, power), power ? "Shaft power" : "Torque",
                                power ? "W" : "N·m");
    for (std::size_t i = 0; i < motors.size(); ++i) {
      const Curve& curve = *motors[i]->curve;
      const double to = end_of_motor_plot(curve);
      const std::string& name = motors[i]->part.name;
      plot.series.push_back(power ? power_series(curve, to, name, 1)
                                  : torque_series(curve, to, name, 1));
      plot.series.back().named = true;
      style(plot.series.back(), i);
    }
    cut_above_data(plot);
    page.plot(std::move(plot));
  }
}

void overlays(Page& page, const std::vector<Subject>& motors) {
  std::vector<const Subject*> group;
  std::size_t number = 0;
  const auto flush = [&] {
    if (!group.empty()) overlay(page, group, ++number);
    group.clear();
  };
  for (const Subject& motor : motors) {
    if (motor.curve) group.push_back(&motor);
    if (group.size() == kMotorsOfPlot) flush();
  }
  flush();
}

void curve_plots(Page& page, const Subject& motor, const std::string& id) {
  const Curve& curve = *motor.curve;
  const double end = end_of_motor_plot(curve);
  StoredPoints points = stored_points(motor.details);
  Plot torque =
      plot_over_speed("torque-" + id, "Torque of " + motor.part.name,
                      "Net torque on the shaft. " + measured_words(curve), "Torque", "N·m");
  add_points(torque, points, &StoredPoints::Cloud::torque);
  torque.series.push_back(torque_series(curve, end, "Fitted torque, 95 % band", 1));
  cut_above_data(torque);
  page.plot(std::move(torque));
  Plot power = plot_over_speed("power-" + id, "Power of " + motor.part.name,
                               "What the shaft gives at each speed. " + measured_words(curve),
                               "Shaft power", "W");
  add_points(power, points, &StoredPoints::Cloud::power);
  power.series.push_back(power_series(curve, end, "Power of the fitted torque, 95 % band", 2));
  cut_above_data(power);
  page.plot(std::move(power));
  if (!points.any) return;
  Plot residual = plot_over_speed(
      "residual-" + id, "What the curve of " + motor.part.name + " leaves over",
      "Readings minus curve. A shape in this cloud means that the curve does not tell all.",
      "Torque residual", "N·m");
  cut_to_weighty(residual, points.used.residual);
  add_points(residual, points, &StoredPoints::Cloud::residual);
  page.plot(std::move(residual));
}

Cell number_cell(const Json& json, const char* key) {
  const auto number = number_in(json, key);
  return number ? Cell(*number) : Cell("");
}

void parameters_table(Page& page, const Subject& motor, const std::string& id) {
  const auto parameters = motor.details.find("parameters");
  if (parameters == motor.details.end() || !parameters->is_object() || parameters->empty()) return;
  Table table{"parameters-" + id,
              "Parameters of the " + motor.stored->model + " curve of " + motor.part.name,
              {{"Parameter", "", false},
               {"Value", "", true},
               {"Unit", "", false},
               {"Meaning", "", false, true}},
              {}};
  for (const auto& [name, json] : parameters->items()) {
    const Estimate estimate = estimate_from_json(json);
    table.rows.push_back(
        {parameter_symbol(name), estimate, estimate.unit, parameter_meaning(name)});
  }
  page.table(std::move(table));
}

void models_table(Page& page, const Subject& motor, const std::string& id) {
  const auto models = motor.details.find("models");
  if (models == motor.details.end() || !models->is_array() || models->empty()) return;
  const bool of_speeds = detail(motor.details, "residual_rms").unit == "rpm";
  Table table{"models-" + id,
              "Curves tried for " + motor.part.name,
              {{"Model", "", false, true},
               {"AICc, lower is better", "", false},
               {"Residual", of_speeds ? "rpm" : "N·m", false},
               {"Remark", "", false, true}},
              {}};
  for (const Json& model : *models)
    if (model.is_object())
      table.rows.push_back({text_in(model, "model"), number_cell(model, "aicc"),
                            number_cell(model, "residual_rms"), text_in(model, "remark")});
  page.table(std::move(table));
}

void budget_table(Page& page, const Subject& motor, const std::string& id) {
  const auto budget = motor.details.find("budget");
  if (budget == motor.details.end() || !budget->is_array() || budget->empty()) return;
  Table table{"budget-" + id,
              "Where the intervals of " + motor.part.name + " come from (standard uncertainties)",
              {{"Source", "", false, true},
               {"Standstill torque", "N·m", false},
               {"No-load speed", "rpm", false},
               {"Peak power", "W", false},
               {"Speed of peak power", "rpm", false}},
              {}};
  for (const Json& line : *budget)
    if (line.is_object())
      table.rows.push_back({text_in(line, "source"), number_cell(line, "stall_torque_nm"),
                            number_cell(line, "no_load_speed_rpm"),
                            number_cell(line, "peak_power_w"),
                            number_cell(line, "peak_power_speed_rpm")});
  page.table(std::move(table));
}

void findings_table(Page& page, const Subject& motor, const std::string& id) {
  const auto findings = motor.details.find("run_findings");
  if (findings == motor.details.end() || !findings->is_array() || findings->empty()) return;
  Table table{"findings-" + id,
              "What each run of " + motor.part.name + " said about the bench",
              {{"Run", "", false},
               {"Lag of the load cell", "ms", true},
               {"Inertia before the cell", "kg·m²", true},
               {"Drift over the run", "N·m", true},
               {"Warm-up", "", true},
               {"Readings", "", false},
               {"Neighbouring readings that tell as much as one", "", false}},
              {}};
  for (const Json& finding : *findings) {
    if (!finding.is_object()) continue;
    table.rows.push_back({number_cell(finding, "run"), detail(finding, "lag"),
                          detail(finding, "inertia"), detail(finding, "drift"),
                          detail(finding, "warm_up"), number_cell(finding, "values"),
                          number_cell(finding, "correlation_factor")});
  }
  page.table(std::move(table));
}

void one_motor(Page& page, const Subject& motor, std::size_t number) {
  const std::string id = slug(motor.part.name, number);
  page.named_heading(motor.part.name);
  if (!motor.stored) {
    page.paragraph(fmt::format(
        "No curve yet. Record or import a brake run of it, then run: loadline-fit motor \"{}\"",
        motor.part.name));
    return;
  }
  page.figures({{"Peak power", detail(motor.details, "peak_power")},
                {"Speed of peak power", detail(motor.details, "peak_power_speed")},
                {"Torque at standstill", detail(motor.details, "stall_torque")},
                {"Speed without load", detail(motor.details, "no_load_speed")}});
  page.turn_to(Page::Part::kExpert);
  page.named_heading(motor.part.name);
  std::string words =
      fmt::format("The {} curve, from run{} {}", motor.stored->model,
                  motor.stored->runs.size() == 1 ? "" : "s", fmt::join(motor.stored->runs, ", "));
  if (motor.stored->supply_v)
    words += fmt::format(", for a supply of {} V", significant(*motor.stored->supply_v, 4));
  page.paragraph(words);
  page.paragraph(text_in(motor.details, "choice"));
  if (motor.curve) curve_plots(page, motor, id);
  parameters_table(page, motor, id);
  models_table(page, motor, id);
  budget_table(page, motor, id);
  findings_table(page, motor, id);
  page.turn_to(Page::Part::kFront);
}

}  // namespace

void motors_section(Page& page, const Subjects& subjects) {
  if (subjects.motors.empty()) return;
  page.section("motors", "Motors");
  overlays(page, subjects.motors);
  page.turn_to(Page::Part::kExpert);
  page.section("motor-curves", "Curves of the motors");
  page.turn_to(Page::Part::kFront);
  for (std::size_t i = 0; i < subjects.motors.size(); ++i)
    one_motor(page, subjects.motors[i], i + 1);
  shared_cautions(page, subjects.motors);
}

}  // namespace loadline
