// What is asked of a motor, a machine and what lies between them, and the inputs made ready for it.
#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>
#include <vector>

#include "fit/drive/drive_curve.h"
#include "fit/drive/load_line.h"
#include "fit/drive/supply.h"

namespace loadline {

/// A number with its standard uncertainty.
struct Uncertain {
  double value = 0;
  double sd = 0;
  double degrees_of_freedom = 1e9;
};

/// Top-speed runs with two tachometers on one pulley pair: what the belt wasted there.
///   slip        s  = 1 − i·ω_h/ω_m
///   belt loss   τ_b = T(ω_m) − τ(ω_h)/i       (motor's curve at the supply of the runs)
/// Both lean on the same curves and, on the same pulleys, on the same ratio as the question; their
/// errors cancel where they are the same, and propagation sees that.
struct BeltSeen {
  Uncertain motor_speed;           ///< rad/s, mean over the runs
  Uncertain speed_quotient;        ///< ω_h/ω_m, mean over the runs
  std::optional<Uncertain> ratio;  ///< of the runs' pulleys; empty: the same as the question's
  std::optional<double> supply_v;  ///< mean supply of the runs
  bool with_loss = false;          ///< the runs were driven by the question's motor on its machine
};

/// SI throughout. The curves must outlive the question and everything made from it.
struct DriveQuestion {
  std::string motor_name, machine_name;
  const Curve* motor = nullptr;
  const Curve* machine = nullptr;
  /// Motor speed over hand-wheel speed without slip; not used when both diameters are given.
  Uncertain ratio{1, 0};
  std::optional<Uncertain> motor_diameter, hand_diameter;  ///< effective, m
  /// Fraction, and N·m at the motor shaft. Scatter of a good belt's runs can put either below 0.
  Uncertain slip, belt_loss;
  /// Slip and belt loss as seen; they take the places of `slip` and `belt_loss`.
  std::optional<BeltSeen> belt_seen;
  double extra_nm = 0;                    ///< sewing load at the hand wheel, for the loaded figures
  std::optional<double> max_motor_speed;  ///< rad/s
  std::optional<double> max_handwheel_speed;  ///< rad/s
  std::optional<double> rated_power;          ///< W, of the motor's plate
  std::optional<double> stroke_m;             ///< of the needle bar, top to bottom
  double stitches_per_turn = 1;
  std::optional<double> wanted_speed;  ///< top speed wished for, rad/s at the hand wheel
  std::optional<double> slow_speed;    ///< slow sewing, rad/s at the hand wheel
  double seam_nm = kDefaultSeam;       ///< extra torque of a thick seam, N·m at the hand wheel
  /// "What if": another motor pulley, or another ratio.
  std::optional<Uncertain> what_if_diameter, what_if_ratio;
  /// A top speed that was seen, to be explained: rad/s at the hand wheel.
  std::optional<Uncertain> seen_top_speed;
  SupplyWish supply;

  /// About what a few layers of heavy cloth add on a domestic machine (common practice, rough).
  static constexpr double kDefaultSeam = 0.05;

  /// Empty when the question can be asked, else one sentence that says what is wrong with it.
  std::string fault() const;
};

/// The inputs, ready for calculation.
struct DriveSetup {
  DriveCurve motor;
  DriveCurve machine;
  LoadLine line;
  std::optional<Propagated> what_if_ratio;
  std::optional<Propagated> seen_top_speed;
};

/// A question with its sources of uncertainty. Building one costs a few microseconds; answering for
/// many ratios from one desk is what a trade-off does.
class DriveDesk {
 public:
  /// Error(kInput) with the question's fault, or when its curve cannot be moved to the supply.
  explicit DriveDesk(const DriveQuestion& question);

  const DriveQuestion& question() const { return question_; }
  const Sources& sources() const { return sources_; }
  /// With derivatives by every source.
  const DriveSetup& setup() const { return *setup_; }
  /// The exact setup whose inputs are moved by `change`, one number per input of sources().
  DriveSetup drawn(const Eigen::VectorXd& change) const;
  /// From moving the curve to another supply.
  const std::vector<std::string>& warnings() const { return warnings_; }

 private:
  struct Places {
    int motor = 0, machine = 0, ratio = 0, slip = 0, belt_loss = 0, what_if = 0, seen = 0;
    int seen_motor_speed = 0, seen_quotient = 0, seen_ratio = 0;
    std::optional<int> motor_diameter, hand_diameter;
  };
  void add_sources();
  void add_belt_warnings();
  template <class Input>
  void lay_line(DriveSetup& setup, Input input) const;
  template <class Input>
  void lay_belt(DriveSetup& setup, Input input) const;

  DriveQuestion question_;
  Sources sources_;
  Places places_;
  std::vector<std::string> warnings_;
  std::optional<DriveSetup> setup_;
};

}  // namespace loadline
