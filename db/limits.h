// What a value typed by a person can be at all; beyond it the unit was most likely another one.
#pragma once

#include <string>
#include <variant>

#include "db/parts.h"

namespace loadline {

/// Error(kInput) for a value that the field cannot hold: out of range, none of its choices, empty
/// or too long. The sentence names the option.
void require_field(const PartField& field, const std::variant<double, std::string>& value);

/// Error(kInput) for an inertia (kg·m², of a run) that no bench has.
void require_bench_inertia(double inertia_kgm2);

}  // namespace loadline
