// Conversions between SI, which all code uses, and what people read: rpm, mm, degrees.
#pragma once

#include <numbers>

namespace loadline {

inline constexpr double kPi = std::numbers::pi;
/// Conventional standard gravity in m/s^2 (CGPM 1901; ISO 80000-3).
inline constexpr double kStandardGravity = 9.80665;

constexpr double rad_per_s_from_rpm(double rpm) { return rpm * (kPi / 30.0); }
constexpr double rpm_from_rad_per_s(double rad_per_s) { return rad_per_s * (30.0 / kPi); }
constexpr double rad_from_deg(double deg) { return deg * (kPi / 180.0); }
constexpr double deg_from_rad(double rad) { return rad * (180.0 / kPi); }
constexpr double m_from_mm(double mm) { return mm * 1e-3; }
constexpr double mm_from_m(double m) { return m * 1e3; }

}  // namespace loadline
