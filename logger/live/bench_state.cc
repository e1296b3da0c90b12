#include "logger/live/bench_state.h"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "db/basis/language.h"
#include "db/basis/quantity.h"
#include "db/care/evening.h"
#include "logger/belt_plan.h"
#include "logger/cautions.h"
#include "logger/record_order.h"
#include "logger/speed_watch.h"

namespace loadline {
namespace {

Json names(const Book& book, PartKind kind) {
  Json list = Json::array();
  for (const Part& part : book.parts(kind)) list.push_back(part.name);
  return list;
}

/// Whether the step's latest slip check lies within the band of its machine.
bool is_set(const Book& book, std::int64_t slip_check) {
  if (slip_check == 0) return false;
  const Run run = book.run(slip_check);
  const SlipReading reading = read_slip_check(book, run, RecordOrder().slip_limit_s);
  const auto target = slip_target(book, run.machine);
  return target && reading.creep_rpm.value && target->holds(*reading.creep_rpm.value);
}

Json zero_json(const Book& book, const Part& rig) {
  const auto zero = rig.id ? newest_zero(book, rig) : std::nullopt;
  if (!zero) return nullptr;
  return {{"mean_counts", zero->mean_counts}, {"made_utc", zero->made_utc}};
}

/// The next step of the plan that was made last; null when there is none or all are done.
Json plan_json(const Book& book) {
  std::optional<BeltPlan> latest;
  for (const std::string& document : book.document_names("plan/")) {
    BeltPlan plan = load_plan(book, document.substr(5));
    if (!latest || plan.made_utc > latest->made_utc) latest = std::move(plan);
  }
  if (!latest) return nullptr;
  const std::vector<StepState> states = progress(book, *latest);
  const auto next = next_step(states);
  Json json = {{"name", latest->name}, {"steps", states.size()}, {"done", !next.has_value()}};
  if (!next) return json;
  const StepState& state = states[*next];
  json["step"] = *next + 1;
  json["machine"] = latest->machine;
  json["motor"] = latest->motor;
  json["hand_pulley"] = latest->hand_pulley;
  json["belt"] = state.step.belt;
  json["motor_pulley"] = state.step.motor_pulley;
  json["round"] = state.step.round;
  const bool set = is_set(book, state.slip_check);
  json["kind"] = run_kind_name(set ? RunKind::kTopSpeed : RunKind::kSlipCheck);
  json["slip_check"] = set ? Json(state.slip_check) : Json();
  json["again"] = state.slip_check != 0 && !set;
  return json;
}

/// For each kind of run what it cannot do without: lists of fields, of each of which one will do.
Json needs_json() {
  Json needs = Json::object();
  for (const RunKind kind : kRunKinds) {
    Json& list = needs[run_kind_name(kind)] = Json::array();
    for (const Need& need : needs_of(kind)) list.push_back(need.any_of);
  }
  return needs;
}

/// Highest permitted speeds by name, of those parts that state one.
Json limits_json(const Book& book, PartKind kind) {
  Json limits = Json::object();
  for (const Part& part : book.parts(kind))
    if (const auto rpm = part.number("max-rpm")) limits[part.name] = *rpm;
  return limits;
}

/// For each question and each subject of it the steps to its answer.
Json evening_json(const Book& book) {
  const Evening all(book);
  Json evening = Json::object();
  for (const Question question : kQuestions) {
    Json& of_subjects = evening[question_name(question)] = Json::object();
    const PartKind kind = question == Question::kMotor ? PartKind::kMotor : PartKind::kMachine;
    for (const Part& part : book.parts(kind)) {
      Json& list = of_subjects[part.name] = Json::array();
      for (const EveningStep& step : all.steps_to(question, &part))
        list.push_back({{"what", step.what},
                        {"subject", step.subject},
                        {"done", step.done},
                        {"needed", step.needed}});
    }
  }
  return evening;
}

/// How numbers of each unit may be written; the parser is read_quantity.
Json units_json() {
  Json units = Json::object();
  for (const char* unit : {"mm", "g", "kgm2", "nm", "n", "v", "rpm", "s", "percent"})
    units[unit] = written_units(unit);
  return units;
}

// Line by line in the language of the locale, as the rest of the page.
std::string said(const std::string& lines, const Language& language) {
  std::string out;
  for (std::size_t at = 0; at < lines.size();) {
    const std::size_t end = std::min(lines.find('\n', at), lines.size());
    const std::size_t from = lines.compare(at, 2, "- ") == 0 ? at + 2 : at;
    out += lines.substr(at, from - at) + language.words(lines.substr(from, end - from)) + "\n";
    at = end + 1;
  }
  return out;
}

}  // namespace

Json bench_state(const Book& book, const Part& rig) {
  Json kinds = Json::array();
  Json cautions = Json::object();
  const Language language = Language::of_locale();
  for (const RunKind kind : kRunKinds) {
    kinds.push_back(run_kind_name(kind));
    if (const std::string text = cautions_before(kind); !text.empty())
      cautions[run_kind_name(kind)] = said(text, language);
  }
  return {{"rig", rig.name},
          {"motors", names(book, PartKind::kMotor)},
          {"machines", names(book, PartKind::kMachine)},
          {"belts", names(book, PartKind::kBelt)},
          {"pulleys", names(book, PartKind::kPulley)},
          {"kinds", kinds},
          {"cautions", cautions},
          {"needs", needs_json()},
          {"limits",
           {{"motor", limits_json(book, PartKind::kMotor)},
            {"machine", limits_json(book, PartKind::kMachine)},
            {"near_share", SpeedWatch::kNearShare}}},
          {"units", units_json()},
          {"calibrated", book.latest_calibration(rig.id).has_value()},
          {"zero", zero_json(book, rig)},
          {"evening", evening_json(book)},
          {"plan", plan_json(book)}};
}

}  // namespace loadline
