#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "db/basis/text_table.h"
#include "db/basis/units.h"
#include "db/care/pictures.h"
#include "db/care/shown.h"
#include "db/store/book_state.h"
#include "db/verbs/verbs.h"

namespace loadline {
namespace {

using Rows = std::vector<std::vector<std::string>>;

std::string value_words(const Json& value) {
  if (value.is_string()) return value.get<std::string>();
  if (value.is_number_float()) return fmt::format("{}", value.get<double>());
  return value.dump();
}

// One "key  value" line per plain value that is known.
Rows rows_of(const Json& object) {
  Rows rows;
  for (const auto& [key, value] : object.items())
    if (!value.is_null() && !value.is_structured() && value != "")
      rows.push_back({key, value_words(value)});
  return rows;
}

std::string run_list(const Json& numbers) {
  if (numbers.empty()) return "none yet";
  return fmt::format("{}", fmt::join(numbers.get<std::vector<std::int64_t>>(), ", "));
}

Json runs_of(const Book& book, const Part& part) {
  RunFilter filter;
  filter.with_open = true;
  if (part.kind == PartKind::kMotor) filter.motor = part.id;
  if (part.kind == PartKind::kMachine) filter.machine = part.id;
  if (part.kind == PartKind::kBelt) filter.belt = part.id;
  if (part.kind == PartKind::kRig) filter.rig = part.id;
  Json numbers = Json::array();
  if (part.kind == PartKind::kPulley) {
    for (const Run& run : book.runs(filter))
      if (run.motor_pulley == part.id || run.hand_pulley == part.id) numbers.push_back(run.id);
    return numbers;
  }
  for (const Run& run : book.runs(filter)) numbers.push_back(run.id);
  return numbers;
}

// What the fit says of a parameter, with its unit; else from the covariance, in SI units.
Estimate parameter_shown(const Json& details, const std::string& name, const Estimate& plain) {
  for (const Json* place : {details.contains("parameters") ? &details["parameters"] : nullptr,
                            details.is_object() ? &details : nullptr}) {
    if (!place || !place->is_object() || !place->contains(name)) continue;
    const Json& found = (*place)[name];
    if (!found.is_object() || !found.contains("unit") || !found["unit"].is_string()) continue;
    const auto number = [&](const char* key) -> std::optional<double> {
      const auto at = found.find(key);
      if (at == found.end() || !at->is_number()) return std::nullopt;
      return at->get<double>();
    };
    return {number("value"), number("low"), number("high"), found["unit"].get<std::string>()};
  }
  return plain;
}

std::string curve_text(const StoredCurve& curve) {
  std::string out =
      fmt::format("curve {}: {}, measured from {:.0f} to {:.0f} rpm", curve.id, curve.model,
                  rpm_from_rad_per_s(curve.speed_low), rpm_from_rad_per_s(curve.speed_high));
  const std::vector<Estimate> estimates = curve_estimates(curve);
  const Json details = Json::parse(curve.details_json, nullptr, false);
  Rows rows;
  for (std::size_t i = 0; i < estimates.size(); ++i)
    rows.push_back({" ", curve.parameter_names[i],
                    to_text(parameter_shown(details, curve.parameter_names[i], estimates[i]))});
  return out + "\n" + text_table(rows);
}

void show_part_events(const Book& book, const Part& part, Json& out, std::string& text) {
  Json events = Json::array(), names = Json::array();
  for (const PartEvent& event : book.part_events(part.kind, part.id)) {
    events.push_back({{"on", event.on_date}, {"what", event.what}});
    text += fmt::format("\n{}  {}", event.on_date, event.what);
  }
  for (const JoinedPart& joined : book.joined(part.kind, part.id)) {
    names.push_back(joined.name);
    text += fmt::format("\njoined {}: '{}'", joined.made_utc, joined.name);
  }
  out["events"] = events;
  out["joined"] = names;
}

void show_pictures(const std::vector<Picture>& pictures, Json& out, std::string& text) {
  out["pictures"] = pictures_json(pictures);
  for (const Picture& picture : pictures)
    text += fmt::format("\npicture  {}, {} kB", picture.name, (picture.bytes + 1023) / 1024);
}

void show_latest_calibration(const Book& book, const Part& part, Json& out, std::string& text) {
  if (part.kind != PartKind::kRig) return;
  const auto calibration = book.latest_calibration(part.id);
  out["calibration"] = calibration ? calibration_json(*calibration) : Json(nullptr);
  text += calibration
              ? fmt::format("\ncalibrated {}: {:g} N per count, arm {:g} mm", calibration->made_utc,
                            calibration->slope_n_per_count, mm_from_m(calibration->arm_m))
              : "\nnot calibrated yet; 'loadline-logger calibrate' does it";
}

void show_latest_curve(const Book& book, const Part& part, Json& out, std::string& text) {
  if (part.kind != PartKind::kMotor && part.kind != PartKind::kMachine) return;
  const auto curve = book.latest_curve(part.kind == PartKind::kMachine, part.id);
  out["curve"] = curve ? curve_json(*curve, PartNames(book)) : Json(nullptr);
  if (curve) text += "\n" + curve_text(*curve);
}

int show_part(const Book& book, const Arguments& arguments, PartKind kind) {
  const Part part =
      book.get(kind, arguments.name(1, fmt::format("the name of the {}", part_kind_name(kind))));
  Json out = {{"kind", part_kind_name(kind)}};
  out.update(part_json(part));
  std::string text = text_table(rows_of(out));
  const Json runs = runs_of(book, part);
  out["runs"] = runs;
  text += fmt::format("\nruns  {}", run_list(runs));
  show_part_events(book, part, out, text);
  show_pictures(pictures_of(book, part), out, text);
  show_latest_calibration(book, part, out, text);
  show_latest_curve(book, part, out, text);
  if (arguments.json())
    print_json(out);
  else
    say(arguments, text);
  return 0;
}

int show_calibration(const Book& book, const Arguments& arguments) {
  const std::string& number = arguments.name(1, "the number of the calibration");
  for (const Part& rig : book.parts(PartKind::kRig))
    for (const Calibration& calibration : book.calibrations(rig.id)) {
      if (std::to_string(calibration.id) != number) continue;
      Json out = {{"rig", rig.name}};
      out.update(calibration_json(calibration));
      const Json points = Json::parse(calibration.points_json, nullptr, false);
      out["points"] = points.is_discarded() ? Json() : points;
      if (arguments.json()) {
        print_json(out);
        return 0;
      }
      std::string text = text_table(rows_of(out));
      if (points.is_array())
        for (const Json& point : points) text += "\n  " + point.dump();
      say(arguments, text);
      return 0;
    }
  throw Error(Fault::kInput, fmt::format("there is no calibration {}; 'loadline-db list "
                                         "calibrations' shows them.",
                                         number));
}

Json zeros_json(const std::vector<Zero>& zeros) {
  Json array = Json::array();
  for (const Zero& zero : zeros)
    array.push_back({{"when", zero_moment_name(zero.when)},
                     {"tick", zero.tick},
                     {"mean_counts", json_number(zero.mean_counts)},
                     {"sd_counts", json_number(zero.sd_counts)},
                     {"conversions", zero.conversions}});
  return array;
}

void show_changes(const Book& book, const Run& run, Json& out, std::string& text) {
  Json changes = Json::array();
  const auto or_nothing = [](const std::string& words) {
    return words.empty() ? std::string("nothing") : "'" + words + "'";
  };
  for (const RunChange& change : book.changes(run.id)) {
    changes.push_back({{"field", change.field},
                       {"before", change.before},
                       {"after", change.after},
                       {"made_utc", change.made_utc},
                       {"made_by", change.made_by}});
    text += fmt::format("\nchanged {}{}: {} from {} to {}", change.made_utc,
                        change.made_by.empty() ? "" : " by " + change.made_by, change.field,
                        or_nothing(change.before), or_nothing(change.after));
  }
  out["changes"] = changes;
}

int show_run(const Book& book, const Arguments& arguments) {
  const Run run = book.run(run_number(arguments.name(1, "the number of the run")));
  Json out = run_json(run, PartNames(book));
  std::string text = text_table(rows_of(out));
  Json events = Json::array();
  for (const RunEvent& event : book.events(run.id)) {
    events.push_back({{"tick", event.tick},
                      {"kind", event_kind_name(event.kind)},
                      {"length_s", json_number(event.length_s)},
                      {"detail", event.detail}});
    text +=
        fmt::format("\n{} at tick {}: {}", event_kind_name(event.kind), event.tick, event.detail);
  }
  out["events"] = events;
  show_changes(book, run, out, text);
  show_pictures(pictures_of(book, run.uuid), out, text);
  out["zeros"] = zeros_json(book.zeros(run.id));
  if (arguments.json())
    print_json(out);
  else
    say(arguments, text);
  return 0;
}

int show_curve(const Book& book, const Arguments& arguments) {
  const std::int64_t id = run_number(arguments.name(1, "the number of the curve"));
  const StoredCurve curve = curve_of_number(book, id);
  if (arguments.json())
    print_json(curve_json(curve, PartNames(book)));
  else
    say(arguments, curve_text(curve));
  return 0;
}

// Who names a part without its kind is told the whole command.
PartKind shown_kind(const Book& book, const std::string& word) {
  for (const PartKind kind : all_part_kinds())
    if (word != part_kind_name(kind) && book.find(kind, word))
      throw Error(Fault::kInput, fmt::format("say what '{0}' is: loadline-db show {1} '{0}'.", word,
                                             part_kind_name(kind)));
  return part_kind_of(word);
}

int run_show(const Arguments& arguments) {
  const Book book = Book::open(arguments.book_path(), Book::Mode::kRead);
  const std::string& what = arguments.name(
      0, "what to show (a kind of part with its name, run or curve with its number)");
  if (what == "run") return show_run(book, arguments);
  if (what == "curve") return show_curve(book, arguments);
  if (what == "calibration") return show_calibration(book, arguments);
  return show_part(book, arguments, shown_kind(book, what));
}

}  // namespace

Verb show_verb() {
  Verb verb{"show",
            "KIND NAME | run NUMBER | curve NUMBER | calibration NUMBER",
            "show one thing with all that is known of it",
            "Parameters of curves are shown with their 95 % limits, in SI units.",
            "loadline-db show motor \"Drawer 3\"\nloadline-db show run 7",
            2,
            boost::program_options::options_description("Options"),
            run_show};
  add_common_options(verb.options);
  verb.first_words = "rig motor machine pulley belt run curve calibration";
  verb.names_from = "first word";
  return verb;
}

}  // namespace loadline
