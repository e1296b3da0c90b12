// How many standard uncertainties make a 95 % interval.
#pragma once

namespace loadline {

/// 97.5 % point of the normal distribution: of what is known as well as its standard deviation
/// says.
inline constexpr double kNormal975 = 1.959963984540054;

/// 97.5 % point of Student's t, kNormal975 from a million degrees of freedom on; fewer than one are
/// taken for one.
double student_t_975(double degrees_of_freedom);

/// Degrees of freedom above which t differs from the normal factor by less than 0.003 %.
inline constexpr double kNormalFromHere = 1e5;

}  // namespace loadline
