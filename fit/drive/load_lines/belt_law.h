// How a belt's loss and creep go with its pulleys and with what it carries.
//
// A belt bends as it runs onto and off a pulley, and is stretched more on its tight side than on
// its slack one. On pulleys of effective diameters d (motor) and D (hand wheel), carrying the
// torque M at the motor shaft:
//   loss   τ_b = c·d·(d^−(a+1) + D^−(a+1))          N·m at the motor shaft
//   creep  s   = k·M·(d^(1−b) + D^(1−b))/d          fraction of the speed
// On equal pulleys these are the published laws, τ_b ∝ (1/R)^a and s ∝ (1/R)^b at one torque, with
// a = 1 and b = 2 measured on equal pulleys of 51, 36 and 21 mm radius (run-in wrapped, raw-edged
// and cogged V-belts of the section AV10; abstract of a study in Proc. IMechE, 1987; authors, from
// memory, Childs and Cowburn). Thick flat belts on cylindrical pulleys lost about what V-belts of
// the same cross-section did (same abstract), so that the wedging is not what costs, and the law is
// taken for flat belts too. For round and link belts nothing was found; they get the same law with
// its doubt. How loss and creep go with tension and speed is published for other sizes only (creep
// of V-ribbed belts falls with tension and rises with the torque: Balta, Sonmez and Cengiz,
// Mechanism and Machine Theory 86 (2015) 1, on equal pulleys): tension is held by the slip setting,
// and what speed does is part of kOtherMotorLoss. On unequal pulleys each pulley adds its part:
// bending costs by its curvature at either, and the sum over both is our reading of it, not
// published. c and k come from the belt's own runs. a and b are uncertain; runs of the belt on a
// second pair of pulleys narrow them.
//
// Gross slip is the capstan's (Euler, Eytelwein; any machine-elements text, for a groove of angle β
// with the friction µ over sin(β/2)): T₁/T₂ = exp(µθ/sin(β/2)), so that at a sum of strand tensions
// T₁ + T₂ the pull is at most (T₁ + T₂)·tanh(µθ/(2 sin(β/2))). But a belt that bends hard does not
// lie into its groove: the largest T₁/T₂ that was of use fell from 21 to 5 between pulleys of 51
// and of 21 mm radius (same abstract), as if µ/sin(β/2) went with R^0.72, while the formula alone
// knows of no radius. SI throughout. Plain values; any thread.
#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "fit/drive/load_lines/drive_constants.h"
#include "fit/drive/load_lines/propagation.h"

namespace loadline {

/// What a belt's runs with one motor on one pair of pulleys showed.
struct BeltSight {
  Propagated motor_diameter, hand_diameter;  ///< effective, m
  Propagated loss;                           ///< N·m at the motor shaft
  Propagated slip;                           ///< fraction of the speed
  Propagated torque;                         ///< N·m carried to the hand wheel, at the motor shaft
  /// N·m at the motor shaft at which it slips altogether; empty without a slip check.
  std::optional<Propagated> capacity;
};

struct BeltExponents {
  Propagated loss = 1, slip = 2;
};

/// A belt that was seen somewhere, asked about elsewhere.
struct BeltLaw {
  BeltSight seen;
  BeltExponents exponents;
  Propagated load_share = drive_chosen::kLoadShare;
  Propagated hand_diameter;  ///< of the hand pulley asked about: a change of ratio leaves it
};

/// The belt on one pair of pulleys: slip = slip + creep·(N·m carried at the motor shaft).
struct BeltState {
  Propagated loss, slip, creep;
  std::optional<Propagated> capacity;  ///< N·m at the motor shaft
};
BeltState belt_on(const BeltLaw& law, const Propagated& motor_diameter);

/// τ_b on pulleys (d, D) over what it is on (d₀, D₀), and s at one torque likewise.
Propagated loss_change(const Propagated& motor, const Propagated& hand, const BeltSight& seen,
                       const Propagated& exponent);
Propagated slip_change(const Propagated& motor, const Propagated& hand, const BeltSight& seen,
                       const Propagated& exponent);

/// An exponent as runs on several pairs of pulleys leave it: value + Σ by_seen·(error of each
/// quantity seen) + an error of its own of standard uncertainty `own_sd`.
struct NarrowedExponent {
  double value = 0;
  Eigen::VectorXd by_seen;
  double own_sd = 0;
};

/// One pair of pulleys in that: (d, D) and the loss there, or the slip over the torque carried.
struct SeenQuantity {
  double motor_diameter, hand_diameter, value;
};

enum class BeltQuantity { kLoss, kSlip };

/// What one pair of pulleys shows of an exponent, with its derivatives by the loss, the slip and
/// the torque that were seen there.
struct ShownQuantity {
  SeenQuantity seen;
  double by_loss = 0, by_slip = 0, by_torque = 0;
};
/// Empty where it shows nothing: no loss is known, or no torque carried.
std::optional<ShownQuantity> shown_quantity(BeltQuantity quantity, double motor_diameter,
                                            double hand_diameter, std::optional<double> loss,
                                            double slip, double torque);

/// Least squares in the exponent with its prior, the first pair as anchor: the others differ from
/// it as the law says, to within `covariance` of the quantities and kExponentDeparts. With one
/// pair, or where the quantities drown in their errors, the prior comes back.
NarrowedExponent narrowed_exponent(BeltQuantity quantity, const std::vector<SeenQuantity>& seen,
                                   const Eigen::MatrixXd& covariance);

/// Change of the largest torque at the motor shaft from pulleys of d₀, D₀ to those of d, D (m) at
/// one tension: by the lever, by the wrap of the small pulley, and by how well a belt grips that
/// bends so hard (the published T₁/T₂ of 21 and 5). The distance of the shafts is taken as twice
/// the hand wheel.
double capacity_change(double motor, double hand, double seen_motor, double seen_hand);

/// Largest pull (N) of a belt whose strand tensions sum to `tension_sum` (N), over a wrap of `wrap`
/// rad in a groove of `groove_angle` rad (π for a flat pulley) at a coefficient of friction.
double most_pull(double tension_sum, double friction, double wrap, double groove_angle);

}  // namespace loadline
