// For each machine first of all: what to put on it.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "fit/choose/choice_output.h"
#include "fit/report/pages/sections.h"
#include "fit/report/pages/verdicts.h"
#include "fit/report/plots/choice_plot.h"

namespace loadline {
namespace {

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

void one_verdict(Page& page, const Verdict& verdict) {
  page.named_heading(verdict.machine->part.name);
  if (!verdict.missing.empty()) {
    page.verdict("No answer yet");
    for (const std::string& sentence : verdict.missing) page.paragraph(sentence);
    return;
  }
  std::vector<std::string> steps;
  bool first = true;
  for (const std::string& sentence : verdict_of(*verdict.drawer, {}, verdict.choice)) {
    if (sentence.starts_with("- "))
      steps.push_back(sentence.substr(2));
    else if (std::exchange(first, false))
      page.verdict(sentence);
    else
      page.paragraph(sentence);
  }
  page.list(steps);
  // Why nothing fits is all the answer there is then.
  std::vector<std::string> reasons;
  if (!verdict.chosen())
    for (const LeftOut& one : verdict.drawer->left_out) reasons.push_back(one.reason);
  page.list(reasons);
}

}  // namespace

void verdict_section(Page& page, const std::vector<Verdict>& verdicts) {
  if (verdicts.empty()) return;
  page.section("choice", "What to put on");
  for (const Verdict& verdict : verdicts) one_verdict(page, verdict);
}

void candidates_section(Page& page, const std::vector<Verdict>& verdicts) {
  std::size_t number = 0;
  for (const Verdict& verdict : verdicts) {
    ++number;
    if (!verdict.chosen() || shown_choices(verdict.choice) < 2) continue;
    const std::string id = slug(verdict.machine->part.name, number);
    Plot plot = choice_plot(*verdict.drawer, {}, verdict.choice, "choice-" + id);
    plot.words =
        "The bars are 95 % intervals. What two of them have in common is in both bars, so that "
        "their difference is known better than the bars show.";
    page.plot(std::move(plot));
    page.table(choice_table(*verdict.drawer, verdict.choice, id));
  }
}

}  // namespace loadline
