// What is asked of a motor, a machine and what lies between them, and the inputs made ready for it.
#pragma once

#include <Eigen/Core>
#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "fit/drive/load_lines/drive_curve.h"
#include "fit/drive/load_lines/load_line.h"
#include "fit/drive/load_lines/supply.h"

namespace loadline {

/// A number with its standard uncertainty.
struct Uncertain {
  double value = 0;
  double sd = 0;
  double degrees_of_freedom = 1e9;
};

/// A pulley of known effective diameter (m). Two with one `id` (not 0) are one pulley, and its
/// error is one error.
struct KnownPulley {
  std::int64_t id = 0;
  Uncertain diameter;
};

/// Top-speed runs with two tachometers on one pulley pair: what the belt wasted there.
///   slip        s  = 1 − i·ω_h/ω_m
///   belt loss   τ_b = T(ω_m) − τ(ω_h)/i       (motor's curve at the supply of the runs)
/// Both lean on the same curves and, on the same pulleys, on the same ratio as the question; their
/// errors cancel where they are the same, and propagation sees that. With both pulleys named they
/// are carried to other pulleys, loads and motors by fit/drive/load_lines/belt_law.h; without, they
/// stand as they are.
struct BeltSeen {
  Uncertain motor_speed;           ///< rad/s, mean over the runs
  Uncertain speed_quotient;        ///< ω_h/ω_m, mean over the runs
  std::optional<Uncertain> ratio;  ///< of the runs' pulleys; empty: the same as the question's
  std::optional<KnownPulley> motor_pulley, hand_pulley;
  const Curve* motor = nullptr;    ///< of the runs; nullptr: the question's
  std::optional<double> supply_v;  ///< mean supply of the runs
  /// rad/s of the motor while the belt slips with the hand wheel held, at that supply: what the
  /// motor gives there is what the belt carries at most.
  std::optional<Uncertain> creep_speed;
  bool with_loss = false;  ///< the motor's curve is known, and the machine is the question's
};

/// SI throughout. The curves must outlive the question and everything made from it.
struct DriveQuestion {
  std::string motor_name, machine_name;
  const Curve* motor = nullptr;
  const Curve* machine = nullptr;
  /// Motor speed over hand-wheel speed without slip; not used when both diameters are given.
  Uncertain ratio{1, 0};
  std::optional<Uncertain> motor_diameter, hand_diameter;  ///< effective, m
  std::int64_t motor_pulley = 0, hand_pulley = 0;          ///< KnownPulley::id of these two
  /// Fraction, further fraction per N·m carried, N·m at the motor shaft. Scatter of a good belt's
  /// runs can put them below 0.
  Uncertain slip, creep, belt_loss;
  std::optional<Uncertain> belt_capacity;  ///< N·m at the motor shaft, beyond which it slips
  /// Slip and belt loss as seen; they take the places of the three above.
  std::optional<BeltSeen> belt_seen;
  /// The belt's runs on further pulleys: they tell how loss and slip go with the pulley.
  std::vector<BeltSeen> belt_elsewhere;
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
  /// Inertia of the machine at the hand wheel and of the rotor, kg·m²; what carries it through a
  /// seam.
  std::optional<Uncertain> machine_inertia;
  double rotor_inertia = 0;
  /// Only this pedal is asked about. kMarks: the foot control chops the supply (phase angle, half
  /// wave), and nothing but its marks stands for it.
  std::optional<Pedal> only_pedal;
  /// Motor and control between two marks of the pedal (foot_control.h), at the marks' supply; null
  /// where none were measured.
  const Curve* marks = nullptr;
  bool marked = false;  ///< there are marks, whether they answer or not
  double mark_less = 0, mark_more = 0;
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
  std::optional<DriveCurve> marks;  ///< motor and foot control together
};

/// Among a desk's sources: what of the supply makes no torque (lost_share()).
inline constexpr const char* kLostSource = "brush drop and friction";

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
  /// What the belt's runs showed, without its diameters where the question names none.
  const std::optional<BeltSight>& belt_sight() const { return sight_; }

 private:
  struct SeenPlaces {
    int motor_speed = 0, quotient = 0, ratio = 0, motor_pulley = 0, hand_pulley = 0, motor = 0;
    int creep_speed = 0;
  };
  struct Places {
    int motor = 0, machine = 0, marks = 0, lost = 0, ratio = 0, slip = 0, creep = 0, belt_loss = 0,
        capacity = 0, what_if = 0, seen = 0;
    int loss_exponent = 0, slip_exponent = 0, load_share = 0, other_loss = 0, other_slip = 0;
    std::optional<int> motor_diameter, hand_diameter;
    SeenPlaces belt;
    std::vector<SeenPlaces> elsewhere;
    std::map<std::int64_t, int> pulleys;
    std::map<const Curve*, int> motors;
  };
  bool has_law() const;
  void add_sources();
  SeenPlaces add_seen(const BeltSeen& seen);
  void add_law_sources();
  void add_elsewhere();
  void add_belt_warnings();
  void narrow_exponents();
  template <class Input>
  void lay_line(DriveSetup& setup, Input input) const;
  template <class Input, class MotorAt>
  BeltSight sight_of(const BeltSeen& seen, const SeenPlaces& places, const DriveSetup& setup,
                     Input input, MotorAt motor_at) const;
  template <class Input>
  void lay_belt(DriveSetup& setup, const BeltSight& sight, const BeltExponents& exponents,
                Input input) const;

  DriveQuestion question_;
  Sources sources_;
  Places places_;
  LostShare lost_;  // of the motor's supply
  std::vector<std::string> warnings_;
  std::optional<BeltSight> sight_;
  std::vector<BeltSight> elsewhere_;
  BeltExponents exponents_;
  std::optional<DriveSetup> setup_;
};

}  // namespace loadline
