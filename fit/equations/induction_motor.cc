// An induction motor by Kloss' equation: T = 2Tb/(s/s_b + s_b/s), s = 1 − ω/ω_s.
// How its parameters go with supply, frequency and warmth: turning_field.h.
#include <cmath>
#include <utility>

#include "fit/equations/described.h"
#include "fit/equations/equations.h"
#include "fit/equations/motor_constants.h"
#include "fit/equations/turning_field.h"

namespace loadline {
namespace {

using Eigen::VectorXd;

class InductionShape final : public LogShape<InductionEquation> {
 public:
  using LogShape::LogShape;
  std::vector<VectorXd> starts() const override {
    std::vector<VectorXd> starts;
    for (const double slip : kSlipsToBeginWith)
      starts.push_back(
          Eigen::Vector3d(std::log(scale_.torque), std::log(slip), std::log(1.02 * scale_.speed)));
    return starts;
  }
};

}  // namespace

MotorEquation induction_motor() {
  std::vector<MotorParameter> parameters =
      turning_field("greatest torque", "slip at the greatest torque");
  parameters.push_back({.name = "stator",
                        .symbol = "a",
                        .unit = "",
                        .meaning = "stator's resistance over the rotor's",
                        .positive = false});
  parameters.push_back({.name = "against",
                        .symbol = "β",
                        .unit = "",
                        .meaning = "strength of a field that turns against the rotor",
                        .positive = false});
  MotorEquation row =
      described<InductionShape>({.name = "induction",
                                 .parameters = std::move(parameters),
                                 .open_sd = {{motor_chosen::kStator}, {motor_chosen::kAgainst}},
                                 .speeds_by_frequency = 1});
  row.formulas.push_back(formula_in<OpenInductionEquation>(row));
  return row;
}

}  // namespace loadline
