#include "fit/curves/curve.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "db/basis/error.h"
#include "db/basis/students_t.h"
#include "db/book.h"
#include "db/sql/text.h"
#include "fit/curves/smooth.h"
#include "fit/equations/equations.h"
#include "fit/equations/formula_of.h"
#include "fit/equations/motor_equation.h"

namespace loadline {
namespace {

// No motor and no machine turns faster: 955,000 rpm, in rad/s.
constexpr double kFastest = 1e5;

// A book may come from anybody. Equations read as many parameters as they have and answers search
// the range of speeds, so what no fit can have stored ends here; "" for the rest.
std::string fault_of(const StoredCurve& stored, const CurveModel& equation) {
  if (stored.parameters.size() != equation.parameter_names().size())
    return fmt::format("{} parameters are not those of the model '{}'", stored.parameters.size(),
                       stored.model);
  if (stored.of_machine != (stored.model.rfind("drag", 0) == 0))
    return fmt::format("a {} has no curve of the model '{}'",
                       stored.of_machine ? "machine" : "motor", stored.model);
  if (!std::all_of(stored.parameters.begin(), stored.parameters.end(),
                   [](double value) { return std::isfinite(value); }))
    return "a parameter is no number";
  if (!(stored.speed_low >= 0 && stored.speed_low < stored.speed_high &&
        stored.speed_high <= kFastest))
    return "its range of speeds is none that a bench measures";
  return "";
}

// The level of another evening, as to_json(AnotherEvening) wrote it.
std::optional<EveningSpread> spread_in(const std::string& details_json) {
  const Json details = Json::parse(details_json, nullptr, false);
  const auto child = [](const Json& json, const char* key) {
    const auto found = json.is_object() ? json.find(key) : json.end();
    return json.is_object() && found != json.end() ? *found : Json();
  };
  const Json level = child(child(details, "another_evening"), "level");
  const Json sd = child(level, "relative_sd"), freedom = child(level, "degrees_of_freedom"),
             sessions = child(level, "sessions");
  if (!sd.is_number() || !freedom.is_number() || !sessions.is_number_integer()) return std::nullopt;
  const EveningSpread spread{sd.get<double>(), freedom.get<double>(), sessions.get<int>()};
  if (!(spread.relative_sd >= 0) || !(spread.degrees_of_freedom >= 1)) return std::nullopt;
  return spread;
}

}  // namespace

std::shared_ptr<const CurveModel> curve_equation(const std::string& name, double speed_low,
                                                 double speed_high, std::size_t parameters) {
  static const auto drag = formula_of<DragEquation>("drag", {"c0", "c1", "c2"});
  static const auto stribeck =
      formula_of<StribeckEquation>("drag-stribeck", {"c0", "c1", "c2", "rise", "omega_s"});
  if (name == "drag") return drag;
  if (name == "drag-stribeck") return stribeck;
  if (name == "smooth") return smooth_equation(speed_low, speed_high, parameters);
  const MotorEquation* const motor = motor_equation(name);
  if (!motor) return nullptr;
  for (const auto& formula : motor->formulas)
    if (formula->parameter_names().size() == parameters) return formula;
  return motor->formulas.back();
}

double Curve::torque(double speed) const { return equation->torque(parameters, speed); }
double Curve::slope(double speed) const { return equation->slope(parameters, speed); }
Eigen::VectorXd Curve::gradient(double speed) const {
  return equation->gradient(parameters, speed);
}

double Curve::torque_sd(double speed) const {
  const Eigen::VectorXd g = gradient(speed);
  return std::sqrt(std::max(0.0, g.dot(covariance * g)));
}

void Curve::scale_parameters(const Eigen::VectorXd& factors) {
  parameters = parameters.cwiseProduct(factors);
  covariance = factors.asDiagonal() * covariance * factors.asDiagonal();
}

double Curve::coverage_factor() const { return student_t_975(degrees_of_freedom); }

Curve Curve::of_equation(const std::string& model, Eigen::VectorXd parameters,
                         Eigen::MatrixXd covariance) {
  Curve curve;
  curve.model = model;
  curve.equation = curve_equation(model, 0, 0, static_cast<std::size_t>(parameters.size()));
  curve.parameter_names = curve.equation->parameter_names();
  curve.parameters = std::move(parameters);
  curve.covariance = std::move(covariance);
  return curve;
}

namespace {

using RowMajor = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;

Covariance plain(const Eigen::MatrixXd& matrix) {
  Covariance covariance(static_cast<std::size_t>(matrix.rows()));
  Eigen::Map<RowMajor>(covariance.rows.data(), matrix.rows(), matrix.cols()) = matrix;
  return covariance;
}

}  // namespace

Eigen::MatrixXd dense(const Covariance& covariance) {
  const auto size = static_cast<Eigen::Index>(covariance.size);
  return Eigen::Map<const RowMajor>(covariance.rows.data(), size, size);
}

StoredCurve Curve::to_stored() const {
  StoredCurve stored;
  stored.model = model;
  stored.parameter_names = parameter_names;
  stored.parameters.assign(parameters.begin(), parameters.end());
  stored.covariance = plain(covariance);
  stored.degrees_of_freedom = degrees_of_freedom;
  stored.speed_low = speed_low;
  stored.speed_high = speed_high;
  stored.supply_v = supply_v;
  stored.runs = runs;
  stored.program_version = LOADLINE_VERSION;
  return stored;
}

Curve Curve::from_stored(const StoredCurve& stored) {
  Curve curve;
  curve.model = stored.model;
  curve.equation =
      curve_equation(stored.model, stored.speed_low, stored.speed_high, stored.parameters.size());
  if (!curve.equation)
    throw Error(Fault::kBook,
                fmt::format("the curve model '{}' is not known to this version; fit the curve "
                            "again or use a newer Loadline.",
                            on_one_line(stored.model)));
  if (const std::string fault = fault_of(stored, *curve.equation); !fault.empty())
    throw Error(Fault::kBook, fmt::format("curve {} in the book cannot have come from a fit ({}); "
                                          "fit it again.",
                                          stored.id, fault));
  curve.parameter_names = stored.parameter_names;
  curve.parameters = Eigen::Map<const Eigen::VectorXd>(
      stored.parameters.data(), static_cast<Eigen::Index>(stored.parameters.size()));
  curve.covariance = dense(stored.covariance);
  curve.degrees_of_freedom = stored.degrees_of_freedom;
  curve.speed_low = stored.speed_low;
  curve.speed_high = stored.speed_high;
  curve.supply_v = stored.supply_v;
  curve.runs = stored.runs;
  curve.another_evening = spread_in(stored.details_json);
  return curve;
}

void require_described(const StoredCurve& stored, const std::string& of) {
  const Json details = Json::parse(stored.details_json, nullptr, false);
  if (!details.is_object()) return;
  const auto described = details.find("described");
  if (described == details.end() || !described->is_boolean() || described->get<bool>()) return;
  const auto why = details.find("not_described");
  throw Error(Fault::kAnswerNo,
              fmt::format("the curve of {} does not describe its runs{}, so that nothing can be "
                          "built on it; set right what is wrong and run loadline-fit {} again.",
                          of,
                          why != details.end() && why->is_string()
                              ? " (" + on_one_line(why->get<std::string>()) + ")"
                              : "",
                          stored.of_machine ? "drag" : "motor"));
}

StoredCurve described_curve(const Book& book, const Part& part) {
  const bool machine = part.kind == PartKind::kMachine;
  const auto stored = book.latest_curve(machine, part.id);
  if (!stored)
    throw Error(Fault::kInput, fmt::format("{} '{}' has no curve yet; run: loadline-fit {} '{}'",
                                           machine ? "machine" : "motor", part.name,
                                           machine ? "drag" : "motor", part.name));
  require_described(*stored, fmt::format("{} '{}'", machine ? "machine" : "motor", part.name));
  return *stored;
}

}  // namespace loadline
