// Derivatives of every figure of a drive answer against differences of its own values.
#pragma once

#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "fit/drive/figures/figures.h"
#include "fit/drive/figures/question.h"

namespace loadline::test {

/// Moves each input by a fiftieth of its own standard uncertainty either way. A derivative may be
/// off by `share` of itself and by `part` of the figure's standard uncertainty. Returns how many
/// were compared.
inline int check_derivatives_of_figures(const DriveQuestion& question, double share, double part) {
  const DriveDesk desk(question);
  const Figures at = find_figures(desk.setup(), question, Depth::kWithBest).figures;
  const int inputs = desk.sources().size();
  int compared = 0;
  for (int k = 0; k < inputs; ++k) {
    Eigen::VectorXd unit = Eigen::VectorXd::Zero(inputs);
    unit[k] = 1;
    const double sd = desk.sources().sd({0, Derivatives(unit)});
    if (sd == 0) continue;
    const Eigen::VectorXd step = 0.02 * sd * unit;
    const Figures up = find_figures(desk.drawn(step), question, Depth::kWithBest).figures;
    const Figures down = find_figures(desk.drawn(-step), question, Depth::kWithBest).figures;
    for (std::size_t f = 0; f < kFigureCount; ++f) {
      const auto figure = static_cast<Figure>(f);
      if (!at[figure]) continue;
      REQUIRE(up[figure].has_value());
      const double numeric = (up[figure]->value - down[figure]->value) / (2 * step[k]) * sd;
      const double analytic = at[figure]->by.size() == 0 ? 0 : at[figure]->by[k] * sd;
      INFO(std::string(info(figure).key) << " by input " << k);
      const double whole = desk.sources().sd(*at[figure]);
      CHECK(std::fabs(numeric - analytic) <= share * std::fabs(analytic) + part * whole + 1e-15);
      ++compared;
    }
  }
  return compared;
}

}  // namespace loadline::test
