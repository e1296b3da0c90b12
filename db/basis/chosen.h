// A number that somebody chose: no law of nature and no property of the data. Each stands in its
// subject's header (brake_constants.h, spin_up_constants.h, motor_constants.h) with what it is a
// share of and where it comes from. tests/study/sensitivity.cc builds the fits with these numbers
// movable and shows what half and double of each do to the results; its table is in
// tests/study/README.md.
#pragma once

#ifdef LOADLINE_SENSITIVITY
namespace loadline {
/// The movable number behind a name; registered once per program.
double& chosen(const char* name, double value);
}  // namespace loadline
#define CHOSEN(subject, name, value) \
  inline double& name = ::loadline::chosen(subject "." #name, value)
#else
#define CHOSEN(subject, name, value) inline constexpr double name = value
#endif
