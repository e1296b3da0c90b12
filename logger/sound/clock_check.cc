#include "logger/sound/clock_check.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "db/basis/error.h"
#include "db/basis/students_t.h"
#include "logger/sound/pulse_finder.h"

namespace loadline {
namespace {

constexpr std::size_t kLeastTicks = 20;
constexpr double kOffBeat = 0.1;    // of a period: what is so far from where a tick must be is none
constexpr double kMostFast = 2e-3;  // beyond that it is another clock, or another pace
constexpr double kMostOffBeat = 0.3;  // of all edges
constexpr std::size_t kParts = 8;

struct Tick {
  double number = 0, at = 0;  // at: samples
};

constexpr double kLongest_s = 7200;

// Which tick each edge is, by the time since the one before; what is off the beat is left out.
std::vector<Tick> numbered(const std::vector<SoundEdge>& edges, double period) {
  std::vector<Tick> ticks;
  for (const SoundEdge& edge : edges) {
    if (ticks.empty()) {
      ticks.push_back({0, edge.at});
      continue;
    }
    const double passed = (edge.at - ticks.back().at) / period, whole = std::round(passed);
    if (whole < 1 || std::fabs(passed - whole) > kOffBeat) continue;
    ticks.push_back({ticks.back().number + whole, edge.at});
  }
  return ticks;
}

// Least squares of at = a + b·number; then the shift of each eighth, whose scatter says how well b
// is known though neighbours err alike.
Estimate fast_of(const std::vector<Tick>& ticks, double period) {
  const auto n = static_cast<double>(ticks.size());
  double number = 0, at = 0, squares = 0, product = 0;
  for (const Tick& tick : ticks) {
    number += tick.number / n;
    at += tick.at / n;
  }
  for (const Tick& tick : ticks) {
    squares += (tick.number - number) * (tick.number - number);
    product += (tick.number - number) * (tick.at - at);
  }
  const double slope = product / squares;
  double left = 0;       // of single ticks
  double left_part = 0;  // of means of parts, as if of single ticks
  for (std::size_t p = 0; p < kParts; ++p) {
    const std::size_t from = p * ticks.size() / kParts, to = (p + 1) * ticks.size() / kParts;
    double sum = 0;
    for (std::size_t i = from; i < to; ++i) {
      const double r = ticks[i].at - at - slope * (ticks[i].number - number);
      left += r * r;
      sum += r;
    }
    left_part += sum * sum / static_cast<double>(to - from);
  }
  const double alone = left / (n - 2), together = left_part / (kParts - 2);
  const bool alike = together > alone;
  const double sd = std::sqrt(std::max(alone, together) / squares);
  const double t = student_t_975(alike ? kParts - 2.0 : n - 2);
  return Estimate::with_half_width((slope / period - 1) * 1e6, t * sd / period * 1e6, "millionths");
}

}  // namespace

ClockCheck check_clock(SoundPort& port, double ticks_hz) {
  const std::vector<float> samples = port.read_all(kLongest_s);
  std::vector<SoundEdge> edges;
  if (port.rate() > 0) {
    PulseFinder finder(port.rate());
    finder.take(samples, edges);
    finder.finish(edges);
  }
  const double period = port.rate() > 0 ? port.rate() / ticks_hz : 1;
  const std::vector<Tick> ticks = numbered(edges, period);
  if (ticks.size() < kLeastTicks ||
      static_cast<double>(ticks.size()) < (1 - kMostOffBeat) * static_cast<double>(edges.size()))
    throw Error(
        Fault::kInput,
        fmt::format("in '{}' {} ticks at {:.6g} a second were heard, of {} edges in all; record "
                    "a minute or more of the clock alone, near to the microphone.",
                    port.path(), ticks.size(), ticks_hz, edges.size()));
  ClockCheck check;
  check.fast = fast_of(ticks, period);
  check.ticks = ticks.size();
  check.missed = static_cast<std::uint64_t>(ticks.back().number) + 1 - check.ticks;
  check.length_s = (ticks.back().at - ticks.front().at) / port.rate();
  if (!(std::fabs(*check.fast.value) < kMostFast * 1e6))
    throw Error(
        Fault::kInput,
        fmt::format("the ticks of '{}' differ from {:.6g} a second by {} millionths, more than "
                    "a clock does; see --ticks-hz.",
                    port.path(), ticks_hz, significant(*check.fast.value, 3)));
  return check;
}

}  // namespace loadline
