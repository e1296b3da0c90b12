// The air that a disc drags along: what of a spin-up's curve is the disc's and not the motor's.
#pragma once

namespace loadline {

/// Torque (N·m) of a disc of `radius` (m) that turns in free air at `speed` (rad/s), both faces,
/// its rim left out: M = C·½·ρ·ω²·r⁵ with Re = ω·r²/ν, laminar C = 3.87/√Re (Cochran 1934) up to
/// Re = 3·10⁵, beyond it turbulent C = 0.146/Re^⅕ (von Kármán 1921; both as in Schlichting,
/// Boundary Layer Theory, from memory). Air at 20 °C: ρ = 1.2 kg/m³, ν = 1.5·10⁻⁵ m²/s.
double disc_windage(double radius, double speed);

/// Radius (m) of a steel disc 10 mm thick that has this inertia (kg·m²): J = ½·π·ρ·t·r⁴.
double radius_of_steel_disc(double inertia);

}  // namespace loadline
