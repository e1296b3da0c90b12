#include "fit/drive/load_lines/root.h"

#include <algorithm>
#include <boost/math/tools/minima.hpp>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>
#include <cstdint>

namespace loadline {
namespace {

// Stops at about 1e-13 of the root; a crossing is never known better than 1e-6.
constexpr int kRootBits = 44;
constexpr int kMinimumBits = 26;  // brent_find_minima cannot do better than half the digits
constexpr std::uintmax_t kMostSteps = 100;

struct Place {
  double x, f;
};

double root_between(FunctionView f, const Place& a, const Place& b) {
  if (a.f == 0) return a.x;
  if (b.f == 0) return b.x;
  std::uintmax_t steps = kMostSteps;
  const auto bracket = boost::math::tools::toms748_solve(
      f, a.x, b.x, a.f, b.f, boost::math::tools::eps_tolerance<double>(kRootBits), steps);
  return (bracket.first + bracket.second) / 2;
}

// Does f, seen at three points of the same sign, come near enough to zero for a hidden pair of
// roots? Judged by the parabola through them, with room for what a parabola misses.
bool may_touch(const Place& a, const Place& b, const Place& c) {
  const double sign = b.f > 0 ? 1 : -1;
  if (sign * b.f > sign * a.f || sign * b.f > sign * c.f) return false;
  const double left = (b.f - a.f) / (b.x - a.x), right = (c.f - b.f) / (c.x - b.x);
  const double bend = (right - left) / (c.x - a.x);
  if (bend == 0) return false;
  const double slope = left + bend * (b.x - a.x);
  const double dip = slope * slope / (4 * std::fabs(bend));
  return sign * b.f - 2 * dip <= 0.05 * std::max(sign * a.f, sign * c.f);
}

void add_hidden_pair(FunctionView f, const Place& a, const Place& b, const Place& c,
                     std::vector<double>& roots) {
  const double sign = b.f > 0 ? 1 : -1;
  std::uintmax_t steps = kMostSteps;
  const auto lowest = boost::math::tools::brent_find_minima([&](double x) { return sign * f(x); },
                                                            a.x, c.x, kMinimumBits, steps);
  if (!(lowest.second < 0)) return;
  const Place turn{lowest.first, sign * lowest.second};
  roots.push_back(root_between(f, a, turn));
  roots.push_back(root_between(f, turn, c));
}

bool same_sign(double a, double b) { return (a > 0 && b > 0) || (a < 0 && b < 0); }

}  // namespace

double bracketed_root(FunctionView f, double low, double high) {
  return root_between(f, {low, f(low)}, {high, f(high)});
}

std::vector<double> all_roots(FunctionView f, std::span<const double> grid) {
  std::vector<double> roots;
  Place before{0, 0}, last{0, 0};
  int seen = 0;  // points of the same sign in a row, last included
  for (const double x : grid) {
    const Place now{x, f(x)};
    if (!std::isfinite(now.f)) break;
    if (seen >= 2 && same_sign(before.f, last.f) && same_sign(last.f, now.f) &&
        may_touch(before, last, now))
      add_hidden_pair(f, before, last, now, roots);
    if (seen >= 1 && last.f != 0 && !same_sign(last.f, now.f))
      roots.push_back(root_between(f, last, now));
    before = last;
    last = now;
    ++seen;
  }
  std::sort(roots.begin(), roots.end());
  roots.erase(std::unique(roots.begin(), roots.end()), roots.end());
  return roots;
}

std::optional<double> root_above(FunctionView f, double start, double step, double limit) {
  Place low{start, f(start)};
  for (double x = start + step; x <= limit; x += step, step *= 2) {
    const Place high{x, f(x)};
    if (!std::isfinite(high.f)) return std::nullopt;
    if (high.f >= 0) return root_between(f, low, high);
    low = high;
  }
  return std::nullopt;
}

}  // namespace loadline
