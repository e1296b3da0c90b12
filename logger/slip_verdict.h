// A slip check read at the bench: how fast does the belt creep, and is that the session's setting?
//
// With the hand wheel held and full voltage the belt slips; a tighter belt lets the motor creep
// slower. The setting is the creep speed of the motor. The band around it that means 'the same
// setting' is kept in the book for each machine, in the document "slip-band".
#pragma once

#include <optional>
#include <string>

#include "db/basis/estimate.h"
#include "db/book.h"

namespace loadline {

struct SlipReading {
  Estimate creep_rpm = Estimate::unknown("rpm");  ///< of the motor
  Estimate torque = Estimate::unknown("N·m");  ///< at the cell's arm; unknown without calibration
  double slipped_s = 0;                        ///< from the first to the last edge
  std::string fault;                           ///< why nothing can be said; empty when all is well
};

/// Reads a recorded slip check. The first quarter of the movement (running up, the cell settling)
/// and what comes after `limit_s` are left out. Intervals are those of the mean of eight parts, by
/// Student's t with 7 degrees of freedom (batch means; they hold where the parts are longer than
/// the noise remembers), for torque with the calibration's and the zero's share.
SlipReading read_slip_check(const Book& book, const Run& run, double limit_s);

/// What counts as the same setting.
struct SlipTarget {
  double low_rpm = 0;
  double high_rpm = 0;
  bool holds(double rpm) const { return rpm >= low_rpm && rpm <= high_rpm; }
};

/// Creep speed swings several times as much as tension, so a band of this half width is what a
/// careful hand can set (common practice).
inline constexpr double kUsualSlipBandPercent = 15;

std::optional<SlipTarget> slip_target(const Book& book, std::int64_t machine);
void keep_slip_target(Book& book, std::int64_t machine, const SlipTarget& target);
SlipTarget slip_target_around(double rpm, double percent);

struct SlipVerdict {
  SlipReading reading;
  std::optional<SlipTarget> target;
  /// "set", "tighten", "loosen", or "unknown" when the check could not be read.
  std::string word;
  std::string sentence;      ///< the same for people, with the figures
  bool made_target = false;  ///< this check is the first: the target was set around it
};

/// Judges the check and, when the machine has no target yet, sets it around this check.
SlipVerdict judge_slip_check(Book& book, const Run& run, double limit_s,
                             std::optional<double> target_rpm, double percent);

Json to_json(const SlipVerdict& verdict);

}  // namespace loadline
