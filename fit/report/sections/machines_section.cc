#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <array>
#include <cctype>
#include <map>

#include "db/basis/units.h"
#include "fit/report/pages/sections.h"
#include "fit/report/plots/curve_plots.h"

namespace loadline {
namespace {

constexpr std::size_t kMostOfRun = 2500;  // of each run
constexpr std::array kColours = {3, 2, 1, 5, 4};

Plot drag_plot(const std::string& id, const std::string& title, const char* quantity,
               const char* unit, const Curve& curve) {
  Plot plot;
  plot.id = id;
  plot.title = title;
  plot.words = measured_words(curve);
  plot.x.quantity = "Hand-wheel speed";
  plot.x.unit = "rpm";
  plot.x.low = 0;
  plot.y.quantity = quantity;
  plot.y.unit = unit;
  plot.y.from_zero = true;
  return plot;
}

// Speed over time of the coast-downs, and what the fit leaves over: rows of [run, s, rpm,
// residual].
struct Coasts {
  std::vector<Series> speed, residual;
};

Coasts coasts_of(const Json& details) {
  Coasts coasts;
  std::map<std::int64_t, std::size_t> places;
  const auto found = details.is_object() ? details.find("points") : details.end();
  if (found == details.end() || !found->is_array()) return coasts;
  for (const Json& row : *found) {
    if (!row.is_array() || row.size() < 4 || !row[0].is_number_integer() || !row[1].is_number() ||
        !row[2].is_number() || !row[3].is_number())
      continue;
    const auto [place, fresh] = places.try_emplace(row[0].get<std::int64_t>(), places.size());
    if (fresh) {
      Series series;
      series.name = fmt::format("Run {}", place->first);
      series.look = Series::Look::kPoints;
      series.colour = kColours[place->second % kColours.size()];
      coasts.speed.push_back(series);
      coasts.residual.push_back(std::move(series));
    }
    Series& speed = coasts.speed[place->second];
    Series& residual = coasts.residual[place->second];
    speed.x.push_back(row[1].get<double>());
    speed.y.push_back(row[2].get<double>());
    residual.x.push_back(row[1].get<double>());
    residual.y.push_back(row[3].get<double>());
  }
  return coasts;
}

bool any_residual(const Coasts& coasts) {
  for (const Series& series : coasts.residual)
    for (const double y : series.y)
      if (y != 0) return true;
  return false;
}

Plot coast_plot(const std::string& id, const std::string& title, const std::string& words,
                const char* quantity, const std::vector<Series>& series) {
  Plot plot;
  plot.id = id;
  plot.title = title;
  plot.words = words;
  plot.x.quantity = "Time of the run";
  plot.x.unit = "s";
  plot.y.quantity = quantity;
  plot.y.unit = "rpm";
  for (const Series& one : series) plot.series.push_back(thinned(one, kMostOfRun));
  return plot;
}

void coast_plots(Page& page, const Subject& machine, const std::string& id) {
  const Coasts coasts = coasts_of(machine.details);
  if (coasts.speed.empty()) return;
  page.plot(coast_plot("coast-" + id, "How " + machine.part.name + " coasted down",
                       "The speed as recorded; the drag is fitted to these readings themselves.",
                       "Hand-wheel speed", coasts.speed));
  if (!any_residual(coasts)) return;
  page.plot(coast_plot("coast-residual-" + id,
                       "What the fit of " + machine.part.name + " leaves over",
                       "Recorded speed minus fitted speed.", "Speed residual", coasts.residual));
}

// The drag that is felt at the ends of what was measured.
std::string drag_findings(const Curve& curve) {
  const auto at = [&](double speed) {
    const double half = curve.coverage_factor() * curve.torque_sd(speed);
    return fmt::format("{} at {} rpm",
                       to_text(Estimate::with_half_width(curve.torque(speed), half, "N·m")),
                       rpm_text(speed));
  };
  return fmt::format("{}, {}.", at(curve.speed_low), at(curve.speed_high));
}

double end_of_plot(const Curve& curve) { return std::max(1.0, 1.15 * curve.speed_high); }

void power_plot(Page& page, const Subject& machine, const std::string& id) {
  const Curve& curve = *machine.curve;
  const double end = end_of_plot(curve);
  Plot power = drag_plot("drag-power-" + id, "Power that " + machine.part.name + " takes",
                         "Power at the hand wheel", "W", curve);
  power.series.push_back(power_series(curve, end, "Power against the drag, 95 % band", 5));
  page.plot(std::move(power));
}

void torque_plot(Page& page, const Subject& machine, const std::string& id) {
  const Curve& curve = *machine.curve;
  const double end = end_of_plot(curve);
  Plot torque = drag_plot("drag-" + id, "Drag of " + machine.part.name, "Drag at the hand wheel",
                          "N·m", curve);
  torque.series.push_back(torque_series(curve, end, "Fitted drag, 95 % band", 3));
  torque.words = drag_findings(curve) + " " + torque.words;
  page.plot(std::move(torque));
}

// Tables that the fit stored under a key as a list of flat objects: budget, run findings, models.
void details_table(Page& page, const Subject& machine, const std::string& id, const char* key,
                   const std::string& caption) {
  const auto list = machine.details.find(key);
  if (list == machine.details.end() || !list->is_array() || list->empty() ||
      !list->front().is_object())
    return;
  Table table{fmt::format("{}-{}", key, id), caption, {}, {}};
  std::replace(table.id.begin(), table.id.end(), '_', '-');
  std::vector<std::string> keys;
  for (const auto& [name, value] : list->front().items()) {
    if (value.is_array()) continue;
    keys.push_back(name);
    const Estimate estimate = estimate_from_json(value);
    std::string heading = name;
    std::replace(heading.begin(), heading.end(), '_', ' ');
    heading[0] = static_cast<char>(std::toupper(static_cast<unsigned char>(heading[0])));
    table.columns.push_back({heading, estimate.unit, value.is_object(), value.is_string()});
  }
  for (const Json& entry : *list) {
    if (!entry.is_object()) continue;
    std::vector<Cell> row;
    for (const std::string& name : keys) {
      const Json value = entry.value(name, Json());
      if (value.is_object())
        row.push_back(estimate_from_json(value));
      else if (value.is_number())
        row.push_back(value.get<double>());
      else
        row.push_back(value.is_string() ? value.get<std::string>() : "");
    }
    table.rows.push_back(std::move(row));
  }
  page.table(std::move(table));
}

void coefficients_table(Page& page, const Subject& machine, const std::string& id) {
  Table table{
      "drag-" + id,
      fmt::format("Drag of {}: c0 + c1·ω + c2·ω², ω in rad/s at the hand wheel", machine.part.name),
      {{"Coefficient", "", false}, {"Value", "", true}, {"Unit", "", false}},
      {}};
  for (const char* key : {"c0", "c1", "c2", "inertia"}) {
    const Estimate estimate = detail(machine.details, key);
    table.rows.push_back({std::string(key), estimate, estimate.unit});
  }
  page.table(std::move(table));
}

void one_machine(Page& page, const Subject& machine, std::size_t number) {
  const std::string id = slug(machine.part.name, number);
  page.named_heading(machine.part.name);
  if (!machine.stored) {
    page.paragraph(
        fmt::format("No drag curve yet. Record or import a coast-down of it, then run: "
                    "loadline-fit drag \"{}\"",
                    machine.part.name));
    return;
  }
  if (machine.curve) {
    const Curve& curve = *machine.curve;
    const double factor = curve.coverage_factor(), top = curve.speed_high;
    const auto at = [&](double speed, double times, const char* unit) {
      return Estimate::with_half_width(times * curve.torque(speed),
                                       factor * times * curve.torque_sd(speed), unit);
    };
    const std::string rpm = rpm_text(top);
    page.figures({{fmt::format("Drag at {} rpm", rpm), at(top, 1, "N·m")},
                  {fmt::format("Power at {} rpm", rpm), at(top, top, "W")},
                  {"Drag near standstill", at(0, 1, "N·m")},
                  {"Inertia", detail(machine.details, "inertia")}});
  }
  if (machine.curve) torque_plot(page, machine, id);
  page.turn_to(Page::Part::kExpert);
  page.named_heading(machine.part.name);
  page.paragraph(fmt::format("From run{} {}.", machine.stored->runs.size() == 1 ? "" : "s",
                             fmt::join(machine.stored->runs, ", ")));
  if (machine.curve) power_plot(page, machine, id);
  coast_plots(page, machine, id);
  coefficients_table(page, machine, id);
  details_table(page, machine, id, "models", "Drag curves tried for " + machine.part.name);
  details_table(page, machine, id, "budget",
                "Where the intervals of " + machine.part.name + " come from");
  details_table(page, machine, id, "run_findings",
                "What each run of " + machine.part.name + " said about machine and bench");
  page.turn_to(Page::Part::kFront);
}

}  // namespace

void machines_section(Page& page, const Subjects& subjects) {
  if (subjects.machines.empty()) return;
  page.section("machines", "Machines");
  page.turn_to(Page::Part::kExpert);
  page.section("machine-drags", "Drag of the machines");
  page.turn_to(Page::Part::kFront);
  for (std::size_t i = 0; i < subjects.machines.size(); ++i)
    one_machine(page, subjects.machines[i], i + 1);
  shared_cautions(page, subjects.machines);
}

}  // namespace loadline
