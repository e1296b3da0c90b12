// A row of the table of motor equations from what is told of a motor once: its equation, its shape,
// its parameters. Include where a row is made, not in headers: it brings Ceres' dual numbers along.
#pragma once

#include <memory>
#include <string>
#include <type_traits>
#include <utility>
#include <vector>

#include "fit/equations/formula_of.h"
#include "fit/equations/motor_equation.h"
#include "fit/equations/shape_of.h"

namespace loadline {

/// The formula whose parameters are the first ones of the row.
template <typename Equation>
std::shared_ptr<const CurveModel> formula_in(const MotorEquation& row) {
  std::vector<std::string> names;
  for (std::size_t i = 0; i < Equation::kParameters; ++i) names.push_back(row.parameters[i].name);
  return formula_of<Equation>(row.name, std::move(names));
}

/// How a fit gets the shape of that name: with the motor's own drag where its constructor takes it.
template <typename Shape>
MotorEquation::Shape shape_maker(const std::string& name) {
  return [name](const SweepScale& scale, const std::optional<OwnDrag>& own_drag) {
    std::unique_ptr<MotorShape> shape;
    if constexpr (std::is_constructible_v<Shape, const SweepScale&, const std::optional<OwnDrag>&>)
      shape = std::make_unique<Shape>(scale, own_drag);
    else
      shape = std::make_unique<Shape>(scale);
    shape->set_name(name);
    return shape;
  };
}

/// `row` with what follows from it: its formulas, first those of earlier books (`Shorter`), and how
/// its shape is made.
template <typename Shape, typename... Shorter>
MotorEquation described(MotorEquation row) {
  row.formulas = {formula_in<Shorter>(row)..., formula_in<typename Shape::Formula>(row)};
  row.shape = shape_maker<Shape>(row.name);
  return row;
}

}  // namespace loadline
