// What a scenario file says: one run on one simulated bench.
//
// A scenario is an INI file (sections in brackets, `key = value`, `#` begins a comment). Every key
// has a default, so a file says only what is particular; scenario_keys() lists all of them with
// unit, default and meaning. Angles in rad, everything SI unless the key's name carries a unit.
#pragma once

#include <cstdint>
#include <stdexcept>
#include <string>
#include <vector>

namespace loadline::simrig {

/// A scenario that cannot be read or makes no sense; the text is one sentence for people.
class ScenarioError : public std::runtime_error {
 public:
  using std::runtime_error::runtime_error;
};

/// kRest is the bench at rest, for zeros and for calibration with masses; the others are the kinds
/// of run.
enum class Play { kRest, kNoLoad, kBrake, kSpinUp, kCoastDown, kDriven, kSlipCheck, kTopSpeed };
const char* play_name(Play play);

enum class MotorKind { kSeries, kPermanentMagnet, kInduction };
const char* motor_kind_name(MotorKind kind);

struct RunSpec {
  Play play = Play::kBrake;
  std::uint64_t seed = 1;
  double lead_s = 2.0;    ///< at rest, between the start command and the switch
  double action_s = 0.0;  ///< switched on (or coasting); 0 = what the kind needs
  double on_s = 0.0;      ///< voltage on for so long; 0 = the action (5 s for a coast-down)
  double tail_s = 3.0;    ///< at rest or coming to rest, before the run ends
  double step_us = 0.0;   ///< integration step; 0 = 1/200 of a mains period, 100 µs on d.c.
};

struct SupplySpec {
  double volts = 230.0;          ///< rms on a.c.
  double hz = 50.0;              ///< 0 = direct current
  double wander_percent = 0.0;   ///< standard deviation of the slow movement of the mains
  double wander_s = 60.0;        ///< its correlation time
  double source_ohm = 0.0;       ///< of mains and leads
  double series_ohm = 0.0;       ///< a resistor in series with the motor, as in a foot control
  std::vector<double> levels_v;  ///< `driven`: the settings, in order
  double level_s = 6.0;          ///< time at each
  bool channel = true;           ///< the rig measures the motor's terminal voltage
  double volts_per_count = 0.25;
  double noise_counts = 0.4;
};

struct MotorSpec {
  MotorKind kind = MotorKind::kSeries;
  double inertia_kgm2 = 3e-5;
  double friction_c0_nm = 0.006;  ///< own friction: c0 + c1·ω + c2·ω²
  double friction_c1_nms = 4e-6;
  double friction_c2_nms2 = 1.2e-8;
  double resistance_ohm = 140.0;  ///< series: field + armature, PM: armature; at 20 °C
  double field_h = 0.25;          ///< series: inductance of the field, unsaturated
  double leakage_h = 0.12;        ///< inductance that does not saturate
  double k_vs_per_a = 0.22;       ///< series: E = k·I·ω on the linear part
  double saturation_a = 1.0;      ///< series: current where the iron bends; 0 = never
  double brush_v = 2.0;           ///< drop of both brushes together
  double ke_vs = 0.2;             ///< PM: E = ke·ω
  double magnet_per_k = -0.002;   ///< PM: relative change of ke per kelvin
  double poles = 2.0;             ///< induction
  double phases = 3.0;            ///< induction (3: 230 V per phase through an inverter)
  double r1_ohm = 30.0, x1_ohm = 28.0, r2_ohm = 26.0, x2_ohm = 28.0, xm_ohm = 420.0;
  double electrical_lag_s = 0.006;
  double ambient_c = 21.0;
  double start_c = 21.0;            ///< winding and case when the run begins
  double winding_j_per_k = 60.0;    ///< thermal mass of the copper
  double winding_k_per_w = 0.9;     ///< winding to case
  double case_j_per_k = 420.0;      ///< iron and case
  double case_k_per_w = 2.2;        ///< case to air
  double copper_per_k = 0.00393;    ///< IEC 60028 (from memory): annealed copper at 20 °C
  bool temperature_channel = true;  ///< a sensor on the case
};

struct BrakeSpec {
  enum class Law { kFriction, kEddy };
  enum class Programme { kSweep, kSteps };
  Law law = Law::kFriction;
  Programme programme = Programme::kSweep;
  double max_nm = 0.16;       ///< friction: highest torque set
  double max_nms = 0.002;     ///< eddy: highest torque per speed
  double settle_s = 2.0;      ///< free running before the brake comes on
  double sweep_s = 20.0;      ///< up and down together
  double step_count = 8.0;    ///< steps up to the highest
  double step_s = 3.0;        ///< at each
  double chatter = 0.0;       ///< relative standard deviation of the torque about what is set
  double chatter_s = 0.03;    ///< its correlation time
  double drum_kgm2 = 2.5e-5;  ///< inertia of the drum
};

struct FlywheelSpec {
  double inertia_kgm2 = 1.2e-3;
};

struct MachineSpec {
  double inertia_kgm2 = 1.6e-3;
  double added_kgm2 = 0.0;  ///< known inertia put on for this run
  double c0_nm = 0.08, c1_nms = 8e-4, c2_nms2 = 2e-6;
  double stribeck_nm = 0.0;                   ///< extra torque at standstill …
  double stribeck_rad = 4.0;                  ///< … gone by about this speed, rad/s
  double ripple1_nm = 0.0, ripple2_nm = 0.0;  ///< once and twice a turn
  double seam_j = 0.0;         ///< work that the needle does in a thick seam, each turn …
  double seam_from_deg = 120;  ///< … from this angle of the hand wheel on (needle on top at 0) …
  double seam_over_deg = 60;   ///< … over so much of the turn
  double seam_at_s = 0.0;      ///< the seam comes under the needle so long after the switch …
  double seam_s = 1e9;         ///< … and is through after this time
  double start_rpm = 900.0;    ///< coast-down: speed at release
  double hold_s = 1.0;         ///< coast-down: kept at that speed before release
  std::string subject = "machine";  ///< coast-down of "machine", "motor" or "both"
};

struct BeltSpec {
  double ratio = 7.0;            ///< without slip
  double motor_pulley_mm = 0.0;  ///< with hand_pulley_mm: effective diameters, instead of ratio
  double hand_pulley_mm = 0.0;
  double length_mm = 600.0;
  double capacity_nm = 0.12;  ///< at the motor shaft, where the belt slips altogether
  double creep = 0.012;       ///< slip = creep·(T/capacity)/√(1 − (T/capacity)²)
  double loss_nm = 0.006;     ///< at the motor shaft
  double loss_nms = 4e-6;
  double seam_nm = 0.0;  ///< once a passage of the seam
};

struct CellSpec {
  std::string position = "brake";  ///< or "motor": the motor hangs in a cradle
  bool present = true;
  double arm_mm = 100.0;
  double counts_per_n = 210000.0;
  double curvature_per_n = 0.0;  ///< counts = slope·F·(1 + curvature·F)
  double hysteresis = 0.0;       ///< `rest` only: relative, with direction = down
  double mass_g = 0.0;           ///< `rest`: hung on the arm
  std::string direction = "up";  ///< `rest`: the mass was reached from below or above
  double local_g = 9.80665;
  double zero_counts = 81250.0;
  double drift_counts_per_min = 0.0;
  double drift_counts_per_k = 0.0;  ///< with the warming of the motor's case
  double walk_counts = 0.0;         ///< random walk of the zero, standard deviation per √minute
  double noise_counts = 60.0;       ///< white, per conversion
  double slow_noise_counts = 0.0;   ///< correlated in time …
  double slow_noise_s = 0.3;        ///< … over this time
  double lag_s = 0.0;               ///< arm and cell, first order
  double creep = 0.0;               ///< relative growth under a steady load …
  double creep_s = 60.0;            ///< … with this time constant
  double converter_hz = 80.0;       ///< nominal
  double rate_error = 0.0;          ///< relative: true rate = nominal·(1 + this)
  bool state_delay = true;          ///< the identity states the delay of the filter
};

struct TachSpec {
  bool present = true;
  double pulses = 6.0;
  double uneven = 0.0;     ///< standard deviation of a slot's place, in slots
  double jitter_us = 0.0;  ///< of an edge's time
};

struct RigSpec {
  double board_number = 7.0;
  std::string firmware = "simulated bench";
  double tick_hz = 2000000.0;
  double clock_ppm = 0.0;    ///< the rig's clock runs fast by this
  double first_tick = 0.0;   ///< value of the tick counter at power-on
  double first_edges = 0.0;  ///< and of the edge counters (to meet a wrap)
  bool state_arm = false;    ///< the identity states the arm
  bool acts = false;         ///< the identity says that the rig acts by itself (set by Evening)
};

/// A sound input that hears a tachometer, the machine or both.
struct SoundSpec {
  double rate_hz = 48000.0;
  double clock_ppm = 0.0;     ///< the sound input's clock runs fast by this
  std::string tach = "auto";  ///< "motor", "handwheel", or the one that the kind of run is about
  double pulse_level = 1.0;   ///< of the tachometer's pulses
  double mark = 0.12;         ///< width of a mark, in pulses
  double spot = 0.03;         ///< of the light, in pulses
  double unlike = 0.15;       ///< half the spread of the marks' widths and heights
  double rise_us = 12.0, fall_us = 45.0;  ///< time constants of the photo transistor
  double lost = 0.0, bounce = 0.0;        ///< probability for each mark
  double bounce_s = 0.0015;
  double shaft_level = 0.0;  ///< of the machine's own sound
  double blades = 7.0;       ///< every so manyth harmonic of the turn is strong
  double low_pass_hz = 8000.0;
  double high_pass_hz = 16.0, second_high_pass_hz = 3.0;
  double snr_db = 30.0;  ///< pulses and sound over noise, by power, while it turns fast
  double pink = 0.25;    ///< share of the noise that is 1/f
  double hum = 0.0;      ///< first harmonic of the mains, over the pulses' rms
  double hum_hz = 50.0;
  double gain_control = 0.0;  ///< 0 none … 1: all is made equally loud
  double drift = 0.0;         ///< slow movement of the level
  double gain = 1.0;          ///< from 1.4 on it clips
};

/// Everything that goes wrong on purpose. Times are from the start of the run; negative = never.
struct FaultSpec {
  double lose_byte = 0.0;        ///< probability per byte
  double flip_bit = 0.0;         ///< probability per byte that one of its bits flips
  double repeat_frame = 0.0;     ///< probability per frame
  double garbage_every_s = 0.0;  ///< mean time between bursts; 0 = none
  double garbage_bytes = 40.0;   ///< mean length
  double reset_at_s = -1.0;
  double stall_at_s = -1.0, stall_for_s = 1.0;
  double stuck_at_s = -1.0, stuck_for_s = 1e9;  ///< converter silent
  double motor_tach_lost_at_s = -1.0, handwheel_tach_lost_at_s = -1.0;
  double hang_up_at_s = -1.0, hang_up_for_s = 1.0;  ///< the pseudo-terminal goes and comes back
};

struct Scenario {
  std::string name;  ///< the file's name, for messages and truth
  RunSpec run;
  SupplySpec supply;
  MotorSpec motor;
  BrakeSpec brake;
  FlywheelSpec flywheel;
  MachineSpec machine;
  BeltSpec belt;
  CellSpec cell;
  TachSpec motor_tach;
  TachSpec handwheel_tach;
  RigSpec rig;
  SoundSpec sound;
  FaultSpec faults;

  /// Motor speed over hand-wheel speed without slip.
  double ratio() const;
  /// Seconds from the switch to the end of what the kind needs.
  double action_seconds() const;
  double total_seconds() const { return run.lead_s + action_seconds() + run.tail_s; }
};

/// Reads a scenario; `overrides` are "section.key=value" and win over the file. Throws
/// ScenarioError that names file and key.
Scenario read_scenario(const std::string& path, const std::vector<std::string>& overrides = {});

/// The same from text, for tests; `name` stands for the file's name in messages.
Scenario parse_scenario(const std::string& text, const std::vector<std::string>& overrides = {},
                        const std::string& name = "scenario");

/// A page of all keys with default and meaning.
std::string scenario_keys();

}  // namespace loadline::simrig
