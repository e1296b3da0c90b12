#include "firmware-protocol/simrig/scenario.h"

#include <fmt/format.h>

#include <algorithm>
#include <boost/program_options.hpp>
#include <cmath>
#include <fstream>
#include <sstream>

#include "db/basis/option_error.h"

namespace loadline::simrig {
namespace {

namespace po = boost::program_options;

constexpr Play kPlays[] = {Play::kRest,      Play::kNoLoad, Play::kBrake,     Play::kSpinUp,
                           Play::kCoastDown, Play::kDriven, Play::kSlipCheck, Play::kTopSpeed};
constexpr MotorKind kMotorKinds[] = {MotorKind::kSeries, MotorKind::kPermanentMagnet,
                                     MotorKind::kInduction};

/// Words of the file that become choices of the scenario.
struct Words {
  std::string play = "brake", motor = "series", law = "friction", programme = "sweep", levels;
};

/// One key: bound to its field, with the field's own value as default.
class Keys {
 public:
  explicit Keys(po::options_description& options) : options_(options) {}
  void section(const std::string& name) { section_ = name + "."; }
  template <typename T>
  Keys& operator()(const std::string& key, T& field, const char* meaning) {
    options_.add_options()((section_ + key).c_str(), po::value<T>(&field)->default_value(field),
                           meaning);
    return *this;
  }

