// What the book keeps of the bench: runs, samples, readings, zeros, calibrations, curves.
// All are plain values with no hold on the book.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <optional>
#include <string>
#include <vector>

namespace loadline {

enum class RunKind { kNoLoad, kBrake, kSpinUp, kCoastDown, kDriven, kSlipCheck, kTopSpeed };
/// In the order in which a person sees them.
inline constexpr std::array kRunKinds = {RunKind::kNoLoad,    RunKind::kBrake,  RunKind::kSpinUp,
                                         RunKind::kCoastDown, RunKind::kDriven, RunKind::kSlipCheck,
                                         RunKind::kTopSpeed};
/// "no-load", "brake", "spin-up", "coast-down", "driven", "slip-check", "top-speed".
const char* run_kind_name(RunKind kind);
std::optional<RunKind> run_kind_from_name(const std::string& name);

/// How an imported run's speeds were made, as its owner states it.
enum class Tachometer {
  kReciprocal,  ///< turns between the last edges before two rows, over the time between these edges
  kPeriod,      ///< time of the last turn, or of the last few pulses
  kGate,        ///< pulses counted in a gate of fixed length
  kAnalogue,    ///< a voltage in proportion to the speed
  kDisplay,     ///< a number renewed every so often, smoothed or rounded
};
/// In the order in which a person sees them.
inline constexpr std::array kTachometers = {Tachometer::kReciprocal, Tachometer::kPeriod,
                                            Tachometer::kGate, Tachometer::kAnalogue,
                                            Tachometer::kDisplay};
/// "reciprocal", "period", "gate", "analogue", "display".
const char* tachometer_name(Tachometer tachometer);
std::optional<Tachometer> tachometer_from_name(const std::string& name);

/// Where a run's rows came from.
enum class RunSource {
  kRig,   ///< samples: raw counts and edges, as the rig sent them
  kFile,  ///< imported readings, in physical units
};
/// "rig", "csv".
const char* run_source_name(RunSource source);
std::optional<RunSource> run_source_from_name(const std::string& name);

enum class RunState {
  kOpen,  ///< being recorded now (or its recorder died: the next opening for writing closes it)
  kComplete,
  kInterrupted,  ///< ended by a fault or a kill; usable as far as it goes
};
const char* run_state_name(RunState state);

/// One recording with what was mounted and under which conditions. Ids are rows; 0 = none.
struct Run {
  std::int64_t id = 0;
  std::string uuid;
  RunKind kind = RunKind::kBrake;
  RunState state = RunState::kOpen;
  RunSource source = RunSource::kRig;
  /// Imported rows are steady points in the order taken, without times: see ImportedReading.
  bool steady = false;
  std::string started_utc;  ///< ISO 8601 "2026-11-25T18:03:11Z"
  std::string note;
  std::int64_t rig = 0, motor = 0, machine = 0, belt = 0, motor_pulley = 0, hand_pulley = 0;
  std::int64_t slip_check = 0;               ///< run of the slip check that this run leans on
  std::optional<double> inertia_kgm2;        ///< see the contract of `import`
  std::optional<double> inertia_sd_kgm2;     ///< its standard uncertainty, when known
  std::optional<double> added_inertia_kgm2;  ///< known inertia added for this run
  std::optional<double> supply_v;            ///< nominal or measured supply, when no channel has it
  std::optional<Tachometer> tachometer;      ///< of an imported run, where the owner states it
  std::optional<double> tachometer_pulses;   ///< its pulses per turn, likewise
  std::string session;  ///< label of the evening that it belongs to; empty: by date and rig
  std::string aside;    ///< why fits and report leave it out; empty: they use it
  // What the rig said of itself when the run started (source kRig); part descriptions may change
  // later, a run's own may not.
  std::optional<double> tick_hz;  ///< ticks per second of the rig's clock
  std::optional<double> motor_pulses_per_turn, handwheel_pulses_per_turn;
  std::optional<double> converter_hz;  ///< load-cell conversions per second
  std::optional<double> cell_delay_s;  ///< stated delay of the load-cell value, when stated
  std::optional<double> supply_v_per_count, temperature_c_per_count, temperature_c_offset;
  std::string firmware;                   ///< build text of the identity message
  std::int64_t host_clock_span_ns = 0;    ///< host time between first and last sample …
  std::int64_t rig_clock_span_ticks = 0;  ///< … over this many rig ticks: clock comparison
  std::string program_version;
  std::int64_t sample_count = 0;
  std::string content_hash;  ///< over the samples or readings, set when it ends
};

/// What the rig sent at one load-cell conversion; counters unwrapped, nothing else changed.
/// A channel that the rig does not have is absent in every sample of the run.
struct Sample {
  std::int64_t tick = 0;                      ///< of the conversion, in rig ticks from run start;
                                              ///< two samples of a run never share a tick
  std::optional<std::int32_t> torque_counts;  ///< load-cell converter, raw
  std::optional<std::int64_t> motor_edges;    ///< edges counted since run start
  /// Tick of the last edge that was known when the sample was made; it may lie a little after
  /// `tick`. Absent before the first edge of the run.
  std::optional<std::int64_t> motor_edge_tick;
  std::optional<std::int64_t> handwheel_edges;
  std::optional<std::int64_t> handwheel_edge_tick;
  std::optional<std::int32_t> supply_counts;
  std::optional<std::int32_t> temperature_counts;
};

/// One row of an imported run, in physical units; NaN where the file had no such column or cell.
/// In a steady run `time_s` is the row's number, 1, 2, 3 …: an order and no time. Only such runs
/// have the standard uncertainties of the reading beside them.
struct ImportedReading {
  static constexpr double kNone = std::numeric_limits<double>::quiet_NaN();
  double time_s = kNone;
  double motor_rpm = kNone;
  double handwheel_rpm = kNone;
  double torque_nm = kNone;
  double supply_v = kNone;
  double temperature_c = kNone;
  double motor_rpm_sd = kNone, handwheel_rpm_sd = kNone, torque_nm_sd = kNone, supply_v_sd = kNone;
};

/// The rows of an imported run, channel by channel: NaN where the file had no such cell, a channel
/// without any value empty.
struct ReadingColumns {
  std::vector<double> time_s, motor_rpm, handwheel_rpm, torque_nm, supply_v, temperature_c;
  std::vector<double> motor_rpm_sd, handwheel_rpm_sd, torque_nm_sd, supply_v_sd;  ///< steady runs
};

/// Something said of an ended run that was put right later.
struct RunChange {
  std::int64_t run = 0;
  std::string field;          ///< "kind", "aside", "motor", "supply-v" …, as `set run` names it
  std::string before, after;  ///< as a person reads them; empty: nothing was said
  std::string made_utc;
  std::string made_by;  ///< who was logged in, where the system tells
};

enum class EventKind {
  kGap,      ///< samples are missing
  kReset,    ///< the rig's clock began anew
  kOverrun,  ///< the rig counted what it could not send or time
  kBrownOut,
  kHangUp,       ///< the port was unplugged …
  kResumed,      ///< … and is back
  kInterrupted,  ///< the recorder died; closed by the next opening
  kMarker,       ///< anything else, told by the event's sentence
};
inline constexpr std::array kEventKinds = {
    EventKind::kGap,    EventKind::kReset,   EventKind::kOverrun,     EventKind::kBrownOut,
    EventKind::kHangUp, EventKind::kResumed, EventKind::kInterrupted, EventKind::kMarker};
/// "gap", "reset", "overrun", "brown-out", "hang-up", "resumed", "interrupted", "marker".
const char* event_kind_name(EventKind kind);
std::optional<EventKind> event_kind_from_name(const std::string& name);

/// Something that happened during a run.
struct RunEvent {
  std::int64_t run = 0;
  std::int64_t tick = 0;  ///< where in the run, in rig ticks
  EventKind kind = EventKind::kMarker;
  double length_s = 0;  ///< of a gap, else 0
  std::string detail;   ///< a sentence for people
};

/// When a zero was taken: before or after the run that it belongs to, or on its own.
enum class ZeroMoment { kBefore, kAfter, kAlone };
/// "before", "after", "alone".
const char* zero_moment_name(ZeroMoment moment);
std::optional<ZeroMoment> zero_moment_from_name(const std::string& name);

/// Load cell at rest: the mean count while nothing turns.
struct Zero {
  std::int64_t id = 0;
  std::int64_t rig = 0;
  std::int64_t run = 0;  ///< run that it belongs to, 0 for one taken on its own
  ZeroMoment when = ZeroMoment::kAlone;
  std::int64_t tick = 0;  ///< in ticks of the run (negative before its start)
  double mean_counts = 0;
  double sd_counts = 0;  ///< standard deviation of single conversions
  std::int64_t conversions = 0;
  std::string made_utc;
};

/// Torque = force(counts − zero) × arm. force(c) = slope·c + curvature·c² in newtons.
/// What remains after fitting (hysteresis, repeatability) is in `residual_sd_n`.
struct Calibration {
  std::int64_t id = 0;
  std::string uuid;
  std::int64_t rig = 0;
  double slope_n_per_count = 0;
  double slope_sd = 0;
  double curvature_n_per_count2 = 0;  ///< 0 for a straight line
  double curvature_sd = 0;
  double slope_curvature_correlation = 0;
  double zero_counts = 0;
  double arm_m = 0;
  double arm_sd_m = 0;
  double residual_sd_n = 0;
  double degrees_of_freedom = 0;
  double local_g = 9.80665;
  std::string points_json;  ///< masses, counts, residuals: what a plot of it needs
  std::string reason;       ///< why a straight line or a quadratic
  std::string made_utc;
};

/// Variances and covariances of `size` quantities. Plain numbers: dense matrices are expensive to
/// include, and nothing is computed with one before fit/ turns it into such a matrix.
struct Covariance {
  std::size_t size = 0;
  std::vector<double> rows;  ///< size × size numbers, row after row

