#include "fit/belts/grooves/tension.h"

#include <fmt/format.h>

#include <cmath>

#include "db/basis/error.h"
#include "db/basis/units.h"
#include "fit/belts/grooves/above_0.h"

namespace loadline {
double effective_friction(Wedge wedge, double friction, double groove_angle_rad) {
  require_above_0(friction, "coefficient of friction");
  switch (wedge) {
    case Wedge::kV:
      if (!(groove_angle_rad > 0 && groove_angle_rad <= kPi))
        throw Error(Fault::kInput, "a groove's angle lies between 0 and 180 degrees.");
      return friction / std::sin(groove_angle_rad / 2);
    case Wedge::kRoundGroove:
      return 4 / kPi * friction;
    case Wedge::kFlat:
      return friction;
  }
  return friction;
}

double strand_ratio(double effective_friction, double wrap_rad) {
  require_above_0(wrap_rad, "wrap angle");
  return std::exp(effective_friction * wrap_rad);
}

Tension tension_for_torque(double torque_nm, double radius_m, double strand_ratio,
                           double wrap_rad) {
  require_above_0(torque_nm, "torque");
  require_above_0(radius_m, "pulley's radius");
  const double difference = torque_nm / radius_m;
  Tension t;
  t.slack_n = difference / (strand_ratio - 1);
  t.tight_n = t.slack_n + difference;
  t.rest_n = (t.tight_n + t.slack_n) / 2;
  // The strands leave at an angle of π − θ to each other.
  t.bearing_rest_n = 2 * t.rest_n * std::sin(wrap_rad / 2);
  t.bearing_load_n = std::sqrt(t.tight_n * t.tight_n + t.slack_n * t.slack_n -
                               2 * t.tight_n * t.slack_n * std::cos(wrap_rad));
  return t;
}

double slip_torque(double rest_n, double radius_m, double strand_ratio) {
  require_above_0(rest_n, "tension");
  return 2 * rest_n * radius_m * (strand_ratio - 1) / (strand_ratio + 1);
}

double centrifugal_tension(double mass_kg_per_m, double speed_m_per_s) {
  return mass_kg_per_m * speed_m_per_s * speed_m_per_s;
}

double span_frequency(double rest_n, double mass_kg_per_m, double span_m) {
  require_above_0(mass_kg_per_m, "belt's mass per length");
  require_above_0(span_m, "free span");
  return std::sqrt(rest_n / mass_kg_per_m) / (2 * span_m);
}

double tension_from_frequency(double frequency_hz, double mass_kg_per_m, double span_m) {
  require_above_0(frequency_hz, "frequency");
  require_above_0(span_m, "free span");
  return mass_kg_per_m * std::pow(2 * span_m * frequency_hz, 2);
}

}  // namespace loadline
