// The figures of the live line and page: what the rig reads now, good enough for the eye.
//
// It averages over the last quarter of a second and corrects nothing (no delay, no inertia, no
// drift); what is kept and fitted are the samples in the book. A tachometer without an edge for
// longer than the time between its edges says "at most", by the time since the last edge.
//
// Threads: take() from the reading thread, the rest from any.
#pragma once

#include <deque>
#include <optional>

#include "db/basis/mutex.h"
#include "logger/line/line_reader.h"

namespace loadline {

/// What turns counts into units, as far as it is known when the run starts.
struct LiveScale {
  double tick_hz = 1;
  double motor_pulses_per_turn = 0;      ///< 0: no such tachometer
  double handwheel_pulses_per_turn = 0;  ///< 0: no such tachometer
  std::optional<Calibration> calibration;
  std::optional<double> zero_counts;  ///< until a zero of the run itself is taken
  /// False where a held hand wheel or a machine lies between motor and arm: then the torque on the
  /// arm is not the motor's.
  bool arm_feels_motor = true;
  double supply_v_per_count = 0;
  double temperature_c_per_count = 0;
  double temperature_c_offset = 0;

  /// Fills in what the rig says of itself.
  void describe(const WireIdentity& rig);
};

struct LiveReading {
  double elapsed_s = 0;  ///< by the rig's clock
  std::optional<double> motor_rpm, handwheel_rpm;
  bool motor_at_rest = false;  ///< no edge for half a second (or never)
  bool handwheel_at_rest = false;
  std::optional<double> torque_nm;
  std::optional<double> torque_counts;  ///< mean raw count, for rigs without a calibration
  std::optional<double> supply_v, temperature_c;
  bool arm_feels_motor = true;  ///< see LiveScale

  /// Watts on the motor's shaft, when torque and motor speed are known and belong together.
  std::optional<double> power_w() const;
};

class LiveMeter {
 public:
  /// Nothing is shown before this is called.
  void begin(const LiveScale& scale);
  void take(const Haul& haul);
  void set_zero(double counts);
  LiveReading now() const;
  /// The zero of the run itself, and how far it lies from the rig's last one in N·m.
  std::optional<double> zero() const;
  std::optional<double> zero_drift_nm() const;

 private:
  void take_sample(const Sample& sample) REQUIRES(mutex_);
  void take_reading(const ImportedReading& reading) REQUIRES(mutex_);
  LiveReading from_samples() const REQUIRES(mutex_);
  std::optional<double> speed(const std::optional<std::int64_t> Sample::*edges,
                              const std::optional<std::int64_t> Sample::*edge_tick,
                              double pulses_per_turn) const REQUIRES(mutex_);
  bool at_rest(const std::optional<std::int64_t> Sample::*edges,
               const std::optional<std::int64_t> Sample::*edge_tick) const REQUIRES(mutex_);

  mutable Mutex mutex_;
  bool begun_ GUARDED_BY(mutex_) = false;
  LiveScale scale_ GUARDED_BY(mutex_);
  std::deque<Sample> window_ GUARDED_BY(mutex_);
  std::optional<Sample> before_window_ GUARDED_BY(mutex_);
  std::optional<double> zero_ GUARDED_BY(mutex_);
  std::optional<double> zero_before_that_ GUARDED_BY(mutex_);
  double shown_s_ GUARDED_BY(mutex_) = -1;  // rig's time of latest_
  LiveReading latest_ GUARDED_BY(mutex_);
};

}  // namespace loadline
