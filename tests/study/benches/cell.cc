#include "cell.h"

#include <algorithm>
#include <cmath>

namespace benches {

namespace {

constexpr double kStep = 5e-4;  // s, of the sums below

// Sums of the lagged torque up to each step from `begin` on.
std::vector<double> lagged_sums(const Cell& cell, const std::function<double(double)>& torque,
                                double begin, double end) {
  const double keep = cell.lag > 0.0 ? std::exp(-kStep / cell.lag) : 0.0;
  double lagged = torque(begin), sum = 0.0;
  std::vector<double> sums{0.0};
  for (double t = begin + 0.5 * kStep; t < end + kStep; t += kStep) {
    lagged = keep * lagged + (1.0 - keep) * torque(t);
    sums.push_back(sum += lagged);
  }
  return sums;
}

double mean_between(const std::vector<double>& sums, double from, double to) {
  const double last = static_cast<double>(sums.size()) - 1.0;
  const auto sum_at = [&](double x) {
    x = std::clamp(x / kStep, 0.0, last);
    const auto i = std::min(static_cast<std::size_t>(x), sums.size() - 2);
    return sums[i] + (x - static_cast<double>(i)) * (sums[i + 1] - sums[i]);
  };
  from = std::max(from, 0.0);
  return (sum_at(to) - sum_at(from)) * kStep / (to - from);
}

}  // namespace

double Cell::slowness() const { return lag + 0.5 * window / rate + late + 0.5 / rate; }

Facts Cell::facts() const {
  Facts facts;
  facts.add("cell_rate", rate);
  facts.add("cell_window", window);
  facts.add("cell_lag", lag);
  facts.add("cell_late", late);
  facts.add("cell_noise", noise);
  facts.add("cell_drift", drift);
  facts.add("cell_wander", wander);
  facts.add("cell_digit", digit);
  return facts;
}

Cell draw_cell(double most_torque, Dice& dice) {
  Cell cell;
  cell.rate = dice.of({5.0, 10.0, 10.0, 20.0, 40.0, 80.0, 80.0});
  cell.window = dice.of({1, 1, 2, 4});
  cell.lag = dice.of({0.0, 0.005, 0.02, 0.06});
  cell.late = dice.uniform() / cell.rate;
  cell.noise = dice.of({0.0005, 0.001, 0.003, 0.006}) * most_torque;
  cell.drift = dice.of({0.0, 0.0, 0.001, 0.003}) * most_torque * dice.of({-1.0, 1.0});
  cell.wander = dice.of({0.0, 0.0, 0.0005}) * most_torque;
  cell.digit = dice.of({1e-5, 1e-4, 1e-4, 5e-4});
  return cell;
}

std::vector<double> weigh(const Cell& cell, const std::function<double(double)>& torque,
                          double begin, double end, const std::vector<double>& at, Dice& dice) {
  const std::vector<double> sums = lagged_sums(cell, torque, begin, end);
  const SlowNoise wander(dice, cell.wander, 10.0, begin, end);
  std::vector<double> values;
  double closed = begin + dice.uniform() / cell.rate, value = 0.0;  // end of the next window
  bool any = false;
  for (const double t : at) {
    while (closed + cell.late <= t || !any) {
      const double zero = cell.drift * (closed - begin) / (end - begin) + wander.at(closed);
      value = mean_between(sums, closed - begin - cell.window / cell.rate, closed - begin) + zero +
              dice.normal(cell.noise);
      value = std::round(value / cell.digit) * cell.digit;
      closed += 1.0 / cell.rate;
      any = true;
    }
    values.push_back(value);
  }
  return values;
}

}  // namespace benches
