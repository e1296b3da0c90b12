#include "tests/study/session.h"

#include <fmt/format.h>
#include <algorithm>
#include <cmath>
#include <string_view>

#include "firmware-protocol/simrig/dice.h"
#include "firmware-protocol/simrig/motor.h"

namespace loadline::study {
namespace {

using simrig::Dice;
using simrig::Play;
using simrig::Recording;
using simrig::Scenario;

// Streams of chance beside those of the bench itself.
constexpr std::uint32_t kDrawStream = 9001, kCalibrationStream = 9002, kInertiaStream = 9003,
                        kFlywheelStream = 9004;

// What is known of the instruments: relative standard uncertainties.
constexpr double kSlopeSd = 1e-3, kArmSd = 2e-3, kInertiaSd = 0.02, kFlywheelSd = 5e-3;
constexpr double kResidualSdN = 0.005;
constexpr double kAddedKgm2 = 1.2e-3;

/// `typical` times a factor with the relative spread given, never beyond ±2.5 of them.
double around(Dice& dice, double typical, double spread) {
  return typical * (1 + spread * std::clamp(dice.normal(), -2.5, 2.5));
}

double between(Dice& dice, double low, double high) { return low + (high - low) * dice.uniform(); }

std::string motor_text(Dice& dice) {
  return fmt::format(
      "[motor]\nk_vs_per_a = {}\nresistance_ohm = {}\nfield_h = {}\nsaturation_a = {}\n"
      "friction_c0_nm = {}\nfriction_c2_nms2 = {}\ninertia_kgm2 = {}\nstart_c = {}\n",
      around(dice, 0.32, 0.1), around(dice, 95, 0.1), around(dice, 0.3, 0.1),
      around(dice, 1.5, 0.15), around(dice, 0.004, 0.3), around(dice, 8e-9, 0.3),
      around(dice, 3e-5, 0.1), between(dice, 21, 40));
}

std::string machine_text(Dice& dice) {
  return fmt::format(
      "[machine]\nc0_nm = {}\nc1_nms = {}\nc2_nms2 = {}\nripple1_nm = {}\nripple2_nm = {}\n"
      "inertia_kgm2 = {}\nstart_rpm = {}\n",
      around(dice, 0.045, 0.2), around(dice, 6e-4, 0.2), around(dice, 4e-6, 0.3),
      between(dice, 0.001, 0.008), between(dice, 0.001, 0.008), around(dice, 1.6e-3, 0.1),
      between(dice, 800, 1000));
}

/// Drift, lag, noise that is correlated in time, uneven discs, wandering mains: all on.
std::string instruments_text(Dice& dice) {
  return fmt::format(
      "[supply]\nwander_percent = {}\nwander_s = 60\n[brake]\nsweep_s = {}\nchatter = {}\n"
      "chatter_s = {}\n[cell]\ndrift_counts_per_min = {}\nwalk_counts = {}\n"
      "drift_counts_per_k = {}\nnoise_counts = {}\nslow_noise_counts = {}\nslow_noise_s = {}\n"
      "lag_s = {}\nzero_counts = {}\n[motor_tach]\npulses = 6\nuneven = {}\njitter_us = 2\n"
      "[handwheel_tach]\npulses = 12\nuneven = {}\njitter_us = 2\n[rig]\nclock_ppm = {}\n",
      between(dice, 0.2, 0.8), between(dice, 16, 30), between(dice, 0.01, 0.03),
      between(dice, 0.02, 0.1), around(dice, 0, 1) + 1500 * dice.normal(), between(dice, 100, 400),
      30 * dice.normal(), between(dice, 200, 2000), between(dice, 500, 2500),
      between(dice, 0.1, 0.4), between(dice, 0, 0.02), between(dice, 5e4, 1e5),
      between(dice, 0.002, 0.012), between(dice, 0.002, 0.012), 30 * dice.normal());
}

Play play_of(Kind kind) {
  switch (kind) {
    case Kind::kBrake:
    case Kind::kDriven:
      return Play::kBrake;
    case Kind::kCoastPair:
      return Play::kCoastDown;
    case Kind::kSpinUp:
      return Play::kSpinUp;
  }
  return Play::kBrake;
}

/// Counters and ticks of the wire made whole, from the first sample on.
class Unwrapped {
 public:
  std::int64_t operator()(std::uint32_t value) {
    if (known_)
      total_ += static_cast<std::int32_t>(value - last_);
    else
      known_ = true;
    last_ = value;
    return total_;
  }

