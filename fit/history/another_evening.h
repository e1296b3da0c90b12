// Predictive limits for another evening from the scatter of those that the book holds
// (random_effects.h), from the last change on (changes.h).
#pragma once

#include <optional>
#include <string>

#include "fit/curves/another_evening.h"
#include "fit/drags/drag_fit.h"
#include "fit/motors/motor_fit.h"

namespace loadline {

/// Of a motor's or machine's runs that `fit` was made of; empty where they are of one session, or
/// where too few give a curve by themselves to tell how sessions scatter. `options` as for the fit.
std::optional<AnotherEvening> another_evening(const Book& book, const Part& motor,
                                              const MotorFit& fit, const MotorFitOptions& options);
std::optional<AnotherEvening> another_evening(const Book& book, const Part& machine,
                                              const DragFit& fit, const DragFitOptions& options);

/// What a person is told: one line for each result, or that one evening does not tell.
std::string to_text(const std::optional<AnotherEvening>& another);

}  // namespace loadline
