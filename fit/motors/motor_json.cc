// The contract's JSON of a motor curve, and the curve as the book keeps it.
#include <nlohmann/json.hpp>

#include "db/basis/units.h"
#include "fit/motors/motor_fit.h"

namespace loadline {
namespace {

// Residuals are torques (N·m), of a spin-up speeds (rpm).
Json models_json(const MotorFit& fit) {
  const double unit = fit.speed_residuals ? rpm_from_rad_per_s(1) : 1;
  Json list = Json::array();
  for (const ModelTried& m : fit.models)
    list.push_back({{"model", m.name},
                    {"aicc", m.aicc > 1e299 ? Json() : json_number(m.aicc)},
                    {"residual_rms", json_number(unit * m.residual_rms)},
                    {"runs_test_z", json_number(m.runs_z)},
                    {"remark", m.remark}});
  return list;
}

Json findings_json(const std::vector<RunFinding>& findings) {
  Json list = Json::array();
  for (const RunFinding& f : findings)
    list.push_back({{"run", f.run},
                    {"lag", to_json(f.lag_ms)},
                    {"inertia", to_json(f.inertia)},
                    {"drift", to_json(f.drift)},
                    {"warm_up", to_json(f.warm_up)},
                    {"flux_change", to_json(f.flux)},
                    {"correlation_factor", json_number(f.correlation_factor)},
                    {"values", f.values},
                    {"outlier_times_s", f.outlier_times_s}});
  return list;
}

Json budget_json(const std::vector<BudgetLine>& budget) {
  Json list = Json::array();
  for (const BudgetLine& line : budget)
    list.push_back({{"source", line.source},
                    {"stall_torque_nm", json_number(line.stall_torque)},
                    {"no_load_speed_rpm", json_number(line.no_load_speed)},
                    {"peak_power_w", json_number(line.peak_power)},
                    {"peak_power_speed_rpm", json_number(line.peak_power_speed)}});
  return list;
}

}  // namespace

Json to_json(const MotorFit& fit) {
  const bool described = fit.not_described.empty();
  // What does not describe its runs has values to look at and no limits.
  const auto result = [&](Estimate estimate) {
    if (!described) estimate.low = estimate.high = std::nullopt;
    return to_json(estimate);
  };
  Json parameters = Json::object();
  for (const auto& [name, estimate] : fit.parameters) parameters[name] = result(estimate);
  Json scatter;
  if (fit.levels.known) scatter = to_json(fit.levels);
  return {
      {"described", described},
      {"not_described", described ? Json() : Json(fit.not_described)},
      {"model", fit.curve.model},
      {"choice", fit.choice},
      {"parameters", parameters},
      {"stall_torque", result(fit.stall_torque)},
      {"no_load_speed", result(fit.no_load_speed)},
      {"peak_power", result(fit.peak_power)},
      {"peak_power_speed", result(fit.peak_power_speed)},
      {"residual_rms",
       to_json(fit.speed_residuals ? Estimate::exact(rpm_from_rad_per_s(fit.residual_rms), "rpm")
                                   : Estimate::exact(fit.residual_rms, "N·m"))},
      {"speed_range", to_json(Estimate{std::nullopt, rpm_from_rad_per_s(fit.curve.speed_low),
                                       rpm_from_rad_per_s(fit.curve.speed_high), "rpm"})},
      {"supply_v", fit.curve.supply_v ? json_number(*fit.curve.supply_v) : Json()},
      {"winding_c", fit.winding_c ? json_number(*fit.winding_c) : Json()},
      {"degrees_of_freedom", json_number(fit.curve.degrees_of_freedom)},
      {"models", models_json(fit)},
      {"runs", fit.curve.runs},
      {"run_findings", findings_json(fit.findings)},
      {"budget", budget_json(fit.budget)},
      {"scatter", scatter},
      {"another_evening", fit.another_evening ? to_json(*fit.another_evening) : Json()},
      {"warnings", fit.warnings}};
}

StoredCurve to_stored(const MotorFit& fit, const Part& motor) {
  StoredCurve stored = fit.curve.to_stored();
  stored.subject = motor.id;
  stored.residual_rms = fit.residual_rms;
  Json details = to_json(fit);
  Json points = Json::array();
  for (const CurvePoint& p : fit.points)
    points.push_back({rpm_from_rad_per_s(p.speed), p.torque, p.residual, p.weight});
  details["points"] = points;  // rpm, N·m corrected, N·m residual, weight
  stored.details_json = details.dump();
  return stored;
}

}  // namespace loadline
