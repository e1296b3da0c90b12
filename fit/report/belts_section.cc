#include <fmt/format.h>

#include <algorithm>

#include "fit/belts/belt_answer.h"
#include "fit/report/pages/sections.h"

namespace loadline {
namespace {

bool was_run_with_belts(const Book& book, const Subject& machine) {
  RunFilter filter;
  filter.kind = RunKind::kTopSpeed;
  filter.machine = machine.part.id;
  const std::vector<Run> runs = book.runs(filter);
  return std::any_of(runs.begin(), runs.end(),
                     [](const Run& run) { return run.belt != 0 && run.aside.empty(); });
}

Plot speeds_plot(const BeltComparison& comparison, const std::string& id,
                 const std::string& machine) {
  Plot plot;
  plot.id = "belt-speeds-" + id;
  plot.title = "Top speed of " + machine + " with each belt";
  plot.words =
      (comparison.belts.front().top_speed.value
           ? fmt::format("{} is fastest: {}. ", comparison.belts.front().name,
                         to_text(comparison.belts.front().top_speed))
           : "") +
      "All at the same slip setting, corrected to the same supply. Bars are 95 % intervals of each "
      "belt; whether two differ is told by their difference.";
  plot.x.quantity = comparison.at_motor ? "Top speed of the motor" : "Top speed of the hand wheel";
  plot.x.unit = "rpm";
  plot.y.quantity = "Belt";
  Series series;
  series.name = "Top speed, 95 %";
  series.look = Series::Look::kMark;
  series.colour = 3;
  for (const BeltResult& belt : comparison.belts) {
    if (!belt.top_speed.value) continue;
    const double speed = *belt.top_speed.value;
    series.x.push_back(speed);
    series.y.push_back(static_cast<double>(plot.y.categories.size()));
    series.x_low.push_back(belt.top_speed.low.value_or(speed));
    series.x_high.push_back(belt.top_speed.high.value_or(speed));
    plot.y.categories.push_back(belt.name);
  }
  plot.series.push_back(std::move(series));
  return plot;
}

Plot differences_plot(const BeltComparison& comparison, const std::string& id) {
  Plot plot;
  plot.id = "belt-differences-" + id;
  plot.title = "Differences between belts";
  plot.words =
      "Simultaneous 95 % intervals (Tukey and Kramer). A bar that does not touch zero is a "
      "difference.";
  plot.x.quantity = "First over second belt, difference in top speed";
  plot.x.unit = "%";
  plot.y.quantity = "Belts";
  Series series;
  series.name = "Difference, 95 % over all pairs";
  series.look = Series::Look::kMark;
  series.colour = 5;
  for (const BeltPair& pair : comparison.comparisons) {
    const Estimate& difference = pair.difference_percent;
    if (!difference.value) continue;
    series.x.push_back(*difference.value);
    series.y.push_back(static_cast<double>(plot.y.categories.size()));
    series.x_low.push_back(difference.low.value_or(*difference.value));
    series.x_high.push_back(difference.high.value_or(*difference.value));
    plot.y.categories.push_back(pair.a + " : " + pair.b);
  }
  Series zero;
  zero.name = "No difference";
  zero.colour = 6;
  zero.dash = Series::Dash::kDashed;
  zero.x = {0, 0};
  zero.y = {-0.5, static_cast<double>(plot.y.categories.size()) - 0.5};
  plot.series = {std::move(series), std::move(zero)};
  return plot;
}

void belts_table(Page& page, const BeltComparison& comparison, const std::string& id) {
  Table table{"belts-" + id,
              "Belts by top speed; those that share a letter cannot be told apart",
              {{"Belt", "", false},
               {"Group", "", false},
               {"Top speed", "rpm", true},
               {"Against the best", "%", true},
               {"Costs more than the best", "W", true},
               {"Runs", "", false}},
              {}};
  for (const BeltResult& belt : comparison.belts)
    table.rows.push_back({belt.name, belt.group.value_or(""), belt.top_speed, belt.relative_percent,
                          belt.extra_power.value_or(Estimate::unknown("W")),
                          fmt::format("{}", fmt::join(belt.runs, ", "))});
  page.table(std::move(table));
}

void differences_table(Page& page, const BeltComparison& comparison, const std::string& id) {
  Table table{"belt-differences-" + id,
              "Differences in top speed, simultaneous 95 % intervals",
              {{"Belt", "", false}, {"against", "", false}, {"Difference", "%", true}},
              {}};
  for (const BeltPair& pair : comparison.comparisons)
    table.rows.push_back({pair.a, pair.b, pair.difference_percent});
  if (!table.rows.empty()) page.table(std::move(table));
}

void refused_table(Page& page, const std::vector<RefusedRun>& refused, const std::string& id) {
  if (refused.empty()) return;
  Table table{"belts-refused-" + id,
              "Runs left out of the comparison",
              {{"Run", "", false}, {"Reason", "", false, true}},
              {}};
  for (const RefusedRun& run : refused) table.rows.push_back({std::to_string(run.run), run.reason});
  page.table(std::move(table));
}

void one_machine(Page& page, const Book& book, const Subject& machine, std::size_t number) {
  const std::string id = slug(machine.part.name, number);
  page.heading("On " + machine.part.name);
  const BeltAnswer answer = answer_belts(book, machine.part);
  const BeltComparison& comparison = answer.comparison;
  if (!answer.why_not.empty()) page.paragraph("Not comparable: " + answer.why_not);
  page.cautions("Read these numbers with care", comparison.warnings);
  if (!comparison.belts.empty()) {
    page.plot(speeds_plot(comparison, id, machine.part.name));
    belts_table(page, comparison, id);
  }
  if (comparison.comparable()) {
    page.plot(differences_plot(comparison, id));
    page.turn_to(Page::Part::kExpert);
    differences_table(page, comparison, id);
    page.turn_to(Page::Part::kFront);
  }
  refused_table(page, comparison.refused, id);
  page.turn_to(Page::Part::kExpert);
  for (const std::string& note : comparison.notes) page.paragraph(note);
  page.turn_to(Page::Part::kFront);
}

}  // namespace

void belts_section(Page& page, const Book& book, const Subjects& subjects) {
  std::size_t number = 0;
  for (const Subject& machine : subjects.machines) {
    if (!was_run_with_belts(book, machine)) continue;
    if (++number == 1) {
      page.section("belts", "Belts");
      page.turn_to(Page::Part::kExpert);
      page.section("belt-differences", "Differences between belts");
      page.turn_to(Page::Part::kFront);
    }
    one_machine(page, book, machine, number);
  }
}

}  // namespace loadline
