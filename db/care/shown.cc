#include "db/care/shown.h"

#include <cmath>
#include <nlohmann/json.hpp>

#include "db/basis/students_t.h"
#include "db/basis/units.h"
#include "db/schema/schema.h"

namespace loadline {
namespace {

Json optional_json(const std::optional<double>& value) {
  return value ? json_number(*value) : Json(nullptr);
}

Json name_json(const PartNames& names, PartKind kind, std::int64_t id) {
  return id ? Json(names.of(kind, id)) : Json(nullptr);
}

void add_mounted(Json& out, const Run& run, const PartNames& names) {
  out["rig"] = name_json(names, PartKind::kRig, run.rig);
  out["motor"] = name_json(names, PartKind::kMotor, run.motor);
  out["machine"] = name_json(names, PartKind::kMachine, run.machine);
  out["belt"] = name_json(names, PartKind::kBelt, run.belt);
  out["motor_pulley"] = name_json(names, PartKind::kPulley, run.motor_pulley);
  out["hand_pulley"] = name_json(names, PartKind::kPulley, run.hand_pulley);
  out["slip_check"] = run.slip_check ? Json(run.slip_check) : Json(nullptr);
}

void add_identity(Json& out, const Run& run) {
  out["tick_hz"] = optional_json(run.tick_hz);
  out["motor_pulses_per_turn"] = optional_json(run.motor_pulses_per_turn);
  out["handwheel_pulses_per_turn"] = optional_json(run.handwheel_pulses_per_turn);
  out["converter_hz"] = optional_json(run.converter_hz);
  out["cell_delay_s"] = optional_json(run.cell_delay_s);
  out["firmware"] = run.firmware;
}

}  // namespace

PartNames::PartNames(const Book& book) {
  for (const PartKind kind : all_part_kinds())
    for (const Part& part : book.parts(kind)) names_[{kind, part.id}] = part.name;
}

std::string PartNames::of(PartKind kind, std::int64_t id) const {
  const auto found = names_.find({kind, id});
  return found == names_.end() ? "" : found->second;
}

Json part_json(const Part& part) {
  Json out = {{"id", part.id}, {"uuid", part.uuid}, {"name", part.name}};
  for (const PartField& field : part_fields(part.kind)) {
    const std::string key = column_of_field(field.name);
    if (field.type == PartField::Type::kNumber) {
      out[key] = optional_json(part.number(field.name));
    } else {
      const auto text = part.text(field.name);
      out[key] = text ? Json(*text) : Json(nullptr);
    }
  }
  out["note"] = part.note;
  return out;
}

Json run_json(const Run& run, const PartNames& names) {
  Json out = {{"run", run.id},
              {"uuid", run.uuid},
              {"kind", run_kind_name(run.kind)},
              {"state", run_state_name(run.state)},
              {"source", run_source_name(run.source)},
              {"steady", run.steady},
              {"started_utc", run.started_utc},
              {"samples", run.sample_count}};
  add_mounted(out, run, names);
  out["inertia_kgm2"] = optional_json(run.inertia_kgm2);
  out["inertia_sd_kgm2"] = optional_json(run.inertia_sd_kgm2);
  out["added_inertia_kgm2"] = optional_json(run.added_inertia_kgm2);
  out["supply_v"] = optional_json(run.supply_v);
  if (run.source == RunSource::kRig) add_identity(out, run);
  out["tachometer"] = run.tachometer ? Json(tachometer_name(*run.tachometer)) : Json(nullptr);
  out["pulses"] = optional_json(run.tachometer_pulses);
  out["session"] = run.session.empty() ? Json(nullptr) : Json(run.session);
  out["aside"] = run.aside.empty() ? Json(nullptr) : Json(run.aside);
  out["note"] = run.note;
  out["content_hash"] = run.content_hash;
  out["program_version"] = run.program_version;
  return out;
}

std::vector<Estimate> curve_estimates(const StoredCurve& curve) {
  const double factor = student_t_975(curve.degrees_of_freedom);
  std::vector<Estimate> estimates;
  for (std::size_t i = 0; i < curve.parameters.size(); ++i) {
    const double variance = curve.covariance(i, i);
    const double value = curve.parameters[i];
    if (!std::isfinite(value))
      estimates.push_back(Estimate::unknown("SI"));
    else if (std::isfinite(variance) && variance >= 0)
      estimates.push_back(Estimate::with_half_width(value, factor * std::sqrt(variance), "SI"));
    else
      estimates.push_back(Estimate::exact(value, "SI"));
  }
  return estimates;
}

Json curve_json(const StoredCurve& curve, const PartNames& names) {
  const PartKind kind = curve.of_machine ? PartKind::kMachine : PartKind::kMotor;
  Json parameters = Json::object();
  const std::vector<Estimate> estimates = curve_estimates(curve);
  for (std::size_t i = 0; i < estimates.size(); ++i)
    parameters[curve.parameter_names[i]] = to_json(estimates[i]);
  const Json details = Json::parse(curve.details_json, nullptr, false);
  return {{"curve", curve.id},
          {"uuid", curve.uuid},
          {"kind", part_kind_name(kind)},
          {"subject", names.of(kind, curve.subject)},
          {"model", curve.model},
          {"parameters", parameters},
          {"degrees_of_freedom", json_number(curve.degrees_of_freedom)},
          {"speed_range",
           {{"low", json_number(rpm_from_rad_per_s(curve.speed_low))},
            {"high", json_number(rpm_from_rad_per_s(curve.speed_high))},
            {"unit", "rpm"}}},
          {"supply_v", optional_json(curve.supply_v)},
          {"residual_rms_nm", json_number(curve.residual_rms)},
          {"runs", curve.runs},
          {"details", details.is_discarded() ? Json(nullptr) : details},
          {"program_version", curve.program_version},
          {"made_utc", curve.made_utc}};
}

Json calibration_json(const Calibration& calibration) {
  return {{"calibration", calibration.id},
          {"made_utc", calibration.made_utc},
          {"slope_n_per_count", json_number(calibration.slope_n_per_count)},
          {"slope_sd_n_per_count", json_number(calibration.slope_sd)},
          {"curvature_n_per_count2", json_number(calibration.curvature_n_per_count2)},
          {"zero_counts", json_number(calibration.zero_counts)},
          {"arm_m", json_number(calibration.arm_m)},
          {"arm_sd_m", json_number(calibration.arm_sd_m)},
          {"residual_sd_n", json_number(calibration.residual_sd_n)},
          {"reason", calibration.reason}};
}

}  // namespace loadline
