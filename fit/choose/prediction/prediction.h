// What one candidate will do, and by how much it meets each aim, as figures over the joint inputs.
#pragma once

#include <Eigen/Dense>
#include <memory>
#include <vector>

#include "fit/choose/drawer/drawer.h"
#include "fit/choose/prediction/aims.h"
#include "fit/choose/prediction/joint.h"
#include "fit/drive/points/operating_point.h"

namespace loadline {

/// What can be asked of a candidate.
enum class Aim {
  kStarts,       ///< turns by itself from standstill; counts only where it certainly does not
  kLeastSpeed,   ///< reaches the top speed asked for, under the cloth if that was named
  kMotorSpeed,   ///< the motor stays below what was asked and what it may
  kWheelLimit,   ///< the hand wheel stays below what the machine may
  kNeedleForce,  ///< presses as hard as asked
  kSlowDrop,     ///< stays as steady in slow stitching as asked
};

/// One candidate. A figure is value + Σ derivative · deviate (joint.h); the first is the top speed
/// (rad/s at the hand wheel, under the cloth if that was named), the others are margins, each met
/// where it is not below 0.
struct Prediction {
  Settling settling = Settling::kTooWeak;
  bool extrapolated = false;  ///< the operating point stands outside a measured range
  std::vector<Aim> aims;      ///< of figures 1, 2, …
  std::vector<int> places;    ///< deviates that its figures depend on
  Eigen::MatrixXd by;         ///< places × figures
  Eigen::VectorXd values;     ///< of the figures
  Eigen::VectorXd reach;      ///< of each figure: by how much any draw moves it at most
  /// rad/s at the motor as it settles, with its derivatives by the places.
  double motor_speed = 0;
  Eigen::VectorXd motor_speed_by;
  bool belt_slips_first = false;  ///< from standstill the belt slips before the motor stalls
  Estimate handwheel_rpm, motor_rpm, loaded_rpm, needle_n, drop_percent;

  /// There is a steady speed, though perhaps after a push: a drag near standstill is seldom known.
  bool runs() const { return settling == Settling::kRuns || settling == Settling::kNeedsPush; }
};

/// The drawer's uncertain inputs laid out in one Joint, and what they make of each candidate.
/// Immutable after it is built; may be read by many threads. The drawer must outlive it.
class Predictor {
 public:
  /// Error(kInput) when an aim needs what the book does not say (the needle's stroke), or a curve
  /// cannot be moved to the supply asked for.
  Predictor(const Drawer& drawer, const Aims& aims, std::size_t draws, std::uint64_t seed);
  ~Predictor();

  Prediction predict(const Candidate& candidate) const;
  const Joint& joint() const;
  /// Places of a motor's own inputs: the first and their number; and of the machine's.
  std::pair<int, int> motor_places(std::size_t motor) const;
  std::pair<int, int> machine_places() const;
  std::vector<std::string> warnings() const;

 private:
  class Inside;
  std::unique_ptr<Inside> inside_;
};

}  // namespace loadline
