#include "logger/speed_watch.h"

#include <fmt/format.h>

#include <algorithm>

#include "db/basis/estimate.h"

namespace loadline {

SpeedWatch::SpeedWatch(const Part& part)
    : of_(part_kind_name(part.kind)), name_(part.name), limit_rpm_(part.number("max-rpm")) {}

void SpeedWatch::take(const std::optional<double>& rpm, double at_s) {
  if (!limit_rpm_) return;
  const double now = rpm.value_or(0);
  const bool over = now > *limit_rpm_;
  if (over) {
    if (!over_from_s_) over_from_s_ = at_s;
    over_until_s_ = at_s;
    highest_rpm_ = std::max(highest_rpm_, now);
  }
  const bool near = now > kNearShare * *limit_rpm_;
  const bool lasts = alarm_ && at_s >= cause_s_ && at_s < cause_s_ + kLastsS;
  if (over || (near && !(lasts && alarm_->over))) {
    alarm_ = SpeedAlarm{of_, name_, now, *limit_rpm_, over};
    cause_s_ = at_s;
  } else if (lasts) {
    alarm_->rpm = now;
  } else {
    alarm_.reset();
  }
}

std::string SpeedWatch::sentence() const {
  return fmt::format("{} '{}' turned at up to {} rpm, {:.0f} % of its limit of {} rpm", of_, name_,
                     whole_text(highest_rpm_), 100 * highest_rpm_ / limit_rpm_.value_or(1),
                     whole_text(limit_rpm_.value_or(0)));
}

}  // namespace loadline
