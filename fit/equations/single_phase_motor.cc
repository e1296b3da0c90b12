// An induction motor on one phase: two fields that turn against each other, each as Kloss has it,
//   T = T_f(s) − β·T_f(2 − s),   T_f(s) = 2Tb/(s/s_b + s_b/s),   s = 1 − ω/ω_s.
// With the main winding alone both fields are alike, β = 1, and nothing starts it (double revolving
// field theory, any machines text, e.g. Fitzgerald, Kingsley and Umans, from memory). A capacitor
// or a shading ring weakens the field that turns backwards: 0 < β < 1, and β = 0 is the induction
// motor on three phases. Laws as of all turning fields (turning_field.h).
//
// Tried for motors that are entered as induction motors, where the runs of one of unknown type
// follow Kloss' equation best (fit/motors/motor_models.cc), and where it is asked for: on the
// curves of others its four parameters are near enough to anything.
#include <cmath>
#include <utility>

#include "fit/equations/described.h"
#include "fit/equations/equations.h"
#include "fit/equations/motor_constants.h"
#include "fit/equations/turning_field.h"

namespace loadline {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

using namespace motor_chosen;

class SinglePhaseShape final : public LogShape<SinglePhaseEquation> {
 public:
  using LogShape::LogShape;
  std::vector<VectorXd> starts() const override {
    std::vector<VectorXd> starts;
    for (const double slip : kSlipsToBeginWith)
      for (const double backward : {0.15, 0.7})
        starts.push_back(Eigen::Vector4d(std::log(1.1 * scale_.torque), std::log(slip),
                                         std::log(1.02 * scale_.speed), std::log(backward)));
    return starts;
  }
  // The backward field is anything from a small part of the forward one to all of it.
  MatrixXd prior_root() const override {
    MatrixXd root = MatrixXd::Zero(1, kSize);
    root(0, 3) = 1 / kBackwardLogSd;
    return root;
  }
  VectorXd prior_mean() const override {
    VectorXd mean = VectorXd::Zero(kSize);
    mean[3] = std::log(kBackward);
    return mean;
  }
};

}  // namespace

MotorEquation single_phase_motor() {
  std::vector<MotorParameter> parameters = turning_field(
      "greatest torque of the field that turns with the rotor", "slip at that torque");
  parameters.push_back({.name = "backward",
                        .symbol = "β",
                        .unit = "",
                        .meaning = "strength of the field that turns against the rotor"});
  return described<SinglePhaseShape>({.name = "single-phase",
                                      .parameters = std::move(parameters),
                                      .speeds_by_frequency = 1,
                                      .of_type = "induction",
                                      .only_of_type = true});
}

}  // namespace loadline
