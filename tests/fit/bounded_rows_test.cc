// An instrument that says what a speed can be at most while no edge comes, made here of formulas.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "fit/readings/speeds/bounded_rows.h"

using loadline::hold_through_bounds;

namespace {

constexpr double kRate = 80;  // rows a second

struct Rows {
  std::vector<double> time_s, held, bounded;
};

double digits(double rpm) { return std::round(rpm * 1e4) / 1e4; }

/// ω₀ − a·t until standstill and a second longer, `pulses` a turn.
Rows slowing(double rpm, double seconds, int pulses) {
  const double top = rpm / 60, slope = top / seconds;  // turns a second
  const auto edge = [&](int k) {  // of a pulse: t with top·t − slope·t²/2 = k/P
    const double left = top * top - 2 * slope * k / pulses;
    return left > 0 ? (top - std::sqrt(left)) / slope : 1e9;
  };
  Rows rows;
  int last = 0;
  double shown = 0;
  for (int i = 1; i < (seconds + 1) * kRate; ++i) {
    const double t = i / kRate;
    int now = last;
    while (edge(now + 1) <= t) ++now;
    if (now > last) {
      shown = digits(60.0 * (now - last) / pulses / (edge(now) - edge(last)));
      last = now;
    }
    if (shown == 0) continue;
    rows.time_s.push_back(t);
    rows.held.push_back(shown);
    rows.bounded.push_back(std::min(shown, digits(60.0 / pulses / (t - edge(last)))));
  }
  return rows;
}

double share_alike(const std::vector<double>& a, const std::vector<double>& b) {
  double alike = 0;
  for (std::size_t i = 0; i < a.size(); ++i) alike += a[i] == b[i] ? 1 : 0;
  return alike / static_cast<double>(a.size());
}

}  // namespace

TEST_CASE("bounds are told from values, and the pulses in a turn with them") {
  for (const int pulses : {1, 2, 6, 20})
    for (const double seconds : {0.8, 3.0, 12.0}) {
      CAPTURE(pulses);
      CAPTURE(seconds);
      Rows rows = slowing(1050, seconds, pulses);
      if (share_alike(rows.held, rows.bounded) == 1) continue;
      CHECK(hold_through_bounds(rows.time_s, rows.bounded) == pulses);
      CHECK(share_alike(rows.held, rows.bounded) > 0.97);
    }
}

TEST_CASE("what holds its values, and what shows them at once, is left as it is") {
  for (const int pulses : {1, 6, 20}) {
    Rows rows = slowing(1050, 3, pulses);
    const std::vector<double> before = rows.held;
    CHECK(hold_through_bounds(rows.time_s, rows.held) == 0);
    CHECK(rows.held == before);
  }
  // A fan alone slows a shaft so that 1/ω grows evenly, as bounds do; a voltage shows it.
  std::vector<double> time_s, rpm;
  for (int i = 0; i < 400; ++i) {
    time_s.push_back(i / kRate);
    rpm.push_back(digits(1 / (1e-3 + 0.1 * i / kRate)));
  }
  CHECK(hold_through_bounds(time_s, rpm) == 0);
}