 private:
  bool known_ = false;
  std::uint32_t last_ = 0;
  std::int64_t total_ = 0;
};

std::vector<Sample> samples_of(const Recording& recording) {
  std::vector<Sample> samples;
  Unwrapped ticks, motor, handwheel;
  for (const WireSample& wire : recording.samples) {
    Sample sample;
    sample.tick = ticks(wire.tick);
    // An edge lies less than half the tick's range before its sample.
    const auto edge_tick = [&](std::uint32_t tick) {
      return sample.tick + static_cast<std::int32_t>(tick - wire.tick);
    };
    if (wire.channels & kWireLoadCell) sample.torque_counts = wire.torque_counts;
    if (wire.channels & kWireMotorTach) {
      sample.motor_edges = motor(wire.motor_edges);
      if (*sample.motor_edges > 0) sample.motor_edge_tick = edge_tick(wire.motor_edge_tick);
    }
    if (wire.channels & kWireHandwheelTach) {
      sample.handwheel_edges = handwheel(wire.handwheel_edges);
      if (*sample.handwheel_edges > 0)
        sample.handwheel_edge_tick = edge_tick(wire.handwheel_edge_tick);
    }
    if (wire.channels & kWireSupply) sample.supply_counts = wire.supply_counts;
    if (wire.channels & kWireTemperature) sample.temperature_counts = wire.temperature_counts;
    samples.push_back(sample);
  }
  return samples;
}

struct Stretch {
  std::size_t first, last;
};

std::optional<Zero> zero_of(const std::vector<Sample>& samples, Stretch stretch, const Run& run,
                            ZeroMoment when) {
  if (stretch.last < stretch.first + 8) return std::nullopt;
  Zero zero;
  zero.rig = run.rig;
  zero.run = run.id;
  zero.when = when;
  double sum = 0, squares = 0;
  for (std::size_t i = stretch.first; i < stretch.last; ++i) {
    if (!samples[i].torque_counts) return std::nullopt;
    sum += *samples[i].torque_counts;
  }
  zero.conversions = static_cast<std::int64_t>(stretch.last - stretch.first);
  zero.mean_counts = sum / static_cast<double>(zero.conversions);
  for (std::size_t i = stretch.first; i < stretch.last; ++i) {
    const double away = *samples[i].torque_counts - zero.mean_counts;
    squares += away * away;
  }
  zero.sd_counts = std::sqrt(squares / static_cast<double>(zero.conversions - 1));
  zero.tick = samples[(stretch.first + stretch.last) / 2].tick;
  return zero;
}

/// At rest before the switch: the filter has settled, nothing pulls yet.
Stretch rest_before(const Recording& recording) {
  std::size_t last = 0;
  while (last < recording.truth.size() && recording.truth[last].action_s < -0.1) ++last;
  return {std::min<std::size_t>(8, last), last};
}

/// At rest at the very end: what the person sees standing still.
Stretch rest_after(const Recording& recording) {
  std::size_t first = recording.truth.size();
  while (first > 0 && recording.truth[first - 1].motor_speed == 0 &&
         recording.truth[first - 1].handwheel_speed == 0)
    --first;
  return {std::min(first + 24, recording.truth.size()), recording.truth.size()};
}

}  // namespace

const char* kind_name(Kind kind) {
  switch (kind) {
    case Kind::kBrake:
      return "brake";
    case Kind::kCoastPair:
      return "coast-down pair";
    case Kind::kSpinUp:
      return "spin-up";
    case Kind::kDriven:
      return "driven";
  }
  return "";
}

Session::Session(Kind kind, std::uint64_t seed, const std::vector<std::string>& overrides)
    : overrides_(overrides) {
  const Scenario scenario = draw(kind, seed);
  make_book(scenario);
  make_calibration(scenario, seed);
  play_all(kind, seed);
}

Part Session::motor() const { return book().part(PartKind::kMotor, motor_); }
Part Session::machine() const { return book().part(PartKind::kMachine, machine_); }

Scenario Session::draw(Kind kind, std::uint64_t seed) {
  Dice dice(seed, kDrawStream);
  std::string text =
      fmt::format("[run]\nkind = {}\nlead_s = 3\ntail_s = 8\n", simrig::play_name(play_of(kind)));
  text += motor_text(dice) + machine_text(dice) + instruments_text(dice);
  Scenario scenario = simrig::parse_scenario(text, overrides_, "study");
  const double stall = simrig::mean_torque(scenario.motor, scenario.supply, scenario.supply.volts,
                                           scenario.motor.start_c, 0);
  scenario.brake.max_nm = 0.92 * (stall - scenario.motor.friction_c0_nm);
  // From one that the motor brings to its top speed within the run to one that it does not.
  Dice flywheel(seed, kFlywheelStream);
  scenario.flywheel.inertia_kgm2 = 3e-4 * std::pow(4, flywheel.uniform());
  return scenario;
}

void Session::make_book(const Scenario& scenario) {
  Part rig;
  rig.kind = PartKind::kRig;
  rig.name = "study bench";
  rig.fields["cell"] = std::string("brake");
  rig_ = book().add(rig);
  Part motor;
  motor.kind = PartKind::kMotor;
  motor.name = "motor";
  motor.fields["rated-v"] = scenario.supply.volts;
  motor_ = book().add(motor);
  Part machine;
  machine.kind = PartKind::kMachine;
  machine.name = "machine";
  machine_ = book().add(machine);
}

/// What a calibration would have found: the truth with an error of the size that it states.
void Session::make_calibration(const Scenario& scenario, std::uint64_t seed) {
  Dice dice(seed, kCalibrationStream);
  Calibration calibration;
  calibration.rig = rig_;
  calibration.slope_n_per_count = (1 + kSlopeSd * dice.normal()) / scenario.cell.counts_per_n;
  calibration.slope_sd = kSlopeSd * calibration.slope_n_per_count;
  calibration.arm_m = scenario.cell.arm_mm * 1e-3 * (1 + kArmSd * dice.normal());
  calibration.arm_sd_m = kArmSd * calibration.arm_m;
  calibration.zero_counts = scenario.cell.zero_counts;
  calibration.residual_sd_n = kResidualSdN;
  calibration.degrees_of_freedom = 20;
  book().add_calibration(calibration);
}

void Session::play(const Scenario& scenario, std::uint64_t seed, Run run) {
  PlayedRun played{0, scenario, simrig::record(scenario, seed)};
  const WireIdentity& identity = played.recording.identity;
  run.source = RunSource::kRig;
  run.rig = rig_;
  run.tick_hz = identity.tick_hz;
  if (identity.motor_pulses_per_turn > 0)
    run.motor_pulses_per_turn = identity.motor_pulses_per_turn;
  if (identity.handwheel_pulses_per_turn > 0)
    run.handwheel_pulses_per_turn = identity.handwheel_pulses_per_turn;
  run.converter_hz = identity.converter_millihertz * 1e-3;
  if (identity.cell_delay_us != kWireDelayUnstated)
    run.cell_delay_s = identity.cell_delay_us * 1e-6;
  run.supply_v_per_count = identity.supply_v_per_count;
  run.temperature_c_per_count = identity.temperature_c_per_count;
  run.temperature_c_offset = identity.temperature_c_offset;
  const std::vector<Sample> samples = samples_of(played.recording);
  Book::Transaction transaction(book());
  run.id = played.run = book().begin_run(run);
  book().append(run.id, samples);
  for (const auto& zero :
       {zero_of(samples, rest_before(played.recording), run, ZeroMoment::kBefore),
        zero_of(samples, rest_after(played.recording), run, ZeroMoment::kAfter)})
    if (zero) book().add_zero(*zero);
  book().end_run(run.id, RunState::kComplete);
  transaction.commit();
  runs_.push_back(std::move(played));
}

void Session::play_all(Kind kind, std::uint64_t seed) {
  Scenario scenario = draw(kind, seed);
  Dice dice(seed, kInertiaStream);
  const double error = dice.normal();
  Run run;
  run.motor = motor_;
  const auto known = [&run](double truth, double relative_sd, double draw) {
    run.inertia_kgm2 = truth * (1 + relative_sd * draw);
    run.inertia_sd_kgm2 = relative_sd * truth;
  };
  if (kind == Kind::kBrake || kind == Kind::kDriven) {
    run.kind = RunKind::kBrake;
    run.supply_v = scenario.supply.volts;
    known(scenario.motor.inertia_kgm2 + scenario.brake.drum_kgm2, kInertiaSd, error);
    play(scenario, seed, run);
  }
  if (kind == Kind::kSpinUp) {
    run.kind = RunKind::kSpinUp;
    run.supply_v = scenario.supply.volts;
    known(scenario.motor.inertia_kgm2 + scenario.flywheel.inertia_kgm2, kFlywheelSd, error);
    play(scenario, seed, run);
  }
  if (kind == Kind::kDriven) {
    run = {};
    run.kind = RunKind::kDriven;
    run.motor = motor_;
    run.machine = machine_;
    scenario.run.play = Play::kDriven;
    scenario.supply.levels_v = {90, 120, 150, 180, 210, 230};
    play(scenario, seed + 1000003, run);
  }
  if (kind == Kind::kCoastPair) {
    run = {};
    run.kind = RunKind::kCoastDown;
    run.machine = machine_;
    play(scenario, seed, run);
    run.added_inertia_kgm2 = kAddedKgm2;
    scenario.machine.added_kgm2 = kAddedKgm2;
    play(scenario, seed + 1000003, run);
  }
}

}  // namespace loadline::study
