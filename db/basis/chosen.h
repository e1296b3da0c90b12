// A number that somebody chose: no law of nature and no property of the data. Each stands in its
// subject's *_constants.h with what it is a share of and where it comes from. The studies build the
// fits once more with these numbers movable and show what half and double of each do
// (tests/study/sensitivity.cc to a fit's results, answers_sensitivity.py to whole answers).
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
