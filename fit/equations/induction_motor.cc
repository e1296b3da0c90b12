// An induction motor by Kloss' equation: T = 2Tb/(s/s_b + s_b/s), s = 1 − ω/ω_s.
//
// The breakdown torque goes with V²; the synchronous speed with f, and with the leakage reactance,
// which goes with f, the breakdown torque with 1/f² and its slip with 1/f. That slip goes with the
// rotor's resistance, which is taken to be as warm as the winding.
#include <cmath>

#include "fit/equations/equations.h"
#include "fit/equations/formula_of.h"
#include "fit/equations/motor_equation.h"
#include "fit/equations/shape_of.h"

namespace loadline {
namespace {

using Eigen::VectorXd;

class InductionShape final : public LogShape<InductionEquation> {
 public:
  using LogShape::LogShape;
  std::string name() const override { return "induction"; }
  std::vector<VectorXd> starts() const override {
    std::vector<VectorXd> starts;
    for (const double slip : {0.08, 0.2, 0.5})
      starts.push_back(
          Eigen::Vector3d(std::log(scale_.torque), std::log(slip), std::log(1.02 * scale_.speed)));
    return starts;
  }
};

}  // namespace

MotorEquation induction_motor() {
  return {
      .name = "induction",
      .parameters = {{.name = "breakdown",
                      .symbol = "T_b",
                      .unit = "N·m",
                      .meaning = "greatest torque",
                      .by_torque = 1,
                      .by_voltage = 2,
                      .by_frequency = -2},
                     {.name = "slip_b",
                      .symbol = "s_b",
                      .unit = "",
                      .meaning = "slip at the greatest torque",
                      .by_frequency = -1,
                      .by_resistance = 1},
                     {.name = "omega_s",
                      .symbol = "ω_s",
                      .unit = "rad/s",
                      .meaning = "synchronous speed",
                      .by_frequency = 1}},
      .formulas = {formula_of<InductionEquation>("induction", {"breakdown", "slip_b", "omega_s"})},
      .shape = shape_maker<InductionShape>(),
      .speeds_by_frequency = 1};
}

}  // namespace loadline
