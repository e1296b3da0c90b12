// Tension, slip and bearing load of a belt.
//
// When a belt is about to slip, its two strands pull as (T₁ − T_c)/(T₂ − T_c) = exp(µθ/sin(β/2)),
// θ the wrap, β the angle of the groove (180° for flat), T_c = m·v² (Euler and Eytelwein with the
// wedge factor; any text on machine elements). A round belt lying in a round groove wedges by 4/π.
// The torque is (T₁ − T₂)·r. A belt that stretches in proportion keeps T₁ + T₂ = 2·T₀, T₀ being the
// tension at rest. A free span of length L taps at f = √(T₀/m)/(2L) (stretched string).
// Assumes dry friction with one coefficient; stiffness of the belt is neglected, which makes f of
// short thick spans read a little high. SI units: N, N·m, m, kg/m, rad, Hz. Pure functions.
#pragma once

#include <optional>
#include <string>

#include "db/basis/estimate.h"

namespace loadline {

enum class Wedge { kV, kRoundGroove, kFlat };

/// µ/sin(β/2), 4µ/π or µ. Error(kInput) for a coefficient or angle out of range.
double effective_friction(Wedge wedge, double friction, double groove_angle_rad);

/// (T₁ − T_c)/(T₂ − T_c) on the point of slipping.
double strand_ratio(double effective_friction, double wrap_rad);

/// Strand tensions and what follows, at rest or at a standstill under torque.
struct Tension {
  double tight_n = 0, slack_n = 0;
  double rest_n = 0;          ///< T₀, each strand with no torque
  double bearing_rest_n = 0;  ///< pull on the shaft with no torque: 2·T₀·sin(θ/2)
  double bearing_load_n = 0;  ///< under the torque: the two strands as vectors
};

/// The least tension that carries `torque_nm` at radius `radius_m` without slip at standstill.
Tension tension_for_torque(double torque_nm, double radius_m, double strand_ratio, double wrap_rad);

/// Torque at which a belt of tension `rest_n` slips: 2·T₀·r·(R − 1)/(R + 1).
double slip_torque(double rest_n, double radius_m, double strand_ratio);

/// m·v².
double centrifugal_tension(double mass_kg_per_m, double speed_m_per_s);

double span_frequency(double rest_n, double mass_kg_per_m, double span_m);
double tension_from_frequency(double frequency_hz, double mass_kg_per_m, double span_m);

}  // namespace loadline
