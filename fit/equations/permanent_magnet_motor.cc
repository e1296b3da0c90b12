// A permanent-magnet motor on direct current: T = Ts(1 − ω/ωₙ).
//
// Torque at standstill and speed without load go with the voltage; the current at standstill, and
// so the torque, with 1/R. With the flux Φ of its magnets T₀ = kΦ·V/R and ωₙ = V/(kΦ) (any machines
// text): a weaker magnet gives less torque and a higher free speed. Ferrite magnets lose 0.2 % of
// their flux per kelvin (handbooks), and warm by some ten kelvin in a run.
#include <cmath>

#include "fit/equations/described.h"
#include "fit/equations/equations.h"
#include "fit/equations/motor_constants.h"

namespace loadline {
namespace {

using Eigen::VectorXd;

class PermanentMagnetShape final : public LogShape<PermanentMagnetEquation> {
 public:
  using LogShape::LogShape;
  std::vector<VectorXd> starts() const override {
    return {Eigen::Vector2d(std::log(scale_.torque), std::log(1.05 * scale_.speed))};
  }
};

}  // namespace

MotorEquation permanent_magnet_motor() {
  MotorEquation row = described<PermanentMagnetShape>(
      {.name = "permanent-magnet",
       .parameters = {{.name = "stall",
                       .symbol = "T₀",
                       .unit = "N·m",
                       .meaning = "torque at standstill",
                       .by_torque = 1,
                       .by_voltage = 1,
                       .by_resistance = -1,
                       .by_flux = 1},
                      {.name = "omega_n",
                       .symbol = "ωₙ",
                       .unit = "rad/s",
                       .meaning = "speed without load",
                       .by_voltage = 1,
                       .by_flux = -1},
                      {.name = "bend",
                       .symbol = "α",
                       .unit = "",
                       .meaning = "share of its flux that the armature takes at standstill",
                       .positive = false}},
       .open_sd = {{motor_chosen::kSlightBend, motor_chosen::kBend}},
       .speeds_by_voltage = 1,
       .flux_sd = 0.03,
       .brush_v = 1.5,  // of two brushes, carbon or with metal in it (handbooks, from memory)
       .brush_v_sd = 0.8,
       .friction_share = 0.05,  // current without load over that at standstill (common practice)
       .friction_share_sd = 0.03,
       .straight = true});
  row.formulas.push_back(formula_in<ArmatureReactionEquation>(row));
  return row;
}

}  // namespace loadline
