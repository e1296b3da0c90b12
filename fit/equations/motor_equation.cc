#include "fit/equations/motor_equation.h"

#include <algorithm>
#include <cmath>

namespace loadline {
namespace {

std::vector<MotorEquation>& table() {
  static std::vector<MotorEquation> rows = {series_motor(), permanent_magnet_motor(),
                                            armature_reaction_motor(), induction_motor(),
                                            single_phase_motor()};
  return rows;
}

bool any(const MotorEquation& equation, int MotorParameter::*power) {
  return std::any_of(equation.parameters.begin(), equation.parameters.end(),
                     [&](const MotorParameter& parameter) { return parameter.*power != 0; });
}

}  // namespace

bool MotorEquation::moves_with_voltage() const { return any(*this, &MotorParameter::by_voltage); }
bool MotorEquation::moves_with_frequency() const {
  return any(*this, &MotorParameter::by_frequency);
}

const std::vector<MotorEquation>& motor_equations() { return table(); }

void add_motor_equation(MotorEquation equation) { table().push_back(std::move(equation)); }

const MotorEquation* motor_equation(const std::string& name) {
  for (const MotorEquation& equation : table())
    if (equation.name == name) return &equation;
  return nullptr;
}

const MotorParameter* motor_parameter(const std::string& name) {
  for (const MotorEquation& equation : table())
    for (const MotorParameter& parameter : equation.parameters)
      if (parameter.name == name) return &parameter;
  return nullptr;
}

Eigen::VectorXd parameter_factors(const MotorEquation& equation, std::size_t count,
                                  int MotorParameter::*power, double ratio) {
  Eigen::VectorXd factors(static_cast<Eigen::Index>(count));
  for (std::size_t i = 0; i < count; ++i)
    factors[static_cast<Eigen::Index>(i)] = std::pow(ratio, equation.parameters.at(i).*power);
  return factors;
}

}  // namespace loadline
