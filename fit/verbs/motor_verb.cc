#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>

#include "db/basis/progress.h"
#include "db/basis/units.h"
#include "fit/equations/motor_equation.h"
#include "fit/history/another_evening.h"
#include "fit/motors/motor_fit.h"
#include "fit/verbs/curve_rows.h"
#include "fit/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

std::string names_of_equations() {
  std::string names;
  for (const MotorEquation& equation : motor_equations())
    names += (names.empty() ? "" : ", ") + equation.name;
  return names;
}

MotorFitOptions motor_options(const Arguments& arguments) {
  MotorFitOptions options;
  options.model = arguments.text("model");
  if (options.model && *options.model != "smooth" && !motor_equation(*options.model))
    throw Error(Fault::kInput, fmt::format("'{}' is no motor model; choose {} or smooth.",
                                           *options.model, names_of_equations()));
  options.at_supply_v = arguments.number("at-supply-v");
  if (options.at_supply_v && !(*options.at_supply_v > 0))
    throw Error(Fault::kInput, "--at-supply-v must be more than 0 V.");
  options.at_winding_c = arguments.number("at-winding-c");
  options.winding_c = arguments.number("winding-c");
  for (const auto& celsius : {options.at_winding_c, options.winding_c})
    if (celsius && !(*celsius > -40 && *celsius < 250))
      throw Error(Fault::kInput,
                  fmt::format("a winding of {} °C is none that Loadline knows of; give -40 to 250.",
                              significant(*celsius, 4)));
  options.runs = whole_numbers(arguments, "runs");
  options.sweep.correct_lag = !arguments.flag("no-lag");
  options.sweep.correct_inertia = !arguments.flag("no-inertia");
  options.sweep.correct_drift = !arguments.flag("no-drift");
  return options;
}

// Whether a source is seen in the sum of any of the results.
bool counts(const BudgetLine& line, const BudgetLine& all) {
  constexpr double kSeen = 1e-3;
  return line.stall_torque > kSeen * all.stall_torque ||
         line.no_load_speed > kSeen * all.no_load_speed ||
         line.peak_power > kSeen * all.peak_power ||
         line.peak_power_speed > kSeen * all.peak_power_speed;
}

std::string budget_text(const MotorFit& fit) {
  std::string text =
      "Where the intervals come from (standard uncertainty by source, but for those below a "
      "thousandth; an interval is about twice the last line):\n";
  std::size_t widest = 0;
  for (const BudgetLine& line : fit.budget) widest = std::max(widest, line.source.size());
  text += fmt::format("  {:<{}} {:>10} {:>10} {:>10} {:>10}\n", "source", widest, "standstill",
                      "no load", "peak", "at speed");
  text +=
      fmt::format("  {:<{}} {:>10} {:>10} {:>10} {:>10}\n", "", widest, "N·m", "rpm", "W", "rpm");
  for (const BudgetLine& line : fit.budget)
    if (counts(line, fit.budget.back()))
      text += fmt::format("  {:<{}} {:>10.3g} {:>10.3g} {:>10.3g} {:>10.3g}\n", line.source, widest,
                          line.stall_torque, line.no_load_speed, line.peak_power,
                          line.peak_power_speed);
  return text;
}

std::string text_of(const MotorFit& fit, const Part& motor) {
  const double rpm = rpm_from_rad_per_s(1);
  const std::string residual = fit.speed_residuals ? significant(fit.residual_rms * rpm, 2) + " rpm"
                                                   : significant(fit.residual_rms, 2) + " N·m";
  std::string text = fmt::format(
      "Motor '{}', {} curve{}{}\n  standstill torque  {}\n  no-load speed      {}\n"
      "  peak power         {}\n            at speed  {}\n  measured           {} to {} "
      "rpm, residual {} rms\n  {}\n",
      motor.name, fit.curve.model,
      fit.curve.supply_v ? fmt::format(" at {} V", significant(*fit.curve.supply_v, 4)) : "",
      fit.winding_c ? fmt::format(", winding at {} °C", significant(*fit.winding_c, 3)) : "",
      to_text(fit.stall_torque), to_text(fit.no_load_speed), to_text(fit.peak_power),
      to_text(fit.peak_power_speed), significant(fit.curve.speed_low * rpm, 3),
      significant(fit.curve.speed_high * rpm, 3), residual, fit.choice);
  return text + to_text(fit.levels) + to_text(fit.another_evening);
}

