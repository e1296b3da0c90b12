#include "logger/live/bench_state.h"

#include <array>

#include "logger/belt_plan.h"
#include "logger/cautions.h"

namespace loadline {
namespace {

constexpr std::array kKinds = {RunKind::kBrake,     RunKind::kNoLoad, RunKind::kSpinUp,
                               RunKind::kCoastDown, RunKind::kDriven, RunKind::kSlipCheck,
                               RunKind::kTopSpeed};

Json names(const Book& book, PartKind kind) {
  Json list = Json::array();
  for (const Part& part : book.parts(kind)) list.push_back(part.name);
  return list;
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
  json["kind"] = state.slip_check ? "top-speed" : "slip-check";
  json["slip_check"] = state.slip_check ? Json(state.slip_check) : Json();
  return json;
}

}  // namespace

Json bench_state(const Book& book, const Part& rig) {
  Json kinds = Json::array();
  Json cautions = Json::object();
  for (const RunKind kind : kKinds) {
    kinds.push_back(run_kind_name(kind));
    if (const std::string text = cautions_before(kind); !text.empty())
      cautions[run_kind_name(kind)] = text;
  }
  return {{"rig", rig.name},
          {"motors", names(book, PartKind::kMotor)},
          {"machines", names(book, PartKind::kMachine)},
          {"belts", names(book, PartKind::kBelt)},
          {"pulleys", names(book, PartKind::kPulley)},
          {"kinds", kinds},
          {"cautions", cautions},
          {"calibrated", book.latest_calibration(rig.id).has_value()},
          {"plan", plan_json(book)}};
}

}  // namespace loadline
