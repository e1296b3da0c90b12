// The table of motor equations: whatever Loadline knows of one stands in its row, in one file of
// its own (series_motor.cc, permanent_magnet_motor.cc, armature_reaction_motor.cc,
// induction_motor.cc, single_phase_motor.cc).
//
// In: speed (rad/s), supply and frequency over their references, warmth, parameters (SI).
// Out: torque (N·m) with its derivatives; names, units, symbols and laws of the parameters.
#pragma once

#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "fit/equations/curve_model.h"
#include "fit/equations/motor_shape.h"

namespace loadline {

/// What one parameter is, and the powers by which it goes with the conditions: a parameter with
/// `by_voltage` 2 is four times as large at twice the supply.
struct MotorParameter {
  std::string name;    ///< in the book and in JSON
  std::string symbol;  ///< as printed
  std::string unit;    ///< SI; "" for a plain number
  std::string meaning;
  bool positive = true;   ///< its limits are found on its logarithm
  int by_torque = 0;      ///< with all torques, as a wrong arm or calibration changes them
  int by_voltage = 0;     ///< with the supply voltage
  int by_frequency = 0;   ///< with the supply's frequency
  int by_resistance = 0;  ///< with the winding's resistance, and so with its temperature
  int by_flux = 0;        ///< with the flux of its magnets, which falls as they warm
};

struct MotorEquation {
  using Shape = std::function<std::unique_ptr<MotorShape>(const SweepScale&,
                                                          const std::optional<OwnDrag>& own_drag)>;
  std::string name;
  std::vector<MotorParameter> parameters;
  /// The formula of a stored curve: the one with as many parameters as are stored. A shorter one,
  /// of earlier books, has the first of `parameters`.
  std::vector<std::shared_ptr<const CurveModel>> formulas = {};
  Shape shape = {};  ///< as the fit sees it
  /// Standard deviations, one or several sizes, of the last of `parameters`, which only the longest
  /// formula has and no fit moves: what the equation leaves out, of which typed points tell
  /// themselves how large it is (open_terms.h of brake runs). Empty: what equations leave open in
  /// general counts.
  std::vector<std::vector<double>> open_sd = {};
  /// Powers of voltage and frequency by which all its speeds move, the measured range with them; 0
  /// where a change of supply moves no single speed of the curve.
  int speeds_by_voltage = 0, speeds_by_frequency = 0;
  /// The parameter to which a resistance in the motor's circuit adds; "": not known for this one.
  std::string series_resistance = "";
  /// Standard deviation of the share of flux that magnets lose in a run; 0 without magnets.
  double flux_sd = 0;
  /// What a net curve does not tell of the volts that make no torque, and a change of supply needs:
  /// the drop of its brushes, and its own friction as a share of the standstill torque where the
  /// parameters hold none. With their standard uncertainties.
  double brush_v = 0, brush_v_sd = 0, friction_share = 0, friction_share_sd = 0;
  /// The type of motor that it is of, where that has another name; "": its own.
  std::string of_type = "";
  /// Tried only for motors entered as of that type, or where it is asked for.
  bool only_of_type = false;
  /// Tried only on brake runs recorded over time: typed points are too few to tell it from a
  /// simpler one, and spin-ups were not counted with it.
  bool only_sweeps = false;
  /// On alternating current its torque swings with the mains.
  bool swings_with_mains = false;
  /// A straight line: where it is measured does not matter.
  bool straight = false;

  bool moves_with_voltage() const;
  bool moves_with_frequency() const;
};

/// All of them, in the order in which they are tried.
const std::vector<MotorEquation>& motor_equations();
/// Null for another name ("smooth", "drag").
const MotorEquation* motor_equation(const std::string& name);
/// One more row, for this process. Before any fit and any thread uses the table.
void add_motor_equation(MotorEquation equation);

/// Parameter of any of them by its name; null for another (those of a spline or a drag).
const MotorParameter* motor_parameter(const std::string& name);

/// What each of the first `count` parameters of `equation` is multiplied by when a condition is
/// multiplied by `ratio`; `power` picks the condition: &MotorParameter::by_voltage.
Eigen::VectorXd parameter_factors(const MotorEquation& equation, std::size_t count,
                                  int MotorParameter::*power, double ratio);

// The rows.
MotorEquation series_motor();
MotorEquation permanent_magnet_motor();
MotorEquation armature_reaction_motor();
MotorEquation induction_motor();
MotorEquation single_phase_motor();

}  // namespace loadline
