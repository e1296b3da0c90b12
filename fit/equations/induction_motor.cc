// An induction motor by Kloss' equation: T = 2Tb/(s/s_b + s_b/s), s = 1 − ω/ω_s.
// How its parameters go with supply, frequency and warmth: turning_field.h.
#include <cmath>

#include "fit/equations/described.h"
#include "fit/equations/equations.h"
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
  return described<InductionShape>(
      {.name = "induction",
       .parameters = turning_field("greatest torque", "slip at the greatest torque"),
       .speeds_by_frequency = 1});
}

}  // namespace loadline
