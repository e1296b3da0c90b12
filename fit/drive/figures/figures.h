// The figures of a drive: one table of what is calculated, and the calculation.
//
// The same calculation gives values with derivatives (analytic intervals) and bare values (one
// Monte Carlo draw), so that the two ways to an interval differ in nothing but the propagation.
#pragma once

#include <array>
#include <limits>
#include <optional>
#include <span>

#include "fit/drive/figures/question.h"
#include "fit/drive/points/operating_point.h"
#include "fit/drive/points/steadiness.h"

namespace loadline {

enum class Figure : std::size_t {
  kRatio,
  kMotorSpeed,
  kHandwheelSpeed,
  kStitchRate,
  kShaftPower,
  kMotorTorque,
  kHandwheelTorque,
  kBeltPower,
  kBeltSlip,
  kBeltLoss,
  kBeltCapacity,
  kBeltUse,
  kPeakPower,
  kPeakPowerSpeed,
  kPowerShare,
  kStandstillTorque,
  kStartingReserve,
  kNeedleForce,
  kBestRatio,
  kBestHandwheelSpeed,
  kBestGain,
  kLimitShare,
  kLimitedBestRatio,
  kLimitedBestHandwheelSpeed,
  kLoadedHandwheelSpeed,
  kLoadedMotorSpeed,
  kSpeedLoss,
  kWantedLowRatio,
  kWantedHighRatio,
  kSlowSpareTorque,
  kSlowBestRatio,
  kPedalResistance,
  kResistanceDrop,
  kResistanceStallTorque,
  kResistanceLeastSpeed,
  kPedalVoltage,
  kVoltageDrop,
  kVoltageStallTorque,
  kVoltageLeastSpeed,
  kPedalMark,
  kMarkDrop,
  kMarkStallTorque,
  kMarkLeastSpeed,
  kSeenDifference,
  kSeenDragScale,
  kSeenBeltLoss,
  kSeenSlip,
  kCount
};
inline constexpr std::size_t kFigureCount = static_cast<std::size_t>(Figure::kCount);

/// How a figure is named and shown.
struct FigureInfo {
  const char* key;                                          ///< in JSON and CSV
  const char* words;                                        ///< for people
  const char* unit;                                         ///< that a person reads
  double factor;                                            ///< from SI to that unit
  double least = -std::numeric_limits<double>::infinity();  ///< what it can be, in SI
  double most = std::numeric_limits<double>::infinity();
};
const FigureInfo& info(Figure figure);

/// Figures that could be calculated; the others are empty.
class Figures {
 public:
  std::optional<Propagated>& operator[](Figure figure) {
    return values_[static_cast<std::size_t>(figure)];
  }
  const std::optional<Propagated>& operator[](Figure figure) const {
    return values_[static_cast<std::size_t>(figure)];
  }

 private:
  std::array<std::optional<Propagated>, kFigureCount> values_;
};

/// Where the figures of slow stitching with one pedal stand, and how the pedal is named.
struct PedalFigures {
  Pedal pedal;
  Figure setting, drop, stall, least;
  const char* key;    ///< in JSON
  const char* words;  ///< "with the resistance pedal held"
};
inline constexpr std::array<PedalFigures, kPedalCount> kPedalFigures = {
    PedalFigures{Pedal::kResistance, Figure::kPedalResistance, Figure::kResistanceDrop,
                 Figure::kResistanceStallTorque, Figure::kResistanceLeastSpeed, "resistance",
                 "resistance"},
    PedalFigures{Pedal::kVoltage, Figure::kPedalVoltage, Figure::kVoltageDrop,
                 Figure::kVoltageStallTorque, Figure::kVoltageLeastSpeed, "voltage", "voltage"},
    PedalFigures{Pedal::kMarks, Figure::kPedalMark, Figure::kMarkDrop, Figure::kMarkStallTorque,
                 Figure::kMarkLeastSpeed, "marks", "marked"}};

/// Slow running with one pedal: how it goes and, where it is known, the setting (with_pedal).
struct SlowOutcome {
  SlowRunning running = SlowRunning::kNoModel;
  std::optional<double> setting;
};

/// The motor as that pedal is in its circuit; null where nothing of the pedal is known.
inline const DriveCurve* motor_with(const DriveSetup& setup, Pedal pedal) {
  if (pedal != Pedal::kMarks) return &setup.motor;
  return setup.marks ? &*setup.marks : nullptr;
}

/// Figures with what is not a number: how the search ended, how slow running goes.
struct DriveFindings {
  Figures figures;
  OperatingSearch search;
  OperatingSearch loaded_search;
  ByPedal<SlowOutcome> slow;
};

/// Which figures to calculate. The best ratio does not depend on today's, so a trade-off leaves it
/// out.
enum class Depth { kAtRatio, kWithBest };

/// The figures of slow stitching with each pedal: setting, drop, torque left as it stalls.
void find_slow(const DriveSetup& setup, const DriveQuestion& question, DriveFindings& findings);

DriveFindings find_figures(const DriveSetup& setup, const DriveQuestion& question, Depth depth);

/// Change of each figure from `today` to `then`, as a fraction (value·100 is per cent); empty where
/// one of them is, and for figures that do not depend on the ratio.
Figures changes(const Figures& today, const Figures& then);

}  // namespace loadline
