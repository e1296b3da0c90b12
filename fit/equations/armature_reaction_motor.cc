// A permanent-magnet motor whose armature weakens the field that it turns in (armature reaction,
// any machines text): T = T₀(1 − x)/(1 − αx)², x = ω/ωₙ (equations.h derives it). The line bulges,
// by αx(1 − x) twice at first; a fan, d₂ω² beside what friction takes anyway, bends it the same
// way, and so α holds both.
//
// α is what the armature's field, aI, takes of the magnets' flux k at the current of standstill,
// aV/(Rk): it goes with the voltage, and against resistance and flux.
#include <cmath>

#include "fit/equations/described.h"
#include "fit/equations/equations.h"
#include "fit/equations/motor_constants.h"

namespace loadline {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

using namespace motor_chosen;

// u = ln T₀, ln ωₙ, ln(α/(1 − α)).
class ArmatureReactionShape final : public ShapeOf<ArmatureReactionEquation> {
 public:
  using ShapeOf::ShapeOf;
  VectorXd natural(const VectorXd& u) const override {
    return Eigen::Vector3d(std::exp(u[0]), std::exp(u[1]), 1 / (1 + std::exp(-u[2])));
  }
  MatrixXd natural_by_internal(const VectorXd& u) const override {
    const VectorXd p = natural(u);
    return Eigen::Vector3d(p[0], p[1], p[2] * (1 - p[2])).asDiagonal();
  }
  std::vector<VectorXd> starts() const override {
    return {Eigen::Vector3d(std::log(scale_.torque), std::log(1.05 * scale_.speed), usual())};
  }
  MatrixXd prior_root() const override {
    MatrixXd root = MatrixXd::Zero(1, kSize);
    root(0, 2) = 1 / kReactionLogSd;
    return root;
  }
  VectorXd prior_mean() const override { return Eigen::Vector3d(0, 0, usual()); }

 private:
  static double usual() { return std::log(kReaction / (1 - kReaction)); }
};

}  // namespace

MotorEquation armature_reaction_motor() {
  MotorEquation row = permanent_magnet_motor();
  row.open_sd.clear();
  row.parameters.resize(2);
  row.parameters.push_back({.name = "alpha",
                            .symbol = "α",
                            .unit = "",
                            .meaning = "share of its flux that the armature takes at standstill",
                            .by_voltage = 1,
                            .by_resistance = -1,
                            .by_flux = -1});
  row.name = "armature-reaction";
  row.of_type = "permanent-magnet";
  row.only_sweeps = true;
  return described<ArmatureReactionShape>(std::move(row));
}

}  // namespace loadline