 private:
  po::options_description& options_;
  std::string section_;
};

void describe_run(Keys& key, Scenario& s, Words& w) {
  key.section("run");
  key("kind", w.play, "rest, no-load, brake, spin-up, coast-down, driven, slip-check or top-speed");
  key("seed", s.run.seed, "of all chance; --seed wins");
  key("lead_s", s.run.lead_s, "at rest between start and switch");
  key("action_s", s.run.action_s, "switched on or coasting; 0 = what the kind needs");
  key("on_s", s.run.on_s, "voltage on for so long; 0 = the action (5 for a coast-down)");
  key("tail_s", s.run.tail_s, "coming to rest before the run ends");
  key("step_us", s.run.step_us, "integration step; 0 = 1/200 mains period, 100 on d.c.");
}

void describe_supply(Keys& key, Scenario& s, Words& w) {
  key.section("supply");
  key("volts", s.supply.volts, "rms on a.c.");
  key("hz", s.supply.hz, "0 = direct current");
  key("wander_percent", s.supply.wander_percent, "standard deviation of the mains' slow movement");
  key("wander_s", s.supply.wander_s, "its correlation time");
  key("source_ohm", s.supply.source_ohm, "resistance of mains and leads");
  key("series_ohm", s.supply.series_ohm, "resistor in series with the motor");
  key("levels_v", w.levels, "driven: settings in order, as 90,120,150");
  key("level_s", s.supply.level_s, "time at each setting");
  key("channel", s.supply.channel, "the rig measures the motor's terminal voltage");
  key("volts_per_count", s.supply.volts_per_count, "scale of that channel");
  key("noise_counts", s.supply.noise_counts, "its noise, standard deviation");
}

void describe_motor(Keys& key, Scenario& s, Words& w) {
  MotorSpec& m = s.motor;
  key.section("motor");
  key("kind", w.motor, "series, permanent-magnet or induction");
  key("inertia_kgm2", m.inertia_kgm2, "of the rotor");
  key("friction_c0_nm", m.friction_c0_nm, "own friction, constant part");
  key("friction_c1_nms", m.friction_c1_nms, "per rad/s");
  key("friction_c2_nms2", m.friction_c2_nms2, "per (rad/s)^2, the fan");
  key("resistance_ohm", m.resistance_ohm, "windings in series at 20 C");
  key("field_h", m.field_h, "series: inductance of the field before the iron bends");
  key("leakage_h", m.leakage_h, "inductance that does not saturate");
  key("k_vs_per_a", m.k_vs_per_a, "series: E = k I w on the linear part");
  key("saturation_a", m.saturation_a, "series: current where the iron bends; 0 = never");
  key("brush_v", m.brush_v, "drop of both brushes");
  key("ke_vs", m.ke_vs, "permanent-magnet: E = ke w");
  key("magnet_per_k", m.magnet_per_k, "permanent-magnet: relative change of ke per kelvin");
  key("poles", m.poles, "induction");
  key("phases", m.phases, "induction");
  key("r1_ohm", m.r1_ohm, "induction: stator resistance at 20 C");
  key("x1_ohm", m.x1_ohm, "induction: stator leakage");
  key("r2_ohm", m.r2_ohm, "induction: rotor resistance, referred, at 20 C");
  key("x2_ohm", m.x2_ohm, "induction: rotor leakage, referred");
  key("xm_ohm", m.xm_ohm, "induction: magnetising reactance");
  key("electrical_lag_s", m.electrical_lag_s, "induction: lag of torque behind speed");
  key("ambient_c", m.ambient_c, "air");
  key("start_c", m.start_c, "winding and case when the run begins");
  key("winding_j_per_k", m.winding_j_per_k, "thermal mass of the copper");
  key("winding_k_per_w", m.winding_k_per_w, "winding to case");
  key("case_j_per_k", m.case_j_per_k, "thermal mass of iron and case");
  key("case_k_per_w", m.case_k_per_w, "case to air");
  key("copper_per_k", m.copper_per_k, "relative growth of resistance from 20 C");
  key("temperature_channel", m.temperature_channel, "a sensor on the case, 0.0625 C a count");
}

void describe_loads(Keys& key, Scenario& s, Words& w) {
  key.section("brake");
  key("law", w.law, "friction (torque) or eddy (torque per speed)");
  key("programme", w.programme, "sweep (up and down) or steps");
  key("max_nm", s.brake.max_nm, "friction: highest torque");
  key("max_nms", s.brake.max_nms, "eddy: highest torque per rad/s");
  key("settle_s", s.brake.settle_s, "free running before the brake comes on");
  key("sweep_s", s.brake.sweep_s, "up and down together");
  key("step_count", s.brake.step_count, "steps to the highest");
  key("step_s", s.brake.step_s, "time at each");
  key("chatter", s.brake.chatter, "relative standard deviation of the brake's torque");
  key("chatter_s", s.brake.chatter_s, "its correlation time");
  key("drum_kgm2", s.brake.drum_kgm2, "inertia of the drum");
  key.section("flywheel");
  key("inertia_kgm2", s.flywheel.inertia_kgm2, "spin-up: known inertia on the shaft");
  key.section("machine");
  key("inertia_kgm2", s.machine.inertia_kgm2, "at the hand wheel");
  key("added_kgm2", s.machine.added_kgm2, "known inertia added for this run");
  key("c0_nm", s.machine.c0_nm, "drag, constant part");
  key("c1_nms", s.machine.c1_nms, "per rad/s");
  key("c2_nms2", s.machine.c2_nms2, "per (rad/s)^2");
  key("stribeck_nm", s.machine.stribeck_nm, "extra at standstill");
  key("stribeck_rad", s.machine.stribeck_rad, "speed where it has gone, rad/s");
  key("ripple1_nm", s.machine.ripple1_nm, "once a turn");
  key("ripple2_nm", s.machine.ripple2_nm, "twice a turn");
  key("seam_j", s.machine.seam_j, "work that a thick seam takes each turn");
  key("seam_from_deg", s.machine.seam_from_deg, "angle of the hand wheel where the seam begins");
  key("seam_over_deg", s.machine.seam_over_deg, "over so much of the turn");
  key("seam_at_s", s.machine.seam_at_s, "seconds after the switch when the seam comes");
  key("seam_s", s.machine.seam_s, "and is so long, s");
  key("start_rpm", s.machine.start_rpm, "coast-down: speed at release");
  key("hold_s", s.machine.hold_s, "coast-down: kept at that speed before release");
  key("subject", s.machine.subject, "coast-down of machine, motor or both");
}

void describe_belt(Keys& key, Scenario& s) {
  key.section("belt");
  key("ratio", s.belt.ratio, "motor speed over hand-wheel speed without slip");
  key("motor_pulley_mm", s.belt.motor_pulley_mm, "effective diameter; with the next, gives ratio");
  key("hand_pulley_mm", s.belt.hand_pulley_mm, "effective diameter");
  key("length_mm", s.belt.length_mm, "of the belt");
  key("capacity_nm", s.belt.capacity_nm, "torque at the motor where the belt slips altogether");
  key("creep", s.belt.creep, "slip at 0.71 of that torque");
  key("loss_nm", s.belt.loss_nm, "torque lost, at the motor");
  key("loss_nms", s.belt.loss_nms, "the same per rad/s");
  key("seam_nm", s.belt.seam_nm, "ripple at each passage of the seam");
}

void describe_cell(Keys& key, Scenario& s) {
  CellSpec& c = s.cell;
  key.section("cell");
  key("present", c.present, "the rig has a load cell");
  key("position", c.position, "brake or motor (cradle)");
  key("arm_mm", c.arm_mm, "length of the arm");
  key("counts_per_n", c.counts_per_n, "true slope");
  key("curvature_per_n", c.curvature_per_n, "counts = slope F (1 + curvature F)");
  key("hysteresis", c.hysteresis, "rest: relative, when direction = down");
  key("mass_g", c.mass_g, "rest: hung on the arm");
  key("direction", c.direction, "rest: up or down, how the mass was reached");
  key("local_g", c.local_g, "m/s^2");
  key("zero_counts", c.zero_counts, "unloaded, at the start");
  key("drift_counts_per_min", c.drift_counts_per_min, "of the zero");
  key("drift_counts_per_k", c.drift_counts_per_k, "of the zero, with the case's warming");
  key("walk_counts", c.walk_counts, "random walk of the zero, per square root of a minute");
  key("noise_counts", c.noise_counts, "white, per conversion");
  key("slow_noise_counts", c.slow_noise_counts, "correlated in time");
  key("slow_noise_s", c.slow_noise_s, "correlation time of that");
  key("lag_s", c.lag_s, "arm and cell, first order");
  key("creep", c.creep, "relative growth under load");
  key("creep_s", c.creep_s, "its time constant");
  key("converter_hz", c.converter_hz, "nominal conversions a second");
  key("rate_error", c.rate_error, "relative error of that");
  key("state_delay", c.state_delay, "the identity states the filter's delay");
}

void describe_rig(Keys& key, Scenario& s) {
  for (auto* tach : {&s.motor_tach, &s.handwheel_tach}) {
    key.section(tach == &s.motor_tach ? "motor_tach" : "handwheel_tach");
    key("present", tach->present, "the rig has it");
    key("pulses", tach->pulses, "a turn");
    key("uneven", tach->uneven, "standard deviation of a slot's place, in slots");
    key("jitter_us", tach->jitter_us, "of an edge's time");
  }
  key.section("rig");
  key("board_number", s.rig.board_number, "tells rigs apart");
  key("firmware", s.rig.firmware, "build text");
  key("tick_hz", s.rig.tick_hz, "ticks a second");
  key("clock_ppm", s.rig.clock_ppm, "the rig's clock runs fast by this");
  key("first_tick", s.rig.first_tick, "tick counter at power-on");
  key("first_edges", s.rig.first_edges, "edge counters at power-on");
  key("state_arm", s.rig.state_arm, "the identity states the arm");
}

void describe_sound(Keys& key, Scenario& s) {
  SoundSpec& x = s.sound;
  key.section("sound");
  key("rate_hz", x.rate_hz, "samples a second of --wav");
  key("clock_ppm", x.clock_ppm, "the sound input's clock runs fast by this");
  key("tach", x.tach, "motor, handwheel or auto: the one that the run is about");
  key("pulse_level", x.pulse_level, "of the tachometer's pulses");
  key("mark", x.mark, "width of a mark, in pulses");
  key("spot", x.spot, "width of the spot of light, in pulses");
  key("unlike", x.unlike, "half the spread of the marks' widths and heights");
  key("rise_us", x.rise_us, "time constant of the photo transistor");
  key("fall_us", x.fall_us, "the same when it gets dark");
  key("lost", x.lost, "probability that a mark is not seen");
  key("bounce", x.bounce, "probability that it is seen again …");
  key("bounce_s", x.bounce_s, "… so much later");
  key("shaft_level", x.shaft_level, "of the machine's own sound");
  key("blades", x.blades, "every so manyth harmonic of the turn is strong");
  key("low_pass_hz", x.low_pass_hz, "corner of the roll-off");
  key("high_pass_hz", x.high_pass_hz, "corner of the high-pass");
  key("second_high_pass_hz", x.second_high_pass_hz, "of another behind it");
  key("snr_db", x.snr_db, "signal over noise while it turns fast, by power");
  key("pink", x.pink, "share of the noise that is 1/f");
  key("hum", x.hum, "of the mains, over the signal's rms");
  key("hum_hz", x.hum_hz, "frequency of the mains");
  key("gain_control", x.gain_control, "0 none … 1 all made equally loud");
  key("drift", x.drift, "slow movement of the level");
  key("gain", x.gain, "from 1.4 on it clips");
}

void describe_faults(Keys& key, Scenario& s) {
  FaultSpec& f = s.faults;
  key.section("faults");
  key("lose_byte", f.lose_byte, "probability per byte");
  key("flip_bit", f.flip_bit, "probability per byte that a bit flips");
  key("repeat_frame", f.repeat_frame, "probability per frame");
  key("garbage_every_s", f.garbage_every_s, "mean time between bursts; 0 = none");
  key("garbage_bytes", f.garbage_bytes, "mean length of a burst");
  key("reset_at_s", f.reset_at_s, "the board resets; times from the start, negative = never");
  key("stall_at_s", f.stall_at_s, "the line carries nothing …");
  key("stall_for_s", f.stall_for_s, "… for so long");
  key("stuck_at_s", f.stuck_at_s, "the converter goes silent …");
  key("stuck_for_s", f.stuck_for_s, "… for so long");
  key("motor_tach_lost_at_s", f.motor_tach_lost_at_s, "no more edges from then on");
  key("handwheel_tach_lost_at_s", f.handwheel_tach_lost_at_s, "the same");
  key("hang_up_at_s", f.hang_up_at_s, "the pseudo-terminal disappears …");
  key("hang_up_for_s", f.hang_up_for_s, "… and comes back (needs --link)");
}

void describe(po::options_description& options, Scenario& s, Words& w) {
  Keys key(options);
  describe_run(key, s, w);
  describe_supply(key, s, w);
  describe_motor(key, s, w);
  describe_loads(key, s, w);
  describe_belt(key, s);
  describe_cell(key, s);
  describe_rig(key, s);
  describe_sound(key, s);
  describe_faults(key, s);
}

template <typename Choice, std::size_t kCount>
Choice choose(const Choice (&all)[kCount], const char* (*name)(Choice), const std::string& word,
              const std::string& where) {
  std::string known;
  for (const Choice choice : all) {
    if (word == name(choice)) return choice;
    if (!known.empty()) known += ", ";
    known += name(choice);
  }
  throw ScenarioError(where + " = " + word + " is not known; write one of: " + known + ".");
}

std::vector<double> numbers(const std::string& list, const std::string& where) {
  std::vector<double> values;
  std::istringstream parts(list);
  for (std::string part; std::getline(parts, part, ',');) {
    std::size_t used = 0;
    double value = 0.0;
    try {
      value = std::stod(part, &used);
    } catch (const std::exception&) {
      used = 0;
    }
    if (used == 0 || part.find_first_not_of(" \t", used) != std::string::npos)
      throw ScenarioError(
          fmt::format("{} holds '{}', which is no number; write 90,120,150.", where, part));
    values.push_back(value);
  }
  return values;
}

void require(bool holds, const std::string& sentence) {
  if (!holds) throw ScenarioError(sentence);
}

void check_word(const std::string& word, std::initializer_list<const char*> known,
                const std::string& where) {
  std::string all;
  for (const char* k : known) {
    if (word == k) return;
    if (!all.empty()) all += ", ";
    all += k;
  }
  throw ScenarioError(where + " = " + word + " is not known; write one of: " + all + ".");
}

void check_numbers(const Scenario& s, const std::string& name) {
  require(s.supply.volts >= 0.0 && s.supply.hz >= 0.0,
          name + ": supply.volts and supply.hz must not be negative.");
  require(s.motor.inertia_kgm2 > 0.0 && s.machine.inertia_kgm2 > 0.0,
          name + ": inertias must be greater than 0.");
  require(s.motor.kind != MotorKind::kInduction || s.supply.hz > 0.0,
          name + ": an induction motor needs supply.hz greater than 0.");
  require(s.motor.leakage_h + s.motor.field_h > 0.0 && s.motor.resistance_ohm > 0.0,
          name + ": the motor's resistance and inductance must be greater than 0.");
  require(s.cell.converter_hz >= 1.0 && s.cell.converter_hz <= 100000.0,
          name + ": cell.converter_hz must lie between 1 and 100000.");
  require(s.cell.arm_mm > 0.0, name + ": cell.arm_mm must be greater than 0.");
  for (const double pulses : {s.motor_tach.pulses, s.handwheel_tach.pulses})
    require(pulses >= 1.0 && pulses <= 65535.0 && pulses == std::floor(pulses),
            name + ": pulses must be a whole number from 1 to 65535.");
  require(s.rig.tick_hz >= 1000.0 && s.rig.tick_hz <= 4.0e9,
          name + ": rig.tick_hz must lie between 1000 and 4e9.");
  const SoundSpec& sound = s.sound;
  require(sound.rate_hz >= 1000.0 && sound.rate_hz <= 384000.0 &&
              sound.rate_hz == std::floor(sound.rate_hz),
          name + ": sound.rate_hz must be a whole number from 1000 to 384000.");
  require(sound.mark > 0.0 && sound.mark < 1.0 && sound.spot >= 0.0 && sound.spot < 1.0,
          name + ": sound.mark and sound.spot are shares of a pulse, below 1.");
  require(sound.pink >= 0.0 && sound.pink <= 1.0 && sound.gain_control >= 0.0 &&
              sound.gain_control <= 1.0 && std::fabs(sound.clock_ppm) < 1e5 &&
              sound.low_pass_hz > 0.0 && std::fabs(sound.blades) < 1000.0,
          name + ": sound.pink and sound.gain_control lie between 0 and 1, its corners above 0.");
  require(s.ratio() > 0.0, name + ": belt.ratio must be greater than 0.");
  require(s.run.lead_s >= 0.0 && s.run.tail_s >= 0.0 && s.action_seconds() > 0.0 &&
              s.total_seconds() < 1e5,
          name + ": the times of the run must be positive and below a day.");
}

void apply_words(Scenario& s, const Words& w) {
  s.run.play = choose(kPlays, play_name, w.play, s.name + ": run.kind");
  s.motor.kind = choose(kMotorKinds, motor_kind_name, w.motor, s.name + ": motor.kind");
  check_word(s.sound.tach, {"auto", "motor", "handwheel"}, s.name + ": sound.tach");
  check_word(w.law, {"friction", "eddy"}, s.name + ": brake.law");
  check_word(w.programme, {"sweep", "steps"}, s.name + ": brake.programme");
  check_word(s.cell.position, {"brake", "motor"}, s.name + ": cell.position");
  check_word(s.cell.direction, {"up", "down"}, s.name + ": cell.direction");
  check_word(s.machine.subject, {"machine", "motor", "both"}, s.name + ": machine.subject");
  s.brake.law = w.law == "eddy" ? BrakeSpec::Law::kEddy : BrakeSpec::Law::kFriction;
  s.brake.programme =
      w.programme == "steps" ? BrakeSpec::Programme::kSteps : BrakeSpec::Programme::kSweep;
  s.supply.levels_v = numbers(w.levels, s.name + ": supply.levels_v");
}

po::variables_map read_overrides(const std::vector<std::string>& overrides,
                                 const po::options_description& options) {
  std::string text;
  for (const std::string& line : overrides) {
    require(line.find('=') != std::string::npos && line.find('\n') == std::string::npos,
            "--set " + line + " has no '='; write --set section.key=value.");
    text += line;
    text += '\n';
  }
  std::istringstream in(text);
  po::variables_map map;
  po::store(po::parse_config_file(in, options), map);
  return map;
}

}  // namespace

const char* play_name(Play play) {
  switch (play) {
    case Play::kRest:
      return "rest";
    case Play::kNoLoad:
      return "no-load";
    case Play::kBrake:
      return "brake";
    case Play::kSpinUp:
      return "spin-up";
    case Play::kCoastDown:
      return "coast-down";
    case Play::kDriven:
      return "driven";
    case Play::kSlipCheck:
      return "slip-check";
    case Play::kTopSpeed:
      return "top-speed";
  }
  return "";
}

const char* motor_kind_name(MotorKind kind) {
  switch (kind) {
    case MotorKind::kSeries:
      return "series";
    case MotorKind::kPermanentMagnet:
      return "permanent-magnet";
    case MotorKind::kInduction:
      return "induction";
  }
  return "";
}

double Scenario::ratio() const {
  if (belt.motor_pulley_mm > 0.0 && belt.hand_pulley_mm > 0.0)
    return belt.hand_pulley_mm / belt.motor_pulley_mm;
  return belt.ratio;
}

double Scenario::action_seconds() const {
  if (run.action_s > 0.0) return run.action_s;
  switch (run.play) {
    case Play::kRest:
      return 3.0;
    case Play::kNoLoad:
      return 12.0;
    case Play::kBrake:
      return brake.settle_s +
             (brake.programme == BrakeSpec::Programme::kSweep
                  ? brake.sweep_s
                  : brake.step_s * std::floor(brake.step_count)) +
             1.0;
    case Play::kSpinUp:
      return 20.0;
    case Play::kCoastDown:
      return 12.0;
    case Play::kDriven:
      return supply.level_s * static_cast<double>(std::max<std::size_t>(1, supply.levels_v.size()));
    case Play::kSlipCheck:
      return 2.0;
    case Play::kTopSpeed:
      return 10.0;
  }
  return 0.0;
}

Scenario parse_scenario(const std::string& text, const std::vector<std::string>& overrides,
                        const std::string& name) {
  Scenario scenario;
  scenario.name = name;
  Words words;
  po::options_description options;
  describe(options, scenario, words);
  try {
    // What is stored first wins: the overrides, then the file, then the defaults.
    po::variables_map map = read_overrides(overrides, options);
    std::istringstream in(text);
    po::store(po::parse_config_file(in, options), map);
    po::notify(map);
    for (const auto& [key, value] : map)
      if (const auto* number = boost::any_cast<double>(&value.value());
          number && !std::isfinite(*number))
        throw ScenarioError(fmt::format("{}: {} must be a finite number.", name, key));
  } catch (po::error& problem) {
    throw ScenarioError(name + ": " + option_error_text(problem, options, "") +
                        " ('loadline-simrig --keys' lists what a scenario can say).");
  }
  apply_words(scenario, words);
  check_numbers(scenario, name);
  return scenario;
}

Scenario read_scenario(const std::string& path, const std::vector<std::string>& overrides) {
  std::ifstream file(path);
  if (!file) throw ScenarioError(path + " cannot be read; give the path of a scenario file (INI).");
  std::ostringstream text;
  text << file.rdbuf();
  return parse_scenario(text.str(), overrides, path);
}

std::string scenario_keys() {
  Scenario scenario;
  Words words;
  po::options_description options("Keys of a scenario file, as section.key", 110, 60);
  describe(options, scenario, words);
  std::ostringstream page;
  page << options;
  return page.str();
}

}  // namespace loadline::simrig
