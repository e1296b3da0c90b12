#include "firmware-protocol/simrig/play.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "db/basis/units.h"
#include "firmware-protocol/simrig/loads.h"
#include "firmware-protocol/simrig/sensors.h"

namespace loadline::simrig {
namespace {

Bytes command(std::uint8_t type, std::uint8_t sequence) {
  Bytes frame(kWireMaxFrame);
  frame.resize(wire_frame_encode(type, sequence, nullptr, 0, frame.data(), frame.size()));
  return frame;
}

void append(Bytes& to, const Bytes& more) { to.insert(to.end(), more.begin(), more.end()); }

/// Speed from the edges between two samples, NaN before it can be known. When none comes the speed
/// is below one slot over the time since the last edge.
class EdgeSpeed {
 public:
  EdgeSpeed(double tick_hz, double pulses) : tick_hz_(tick_hz), pulses_(pulses) {}
  double rpm(std::uint32_t tick, std::uint32_t edges, std::uint32_t edge_tick) {
    if (!known_) {
      known_ = true;
      first_edges_ = edges_ = edges;
      edge_tick_ = edge_tick;
    }
    const std::uint32_t turned = edges - edges_;
    const double slot_rpm = 60.0 / pulses_;
    if (turned == 0) {
      // Before the first edge of the run the tick of "the last edge" means nothing.
      const double since = static_cast<double>(tick - edge_tick_) / tick_hz_;
      rpm_ = edges == first_edges_ ? 0.0 : std::min(rpm_, since > 0.0 ? slot_rpm / since : rpm_);
      if (since > kStopped_s) rpm_ = 0.0;
      return rpm_;
    }
    const double span = static_cast<double>(edge_tick - edge_tick_) / tick_hz_;
    if (edges_ != first_edges_) rpm_ = slot_rpm * turned / span;
    edges_ = edges;
    edge_tick_ = edge_tick;
    return rpm_;
  }

