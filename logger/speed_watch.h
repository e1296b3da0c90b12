// Does a shaft turn faster than it may? The limit is that of the book (`--max-rpm`), for the motor
// and for the machine's hand wheel alike.
#pragma once

#include <optional>
#include <string>

#include "db/parts.h"

namespace loadline {

/// A speed that is near its limit or above it.
struct SpeedAlarm {
  std::string of;  ///< "motor" or "machine"
  std::string name;
  double rpm = 0;  ///< now
  double limit_rpm = 0;
  bool over = false;  ///< above the limit; else within its last tenth
};

/// One thread.
class SpeedWatch {
 public:
  /// From this share of its limit on a shaft is near it.
  static constexpr double kNearShare = 0.9;
  /// An alarm stays for so long after its last cause, so that eyes and ears can follow it.
  static constexpr double kLastsS = 1.5;

  /// Of a part of the book; one without `max-rpm` never gives an alarm.
  explicit SpeedWatch(const Part& part);

  /// Takes what the rig reads now; call it some ten times a second.
  void take(const std::optional<double>& rpm, double at_s);
  std::optional<SpeedAlarm> alarm() const { return alarm_; }

  /// When the shaft first turned faster than it may; empty while it never did.
  std::optional<double> over_from_s() const { return over_from_s_; }
  double over_until_s() const { return over_until_s_; }
  /// "motor 'Heron 70' turned at up to 9,312 rpm, 103 % of its limit of 9,000 rpm".
  std::string sentence() const;

 private:
  std::string of_, name_;
  std::optional<double> limit_rpm_;
  std::optional<SpeedAlarm> alarm_;
  double cause_s_ = 0;
  std::optional<double> over_from_s_;
  double over_until_s_ = 0;
  double highest_rpm_ = 0;
};

}  // namespace loadline
