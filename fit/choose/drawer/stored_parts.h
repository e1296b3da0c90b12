// A part's curve as the book holds it, with what its fit said of where the uncertainty comes from.
#pragma once

#include <memory>
#include <optional>

#include "db/book.h"
#include "fit/choose/drawer/drawer_motor.h"
#include "fit/curves/curve.h"
#include "fit/drive/figures/question.h"

namespace loadline {

/// The stored curve of a motor or machine. Error(kInput) with the command to run next when there is
/// none; Error(kAnswerNo) when it does not describe its runs.
std::shared_ptr<const Curve> curve_for(const Book& book, const Part& part);

/// Inertia of a machine at its hand wheel (kg·m²): as its coast-downs told, else as the book says.
std::optional<Uncertain> inertia_of(const Book& book, const Part& machine);

/// A motor with its curve, its runs and what it shares with others of its rig. Errors as curve_for.
DrawerMotor drawer_motor(const Book& book, const Part& part);

}  // namespace loadline