 private:
  static constexpr double kStopped_s = 2.0;
  double tick_hz_, pulses_, rpm_ = 0.0;
  bool known_ = false;
  std::uint32_t first_edges_ = 0, edges_ = 0, edge_tick_ = 0;
};

nlohmann::ordered_json motor_json(const MotorTruth& t) {
  nlohmann::ordered_json j = {{"supply_v", t.volts},
                              {"winding_c", t.winding_c},
                              {"stall_torque_nm", t.stall_torque},
                              {"no_load_speed_rpm", rpm_from_rad_per_s(t.no_load_speed)},
                              {"peak_power_w", t.peak_power},
                              {"peak_power_speed_rpm", rpm_from_rad_per_s(t.peak_power_speed)}};
  auto& points = j["curve_rpm_nm"] = nlohmann::ordered_json::array();
  for (std::size_t n = 0; n < t.curve.size(); n += 6)
    points.push_back({rpm_from_rad_per_s(t.curve[n].first), t.curve[n].second});
  return j;
}

nlohmann::ordered_json machine_json(const MachineSpec& m) {
  return {{"c0_nm", m.c0_nm},
          {"c1_nms", m.c1_nms},
          {"c2_nms2", m.c2_nms2},
          {"stribeck_nm", m.stribeck_nm},
          {"stribeck_rad_per_s", m.stribeck_rad},
          {"ripple1_nm", m.ripple1_nm},
          {"ripple2_nm", m.ripple2_nm},
          {"inertia_kgm2", m.inertia_kgm2},
          {"added_inertia_kgm2", m.added_kgm2}};
}

nlohmann::ordered_json drive_json(const MotorTruth& motor, const Scenario& s) {
  const DriveTruth d = drive_truth(motor, s.machine, s.belt, s.ratio());
  const auto [ratio, speed] = best_ratio(motor, s.machine, s.belt);
  return {{"ratio", s.ratio()},
          {"motor_speed_rpm", rpm_from_rad_per_s(d.motor_speed)},
          {"handwheel_speed_rpm", rpm_from_rad_per_s(d.handwheel_speed)},
          {"shaft_power_w", d.shaft_power},
          {"standstill_torque_nm", d.standstill_torque},
          {"best_ratio", ratio},
          {"best_handwheel_speed_rpm", rpm_from_rad_per_s(speed)}};
}

nlohmann::ordered_json cell_json(const Scenario& s) {
  const LoadCell cell(s.cell, 0);
  return {{"position", s.cell.position},
          {"arm_m", s.cell.arm_mm * 1e-3},
          {"counts_per_n", s.cell.counts_per_n},
          {"newtons_per_count", 1.0 / s.cell.counts_per_n},
          {"curvature_per_n", s.cell.curvature_per_n},
          {"zero_counts", s.cell.zero_counts},
          {"delay_s", cell.delay_s()},
          {"conversions_per_s", 1.0 / cell.period_s()}};
}

}  // namespace

Player::Player(const Scenario& scenario, std::uint64_t seed, std::optional<std::uint8_t> sequence)
    : scenario_(scenario),
      bench_(scenario, seed),
      board_(scenario, sequence),
      line_(scenario.faults, seed) {
  carry();
}

double Player::run_time_s() const {
  return first_start_s_ < 0.0 ? -1.0 : bench_.time_s() - first_start_s_;
}

bool Player::within(double at_s, double for_s) const {
  const double t = run_time_s();
  return at_s >= 0.0 && t >= at_s && t < at_s + for_s;
}

void Player::carry() {
  for (const Bytes& frame : board_.frames()) line_.carry(frame, bench_.time_s(), arrived_);
}

void Player::receive(const std::uint8_t* bytes, std::size_t size) {
  board_.set_time(bench_.time_s());
  board_.receive(bytes, size);
  if (board_.was_started()) {
    if (first_start_s_ < 0.0) first_start_s_ = bench_.time_s();
    bench_.start_command();
    if (over_) bench_.play_on();
    over_ = false;
  }
  carry();
}

bool Player::advance() {
  if (over_) return false;
  if (!bench_.next(moment_)) {
    over_ = true;
    board_.finish();
    carry();
    return false;
  }
  const FaultSpec& f = scenario_.faults;
  if (f.reset_at_s >= 0.0 && !reset_done_ && run_time_s() >= f.reset_at_s) {
    reset_done_ = true;
    board_.reset(moment_.time_s, kWireBrownOut);
  }
  if (within(f.motor_tach_lost_at_s, 1e9)) moment_.motor_edges.clear();
  if (within(f.handwheel_tach_lost_at_s, 1e9)) moment_.handwheel_edges.clear();
  board_.take(moment_, within(f.stuck_at_s, f.stuck_for_s), within(f.stall_at_s, f.stall_for_s));
  carry();
  return true;
}

Bytes Player::arrived() {
  Bytes out;
  out.swap(arrived_);
  return out;
}

namespace {

// Of a shaft that nothing but its own inertia holds back, whose energy gains most; over a fifth of
// a second, since an alternating torque swings.
double winding_at_most_power(const Recording& r, const Scenario& scenario) {
  constexpr double kReach_s = 0.1;
  double most = 0.0, winding_c = scenario.motor.start_c;
  std::size_t first = 0, last = 0;
  for (const TrueState& t : r.truth) {
    while (r.truth[first].time_s < t.time_s - kReach_s) ++first;
    while (last + 1 < r.truth.size() && r.truth[last].time_s < t.time_s + kReach_s) ++last;
    const TrueState &a = r.truth[first], &b = r.truth[last];
    if (!(a.time_s < b.time_s) || !(t.supply_v > 0.0)) continue;
    const double power =
        (b.motor_speed * b.motor_speed - a.motor_speed * a.motor_speed) / (b.time_s - a.time_s);
    if (power <= most) continue;
    most = power;
    winding_c = t.winding_c;
  }
  return winding_c;
}

}  // namespace

Recording record(const Scenario& scenario, std::uint64_t seed) {
  Recording r;
  Bench bench(scenario, seed);
  Board board(scenario);
  bench.start_command();
  const Bytes start = command(kWireStart, 0);
  board.receive(start.data(), start.size());
  r.identity = board.identity();
  Moment moment;
  double on_samples = 0.0;
  while (bench.next(moment)) {
    board.take(moment, false, false);
    board.frames();
    WireSample sample = board.sample();
    sample.number = static_cast<std::uint32_t>(r.samples.size());
    r.samples.push_back(sample);
    r.truth.push_back(moment.truth);
    r.motor_edges.insert(r.motor_edges.end(), moment.motor_edges.begin(), moment.motor_edges.end());
    r.handwheel_edges.insert(r.handwheel_edges.end(), moment.handwheel_edges.begin(),
                             moment.handwheel_edges.end());
    if (moment.truth.supply_v > 0.0) {
      r.winding_c += moment.truth.winding_c;
      r.supply_v += moment.truth.supply_v;
      ++on_samples;
    }
  }
  r.winding_c = on_samples > 0.0 ? r.winding_c / on_samples : scenario.motor.start_c;
  if (scenario.run.play == Play::kSpinUp) r.winding_c = winding_at_most_power(r, scenario);
  if (on_samples > 0.0) r.supply_v /= on_samples;
  r.energy = bench.energy();
  r.motor_side_inertia = bench.motor_side_inertia();
  r.handwheel_side_inertia = bench.handwheel_side_inertia();
  return r;
}

Bytes capture(const Scenario& scenario, std::uint64_t seed) {
  Player player(scenario, seed);
  std::uint8_t sequence = 0;
  Bytes bytes = player.arrived();
  const auto send = [&](std::uint8_t type) {
    const Bytes frame = command(type, sequence++);
    player.receive(frame.data(), frame.size());
  };
  send(kWireWhoAreYou);
  send(kWireStart);
  while (player.advance()) {
    append(bytes, player.arrived());
    if (!player.streaming()) send(kWireStart);  // the board was reset
  }
  append(bytes, player.arrived());
  return bytes;
}

std::string csv(const Recording& r, const Scenario& s) {
  const std::uint8_t has = channels_of(s);
  std::string text = "time_s";
  if (has & kWireMotorTach) text += ",motor_rpm";
  if (has & kWireHandwheelTach) text += ",handwheel_rpm";
  if (has & kWireLoadCell) text += ",torque_nm";
  if (has & kWireSupply) text += ",supply_v";
  if (has & kWireTemperature) text += ",temperature_c";
  text += "\n";
  const double nm_per_count = s.cell.arm_mm * 1e-3 / s.cell.counts_per_n;
  EdgeSpeed motor(r.identity.tick_hz, s.motor_tach.pulses);
  EdgeSpeed wheel(r.identity.tick_hz, s.handwheel_tach.pulses);
  double ticks = 0.0;
  for (std::size_t n = 0; n < r.samples.size(); ++n) {
    const WireSample& x = r.samples[n];
    if (n > 0) ticks += static_cast<std::uint32_t>(x.tick - r.samples[n - 1].tick);
    text += fmt::format("{:.6f}", ticks / r.identity.tick_hz);
    if (has & kWireMotorTach)
      text += fmt::format(",{:.4f}", motor.rpm(x.tick, x.motor_edges, x.motor_edge_tick));
    if (has & kWireHandwheelTach)
      text += fmt::format(",{:.4f}", wheel.rpm(x.tick, x.handwheel_edges, x.handwheel_edge_tick));
    if (has & kWireLoadCell)
      text += fmt::format(",{:.7f}", (x.torque_counts - s.cell.zero_counts) * nm_per_count);
    if (has & kWireSupply)
      text += fmt::format(",{:.3f}", x.supply_counts * s.supply.volts_per_count);
    if (has & kWireTemperature)
      text +=
          fmt::format(",{:.3f}", kTemperatureOffset + kTemperaturePerCount * x.temperature_counts);
    text += "\n";
  }
  return text;
}

std::string truth_json(const Recording& r, const Scenario& s, std::uint64_t seed) {
  const double volts = s.supply.volts;
  nlohmann::ordered_json j;
  j["scenario"] = s.name;
  j["kind"] = play_name(s.run.play);
  j["seed"] = seed;
  j["samples"] = r.samples.size();
  auto& motor = j["motor"] =
      motor_json(motor_truth_at_terminals(s.motor, s.supply, volts, r.winding_c));
  motor["model"] = motor_kind_name(s.motor.kind);
  motor["inertia_kgm2"] = s.motor.inertia_kgm2;
  motor["friction_c0_nm"] = s.motor.friction_c0_nm;
  motor["friction_c1_nms"] = s.motor.friction_c1_nms;
  motor["friction_c2_nms2"] = s.motor.friction_c2_nms2;
  motor["cold"] = motor_json(motor_truth_at_terminals(s.motor, s.supply, volts, s.motor.start_c));
  j["mean_supply_v_while_on"] = r.supply_v;
  j["machine"] = machine_json(s.machine);
  j["drive"] = drive_json(motor_truth(s.motor, s.supply, volts, r.winding_c), s);
  j["belt"] = {{"capacity_nm", s.belt.capacity_nm},
               {"creep", s.belt.creep},
               {"loss_nm", s.belt.loss_nm},
               {"loss_nms", s.belt.loss_nms}};
  j["cell"] = cell_json(s);
  j["inertia_between_winding_and_brake_kgm2"] = r.motor_side_inertia;
  j["inertia_at_handwheel_kgm2"] = r.handwheel_side_inertia;
  j["energy_j"] = {{"supplied", r.energy.supplied},
                   {"pushed", r.energy.pushed},
                   {"resistance", r.energy.resistance},
                   {"brushes", r.energy.brushes},
                   {"own_friction", r.energy.own_friction},
                   {"brake", r.energy.brake},
                   {"belt", r.energy.belt},
                   {"machine", r.energy.machine}};
  return j.dump(2) + "\n";
}

}  // namespace loadline::simrig
