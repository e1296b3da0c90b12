// For each machine first of all: what to put on it.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/error.h"
#include "fit/choose/choice_output.h"
#include "fit/report/choice_plot.h"
#include "fit/report/sections.h"

namespace loadline {
namespace {

Series limit_line(const std::string& name, double rpm, std::size_t rows, int colour,
                  Series::Dash dash) {
  Series line;
  line.name = name;
  line.colour = colour;
  line.dash = dash;
  line.x = {rpm, rpm};
  line.y = {-0.5, static_cast<double>(rows) - 0.5};
  return line;
}

Series marks(const std::string& name, int colour) {
  Series series;
  series.name = name;
  series.look = Series::Look::kMark;
  series.colour = colour;
  return series;
}

Table choice_table(const Drawer& drawer, const DrawerChoice& choice, const std::string& id) {
  Table table{"choice-" + id,
              "What fits " + drawer.machine.name + ", best first",
              {{"Motor, pulley, belt", "", false},
               {"Chance", "%", false},
               {"Top speed of the hand wheel", "rpm", true},
               {"Motor", "rpm", true},
               {"Needle at mid-stroke, from standstill", "N", true}},
              {}};
  for (std::size_t k = 0; k < shown_choices(choice); ++k) {
    const Choice& one = choice.choices[k];
    table.rows.push_back({brief_name(drawer, one.candidate), std::round(1000 * one.chance) / 10,
                          one.prediction.handwheel_rpm, one.prediction.motor_rpm,
                          one.prediction.needle_n});
  }
  return without_empty_columns(std::move(table));
}

// Only motors that the report is about.
void keep_motors(Drawer& drawer, const Subjects& subjects) {
  std::erase_if(drawer.candidates, [&](const Candidate& candidate) {
    const std::int64_t id = drawer.motors[candidate.motor].part.id;
    return std::none_of(subjects.motors.begin(), subjects.motors.end(),
                        [&](const Subject& motor) { return motor.part.id == id; });
  });
}

void add_machine(Page& page, const Book& book, const Subjects& subjects, const Subject& machine,
                 const std::string& id) {
  Drawer drawer = read_drawer(book, machine.part);
  keep_motors(drawer, subjects);
  if (drawer.candidates.empty()) return;
  const DrawerChoice choice = choose(drawer, {});
  page.heading("On " + machine.part.name);
  for (const std::string& sentence : verdict_of(drawer, {}, choice)) page.paragraph(sentence);
  page.table(choice_table(drawer, choice, id));
  if (shown_choices(choice) > 1) page.plot(choice_plot(drawer, {}, choice, "choice-" + id));
}

bool can_choose(const Book& book, const Subjects& subjects, const Subject& machine) {
  return machine.curve && !book.parts(PartKind::kPulley).empty() &&
         std::any_of(subjects.motors.begin(), subjects.motors.end(),
                     [](const Subject& motor) { return motor.curve.has_value(); });
}

}  // namespace

Plot choice_plot(const Drawer& drawer, const Aims& aims, const DrawerChoice& choice,
                 const std::string& id) {
  Plot plot;
  plot.id = id;
  plot.title = "What fits " + drawer.machine.name + ", best first";
  plot.words = verdict_of(drawer, aims, choice).front();
  plot.x.quantity =
      aims.extra_nm ? "Top speed of the hand wheel under the cloth" : "Top speed of the hand wheel";
  plot.x.unit = "rpm";
  plot.y.quantity = "Motor, pulley, belt";
  double fastest = 0;
  Series sure = marks("meets what is asked (95 %)", 1);
  Series open = marks("may miss it (chance in %)", 2);
  for (std::size_t k = 0; k < shown_choices(choice); ++k) {
    const Prediction& p = choice.choices[k].prediction;
    const Estimate& speed = aims.extra_nm ? p.loaded_rpm : p.handwheel_rpm;
    const double row = static_cast<double>(plot.y.categories.size());
    plot.y.categories.push_back(brief_name(drawer, choice.choices[k].candidate));
    if (!speed.value) continue;
    const double chance = choice.choices[k].chance;
    if (chance < kSure) plot.y.categories.back() += fmt::format(", {:.0f} %", 100 * chance);
    Series& series = chance >= kSure ? sure : open;
    series.x.push_back(*speed.value);
    series.y.push_back(row);
    series.x_low.push_back(speed.low.value_or(*speed.value));
    series.x_high.push_back(speed.high.value_or(*speed.value));
    fastest = std::max(fastest, series.x_high.back());
  }
  const std::size_t rows = plot.y.categories.size();
  if (!sure.x.empty()) plot.series.push_back(std::move(sure));
  if (!open.x.empty()) plot.series.push_back(std::move(open));
  if (aims.least_rpm)
    plot.series.push_back(
        limit_line("asked for at least", *aims.least_rpm, rows, 3, Series::Dash::kDashed));
  constexpr double kNear = 0.8;  // a limit far beyond all of them would only squeeze the picture
  if (const auto most = drawer.machine.number("max-rpm"); most && fastest > kNear * *most)
    plot.series.push_back(limit_line("the machine's limit", *most, rows, 6, Series::Dash::kDotted));
  return plot;
}

void choice_section(Page& page, const Book& book, const Subjects& subjects) {
  const bool any =
      std::any_of(subjects.machines.begin(), subjects.machines.end(),
                  [&](const Subject& machine) { return can_choose(book, subjects, machine); });
  if (!any) return;
  page.section("choice", "What to put on");
  std::size_t number = 0;
  for (const Subject& machine : subjects.machines) {
    ++number;
    if (!can_choose(book, subjects, machine)) continue;
    try {
      add_machine(page, book, subjects, machine, slug(machine.part.name, number));
    } catch (const Error& error) {
      if (error.fault() == Fault::kBook) throw;
      page.paragraph(error.what());
    }
  }
}

}  // namespace loadline
