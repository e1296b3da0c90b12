// The contract's JSON of a drag curve, and the curve as the book keeps it.
#include <nlohmann/json.hpp>

#include "db/basis/units.h"
#include "fit/drags/drag_fit.h"

namespace loadline {
namespace {

Json findings_json(const std::vector<CoastFinding>& findings) {
  Json list = Json::array();
  for (const CoastFinding& f : findings)
    list.push_back({{"run", f.run},
                    {"values", f.values},
                    {"correlation_factor", json_number(f.correlation_factor)},
                    {"residual_rms_rpm", json_number(rpm_from_rad_per_s(f.speed_rms))},
                    {"ripple", to_json(f.ripple_nm)},
                    {"outlier_times_s", f.outlier_times_s}});
  return list;
}

}  // namespace

Json to_json(const DragFit& fit) {
  Json json{
      {"model", fit.curve.model},
      {"c0", to_json(fit.c0)},
      {"c1", to_json(fit.c1)},
      {"c2", to_json(fit.c2)},
      {"inertia", to_json(fit.inertia)},
      {"residual_rms", to_json(fit.torque_residuals
                                   ? Estimate::exact(fit.residual_rms, "N·m")
                                   : Estimate::exact(rpm_from_rad_per_s(fit.residual_rms), "rpm"))},
      {"speed_range", to_json(Estimate{std::nullopt, rpm_from_rad_per_s(fit.speed_low),
                                       rpm_from_rad_per_s(fit.speed_high), "rpm"})},
      {"runs", fit.runs},
      {"run_findings", findings_json(fit.findings)},
      {"choice", fit.choice},
      {"described", fit.not_described.empty()},
      {"degrees_of_freedom", json_number(fit.curve.degrees_of_freedom)}};
  if (!fit.not_described.empty()) json["not_described"] = fit.not_described;
  if (!fit.rows_read_as.empty()) json["rows_read_as"] = fit.rows_read_as;
  if (fit.over_inertia) {
    json["c0_over_inertia"] = to_json((*fit.over_inertia)[0]);
    json["c1_over_inertia"] = to_json((*fit.over_inertia)[1]);
    json["c2_over_inertia"] = to_json((*fit.over_inertia)[2]);
  }
  if (fit.stribeck_rise.value) {
    json["stribeck_rise"] = to_json(fit.stribeck_rise);
    json["stribeck_speed"] = to_json(fit.stribeck_speed);
  }
  if (fit.levels.known) json["scatter"] = to_json(fit.levels);
  json["another_evening"] = fit.another_evening ? to_json(*fit.another_evening) : Json();
  json["warnings"] = fit.warnings;
  return json;
}

StoredCurve to_stored(const DragFit& fit, const Part& machine) {
  StoredCurve stored = fit.curve.to_stored();
  stored.of_machine = true;
  stored.subject = machine.id;
  stored.residual_rms = fit.residual_rms;
  Json details = to_json(fit);
  Json points = Json::array();
  for (const DragPoint& p : fit.points)
    points.push_back(
        {p.run, p.time_s, rpm_from_rad_per_s(p.speed), rpm_from_rad_per_s(p.residual)});
  details["points"] = points;  // run, s, rpm, rpm residual
  stored.details_json = details.dump();
  return stored;
}

}  // namespace loadline