/// A curve that ends beyond what the motor may turn: whoever runs it without load must know.
void warn_of_limit(MotorFit& fit, const Part& motor) {
  const auto limit = motor.number("max-rpm");
  const auto& speed = fit.no_load_speed.value;
  constexpr double kNear = 0.9;
  if (!limit || !speed || *speed < kNear * *limit) return;
  fit.warnings.push_back(fmt::format(
      "Without load it turns at {} rpm, {:.0f} % of its limit of {} rpm: {}.", whole_text(*speed),
      100 * *speed / *limit, whole_text(*limit),
      *speed > *limit ? "at this supply never let it run free" : "mind it where it runs free"));
}

Json document_of(const MotorFit& fit, bool with_rows) {
  Json document = to_json(fit);
  if (!with_rows) return document;
  const double free_speed = rad_per_s_from_rpm(fit.no_load_speed.value.value_or(0));
  document["curve_rows"] = curve_rows(fit.curve, std::max(fit.curve.speed_high, free_speed));
  constexpr std::size_t kMostPoints = 400;
  Json points = Json::array();
  for (std::size_t i = 0; i < fit.points.size(); i += 1 + fit.points.size() / kMostPoints)
    points.push_back(
        {json_number(rpm_from_rad_per_s(fit.points[i].speed)), json_number(fit.points[i].torque)});
  document["points"] = points;
  return document;
}

int run_motor(const Arguments& arguments) {
  const std::string& name = arguments.name(0, "the motor's name");
  MotorFitOptions options = motor_options(arguments);
  Book book = Book::open(arguments.book_path(),
                         arguments.flag("dry") ? Book::Mode::kRead : Book::Mode::kWrite);
  if (!arguments.flag("dry")) require_ended(book, options.runs);
  const Part motor = book.get(PartKind::kMotor, name);
  std::optional<Progress> progress(std::in_place, "fit", 1);
  options.progress = [&](double done) { progress->at(done); };
  MotorFit fit = fit_motor(book, motor, options);
  if (fit.not_described.empty()) fit.another_evening = another_evening(book, motor, fit, options);
  if (fit.not_described.empty()) warn_of_limit(fit, motor);
  progress.reset();
  if (!arguments.flag("dry") && !fit.models.empty()) book.add_curve(to_stored(fit, motor));
  if (arguments.json())
    print_json(document_of(fit, arguments.flag("rows")));
  else if (fit.not_described.empty())
    say(arguments,
        text_of(fit, motor) + (arguments.flag("budget") ? budget_text(fit) : "") +
            fmt::format("Next: loadline-fit drive --motor '{}' --machine …", motor.name));
  for (const std::string& warning : fit.warnings) warn(warning);
  if (fit.not_described.empty()) return 0;
  warn(fmt::format("No curve can be given for motor '{}': {}.", motor.name, fit.not_described));
  return 1;
}

}  // namespace

Verb motor_verb() {
  Verb verb;
  verb.name = "motor";
  verb.words = "NAME [options]";
  verb.summary =
      "fit the torque–speed curve of a motor from its brake and no-load runs, else its spin-ups";
  verb.description =
      "Corrects the load cell's lag, the inertia between rotor and cell, the drift of the zero "
      "and\n"
      "the warm-up of the winding, compares the motor models, and stores the curve in the book.\n"
      "Intervals are 95 %, for noise as it is correlated in time.";
  verb.example =
      "loadline-fit motor \"Grey lathe motor\" --budget\nloadline-fit motor M1 --model series "
      "--json";
  verb.most_names = 1;
  verb.names_from = "motors";
  verb.options.add_options()("model",
                             po::value<std::string>()->value_name(
                                 "series|permanent-magnet|armature-reaction|induction|single-phase|"
                                 "smooth"),
                             "the equation to fit (else they are compared)")(
      "at-supply-v", po::value<double>()->value_name("V"), "supply that the curve shall stand for")(
      "at-winding-c", po::value<double>()->value_name("C"),
      "winding temperature that it shall stand for (else that of its first run)")(
      "winding-c", po::value<double>()->value_name("C"),
      "winding temperature of the first run: the mean, of a spin-up at the greatest power (else "
      "from "
      "the sensor on the motor's case and the warm-up found)")(
      "runs", po::value<std::vector<std::string>>()->multitoken()->value_name("N"),
      "only this run; several numbers or several times")(
      "budget", po::bool_switch(), "show which sources of doubt the intervals come from")(
      "no-lag", po::bool_switch(), "leave the load cell's lag uncorrected, to see its effect")(
      "no-inertia", po::bool_switch(), "leave the inertia uncorrected, to see its effect")(
      "no-drift", po::bool_switch(), "leave drift and warm-up uncorrected, to see their effect")(
      "rows", po::bool_switch(), "with --json: the curve and its readings as rows besides")(
      "dry", po::bool_switch(),
      "do not store the curve in the book; with --runs also a run that is still being recorded");
  add_common_options(verb.options);
  verb.run = run_motor;
  return verb;
}

}  // namespace loadline