  Covariance() = default;
  /// All zero.
  explicit Covariance(std::size_t quantities)
      : size(quantities), rows(quantities * quantities, 0.0) {}
  double& operator()(std::size_t i, std::size_t j) { return rows[i * size + j]; }
  double operator()(std::size_t i, std::size_t j) const { return rows[i * size + j]; }
  bool operator==(const Covariance&) const = default;
};

/// A fitted curve as stored: torque (N·m) over speed (rad/s), see fit/curves/curve.h for its use.
struct StoredCurve {
  std::int64_t id = 0;
  std::string uuid;
  bool of_machine = false;   ///< drag of a machine, else torque of a motor
  std::int64_t subject = 0;  ///< row of the motor or machine
  std::string model;         ///< "series", "permanent-magnet", "induction", "smooth", "drag", …
  std::vector<std::string> parameter_names;
  std::vector<double> parameters;        ///< SI units
  Covariance covariance;                 ///< of the parameters, calibration and inertia included
  double degrees_of_freedom = 0;         ///< effective, for Student's t
  double speed_low = 0, speed_high = 0;  ///< measured range, rad/s
  std::optional<double> supply_v;        ///< that the curve stands for
  double residual_rms = 0;               ///< N·m
  std::vector<std::int64_t> runs;        ///< source runs
  std::string details_json;              ///< estimates, budget, warnings, models tried
  std::string program_version;
  std::string made_utc;
};

}  // namespace loadline
