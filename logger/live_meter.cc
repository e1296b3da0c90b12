#include "logger/live_meter.h"

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"

namespace loadline {
namespace {

constexpr double kWindowS = 0.25;
constexpr double kRestS = 0.5;
constexpr double kShowEveryS = 0.05;
constexpr std::size_t kMostSamplesInWindow = 512;  // of a faster rig every so many is enough

std::optional<double> number(double value) {
  if (std::isnan(value)) return std::nullopt;
  return value;
}

}  // namespace

void LiveScale::describe(const WireIdentity& rig) {
  tick_hz = rig.tick_hz;
  if (rig.channels & kWireMotorTach) motor_pulses_per_turn = rig.motor_pulses_per_turn;
  if (rig.channels & kWireHandwheelTach) handwheel_pulses_per_turn = rig.handwheel_pulses_per_turn;
  if (rig.channels & kWireSupply) supply_v_per_count = rig.supply_v_per_count;
  if (rig.channels & kWireTemperature) {
    temperature_c_per_count = rig.temperature_c_per_count;
    temperature_c_offset = rig.temperature_c_offset;
  }
}

std::optional<double> LiveReading::power_w() const {
  if (!torque_nm || !motor_rpm || !arm_feels_motor) return std::nullopt;
  return *torque_nm * rad_per_s_from_rpm(*motor_rpm);
}

void LiveMeter::begin(const LiveScale& scale) {
  const Lock lock(mutex_);
  scale_ = scale;
  begun_ = true;
  // What was read before is of another line, whose clock may have been far ahead.
  window_.clear();
  before_window_.reset();
  zero_.reset();
  zero_before_that_.reset();
  shown_s_ = -1;
  latest_ = {};
}

void LiveMeter::take(const Haul& haul) {
  const Lock lock(mutex_);
  if (!begun_) return;
  for (const Sample& sample : haul.samples) take_sample(sample);
  for (const ImportedReading& reading : haul.readings) take_reading(reading);
}

void LiveMeter::set_zero(double counts) {
  const Lock lock(mutex_);
  zero_before_that_ = scale_.zero_counts;
  zero_ = counts;
  scale_.zero_counts = counts;
}

void LiveMeter::take_sample(const Sample& sample) {
  const auto window_ticks = static_cast<std::int64_t>(kWindowS * scale_.tick_hz);
  const auto step = window_ticks / static_cast<std::int64_t>(kMostSamplesInWindow);
  if (!window_.empty() && sample.tick - window_.back().tick < step) return;
  window_.push_back(sample);
  while (window_.front().tick < sample.tick - window_ticks) {
    before_window_ = window_.front();
    window_.pop_front();
  }
  const double elapsed_s = static_cast<double>(sample.tick) / scale_.tick_hz;
  if (elapsed_s < shown_s_ + kShowEveryS && elapsed_s >= shown_s_) return;
  latest_ = from_samples();
  latest_.elapsed_s = shown_s_ = elapsed_s;
}

void LiveMeter::take_reading(const ImportedReading& reading) {
  latest_.arm_feels_motor = scale_.arm_feels_motor;
  latest_.motor_rpm = number(reading.motor_rpm);
  latest_.handwheel_rpm = number(reading.handwheel_rpm);
  latest_.motor_at_rest = latest_.motor_rpm == 0.0;
  latest_.handwheel_at_rest = latest_.handwheel_rpm == 0.0;
  latest_.torque_nm = number(reading.torque_nm);
  latest_.supply_v = number(reading.supply_v);
  latest_.temperature_c = number(reading.temperature_c);
  latest_.elapsed_s = reading.time_s;
}

std::optional<double> LiveMeter::speed(const std::optional<std::int64_t> Sample::*edges,
                                       const std::optional<std::int64_t> Sample::*edge_tick,
                                       double pulses_per_turn) const {
  const Sample& newest = window_.back();
  if (pulses_per_turn <= 0 || !(newest.*edges)) return std::nullopt;
  if (!(newest.*edge_tick)) {  // at rest, or the first edge is still to come
    if (static_cast<double>(newest.tick) < kRestS * scale_.tick_hz) return std::nullopt;
    return 0;
  }
  const Sample& oldest = before_window_ ? *before_window_ : window_.front();
  const double since_edge = static_cast<double>(newest.tick - *(newest.*edge_tick));
  if (since_edge >= kRestS * scale_.tick_hz) return 0;
  if (!(oldest.*edge_tick)) return std::nullopt;
  const double more = static_cast<double>(*(newest.*edges) - (oldest.*edges).value_or(0));
  const double over = static_cast<double>(*(newest.*edge_tick) - *(oldest.*edge_tick));
  const double per_minute = 60 * scale_.tick_hz / pulses_per_turn;
  const double at_most = since_edge > 0 ? per_minute / since_edge : HUGE_VAL;
  if ((more <= 0 || over <= 0) && !before_window_) return std::nullopt;  // too early to say
  if (more <= 0 || over <= 0) return std::min(at_most, per_minute / (kRestS * scale_.tick_hz));
  return std::min(per_minute * more / over, std::max(at_most, 0.0));
}

bool LiveMeter::at_rest(const std::optional<std::int64_t> Sample::*edges,
                        const std::optional<std::int64_t> Sample::*edge_tick) const {
  const Sample& newest = window_.back();
  if (!(newest.*edges)) return false;
  const std::int64_t since = (newest.*edge_tick) ? newest.tick - *(newest.*edge_tick) : newest.tick;
  return static_cast<double>(since) >= kRestS * scale_.tick_hz;
}

LiveReading LiveMeter::from_samples() const {
  const Sample& newest = window_.back();
  LiveReading reading;
  reading.arm_feels_motor = scale_.arm_feels_motor;
  reading.motor_rpm =
      speed(&Sample::motor_edges, &Sample::motor_edge_tick, scale_.motor_pulses_per_turn);
  reading.handwheel_rpm = speed(&Sample::handwheel_edges, &Sample::handwheel_edge_tick,
                                scale_.handwheel_pulses_per_turn);
  reading.motor_at_rest = at_rest(&Sample::motor_edges, &Sample::motor_edge_tick);
  reading.handwheel_at_rest = at_rest(&Sample::handwheel_edges, &Sample::handwheel_edge_tick);
  double sum = 0;
  std::size_t count = 0;
  for (const Sample& sample : window_) {
    if (!sample.torque_counts) continue;
    sum += *sample.torque_counts;
    ++count;
  }
  if (count > 0) reading.torque_counts = sum / static_cast<double>(count);
  if (count > 0 && scale_.calibration) {
    const Calibration& cell = *scale_.calibration;
    const double c = *reading.torque_counts - scale_.zero_counts.value_or(cell.zero_counts);
    reading.torque_nm =
        (cell.slope_n_per_count * c + cell.curvature_n_per_count2 * c * c) * cell.arm_m;
  }
  if (newest.supply_counts && scale_.supply_v_per_count != 0)
    reading.supply_v = *newest.supply_counts * scale_.supply_v_per_count;
  if (newest.temperature_counts && scale_.temperature_c_per_count != 0)
    reading.temperature_c =
        scale_.temperature_c_offset + *newest.temperature_counts * scale_.temperature_c_per_count;
  return reading;
}

LiveReading LiveMeter::now() const {
  const Lock lock(mutex_);
  return latest_;
}

std::optional<double> LiveMeter::zero() const {
  const Lock lock(mutex_);
  return zero_;
}

std::optional<double> LiveMeter::zero_drift_nm() const {
  const Lock lock(mutex_);
  if (!zero_ || !zero_before_that_ || !scale_.calibration) return std::nullopt;
  return (*zero_ - *zero_before_that_) * scale_.calibration->slope_n_per_count *
         scale_.calibration->arm_m;
}

}  // namespace loadline
