#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <cmath>

#include "db/basis/units.h"
#include "fit/drags/drag_fit.h"
#include "fit/history/another_evening.h"
#include "fit/verbs/curve_rows.h"
#include "fit/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

DragFitOptions drag_options(const Arguments& arguments) {
  DragFitOptions options;
  if (arguments.flag("stribeck") && arguments.flag("no-stribeck"))
    throw Error(Fault::kInput, "--stribeck and --no-stribeck exclude each other; choose one.");
  if (arguments.flag("stribeck")) options.stribeck = true;
  if (arguments.flag("no-stribeck")) options.stribeck = false;
  if (const auto inertia = arguments.number("inertia-kgm2")) {
    const double sd = arguments.number("inertia-sd-kgm2").value_or(0.0);
    if (!(*inertia > 0) || sd < 0)
      throw Error(Fault::kInput,
                  "--inertia-kgm2 must be more than 0 and its uncertainty not less.");
    options.inertia = Prior{*inertia, sd};
  } else if (arguments.has("inertia-sd-kgm2"))
    throw Error(Fault::kInput, "--inertia-sd-kgm2 belongs to --inertia-kgm2; give both or none.");
  options.runs = whole_numbers(arguments, "runs");
  return options;
}

std::string text_of(const DragFit& fit, const Part& machine) {
  const double rpm = rpm_from_rad_per_s(1);
  std::string text = fmt::format(
      "Machine '{}', drag c0 + c1·ω + c2·ω² at the hand wheel\n"
      "  c0       {}\n  c1       {}\n  c2       {}\n  inertia  {}\n",
      machine.name, to_text(fit.c0), to_text(fit.c1), to_text(fit.c2), to_text(fit.inertia));
  if (fit.over_inertia)
    text += fmt::format("  over inertia: {}, {}, {}\n", to_text((*fit.over_inertia)[0]),
                        to_text((*fit.over_inertia)[1]), to_text((*fit.over_inertia)[2]));
  text += fmt::format("  measured {} to {} rpm; {}\n", significant(fit.speed_low * rpm, 3),
                      significant(fit.speed_high * rpm, 3), fit.choice);
  if (!fit.rows_read_as.empty())
    text += fmt::format("  rows of files read as {}\n", fit.rows_read_as);
  if (!fit.not_described.empty()) return text;
  text += to_text(fit.levels);
  if (!fit.levels.known && fit.with_inertia && fit.runs.size() == 2)
    text += "  one pair: that friction was alike in its runs is taken on trust; repeat it\n";
  text += to_text(fit.another_evening);
  return text;
}

std::string next_words(const DragFit& fit, const Part& machine) {
  if (!fit.not_described.empty()) return "";
  if (fit.with_inertia)
    return fmt::format("Next: loadline-fit drive --motor … --machine '{}'", machine.name);
  return fmt::format(
      "Next: loadline-logger record coast-down --machine '{}' --added-inertia-kgm2 D --port …",
      machine.name);
}

// A person's inertia wins over what a pair of runs says, but not in silence.
void warn_of_two_inertias(const Book& book, const Part& machine, DragFitOptions options) {
  if (!options.inertia) return;
  const Prior given = *options.inertia;
  options.inertia.reset();
  std::optional<DragFit> by_runs;
  try {
    by_runs = fit_drag(book, machine, options);
  } catch (const Error&) {
    return;
  }
  if (!by_runs->with_inertia || !by_runs->inertia.low || !by_runs->inertia.high) return;
  const double half = (*by_runs->inertia.high - *by_runs->inertia.low) / 2;
  if (std::fabs(given.mean - *by_runs->inertia.value) <= std::hypot(half, 1.96 * given.sd)) return;
  warn(
      fmt::format("--inertia-kgm2 {:g} is taken, but the runs themselves say {}; leave it out "
                  "unless you know it better.",
                  given.mean, to_text(by_runs->inertia)));
}

int run_drag(const Arguments& arguments) {
  const std::string& name = arguments.name(0, "the machine's name");
  const DragFitOptions options = drag_options(arguments);
  Book book = Book::open(arguments.book_path(),
                         arguments.flag("dry") ? Book::Mode::kRead : Book::Mode::kWrite);
  if (!arguments.flag("dry")) require_ended(book, options.runs);
  const Part machine = book.get(PartKind::kMachine, name);
  DragFit fit = fit_drag(book, machine, options);
  fit.another_evening = another_evening(book, machine, fit, options);
  if (!arguments.flag("dry") && fit.with_inertia) book.add_curve(to_stored(fit, machine));
  if (arguments.json()) {
    Json document = to_json(fit);
    if (arguments.flag("rows")) document["curve_rows"] = curve_rows(fit.curve, fit.speed_high);
    print_json(document);
  } else {
    say(arguments, text_of(fit, machine) + next_words(fit, machine));
  }
  for (const std::string& warning : fit.warnings) warn(warning);
  if (!fit.not_described.empty()) {
    warn(fmt::format("No drag can be given for '{}': {}.", machine.name, fit.not_described));
    return 1;
  }
  warn_of_two_inertias(book, machine, options);
  return 0;
}

}  // namespace

Verb drag_verb() {
  Verb verb;
  verb.name = "drag";
  verb.words = "NAME [options]";
  verb.summary = "fit the drag of a machine over its speed from its coast-downs or driven runs";
  verb.description =
      "Fits the differential equation of the coast-down to the recorded angle, ripple of the turn\n"
      "included. A second coast-down with a known added inertia gives the machine's inertia.";
  verb.example =
      "loadline-fit drag \"Parlour machine\"\nloadline-fit drag K1 --inertia-kgm2 0.0021 --json";
  verb.most_names = 1;
  verb.names_from = "machines";
  verb.options.add_options()("inertia-kgm2", po::value<double>()->value_name("J"),
                             "the machine's inertia, when no pair of runs gives it")(
      "inertia-sd-kgm2", po::value<double>()->value_name("U"), "its standard uncertainty")(
      "stribeck", po::bool_switch(), "with a rise near standstill")(
      "no-stribeck", po::bool_switch(), "without it (else the data decide)")(
      "runs", po::value<std::vector<std::string>>()->multitoken()->value_name("N"),
      "only this run; several numbers or several times")("rows", po::bool_switch(),
                                                         "with --json: the curve as rows besides")(
      "dry", po::bool_switch(),
      "do not store the curve in the book; with --runs also a run that is still being recorded");
  add_common_options(verb.options);
  verb.run = run_drag;
  return verb;
}

}  // namespace loadline
