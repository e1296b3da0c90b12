// What a spin-up says beside its equation: the same fit with a torque that may bend.
//
// No motor follows an equation to the end: its iron, its armature, its fan have laws of their own.
// To the torque a few slow waves over the speed are added (torque_bend.h), each with a prior of
// mean nought; how large they may be, the run itself tells. Fits with bends of several sizes, none
// among them, are weighed by their evidence (the likelihood with the parameters integrated out, by
// Laplace's approximation; MacKay, Neural Computation 4 (1992) 415, from memory). Where the
// equation follows the run, bends count next to nothing; where a pattern is left over, or where the
// run says little of a result that the equation pretends to know, what the bends leave open is the
// doubt.
#pragma once

#include <array>
#include <vector>

#include "fit/curves/curve.h"
#include "fit/spin_ups/run_up.h"

namespace loadline {

/// What one fit says: standstill torque, speed without load, peak power, its speed, as logarithms
/// (NaN: not there) with variances, and −2 ln of its evidence, in two parts: `values` as if these
/// were independent.
struct BentView {
  std::array<double, 4> result{}, variance{};
  double values = 0, parameters = 0, correlation = 0;
};
/// Fits of several sizes of bends, beside `fit`.
std::vector<BentView> bent_views(const RunUpFit& fit);
/// What each of several ways to read the rows counts with each of its bends; 1 in all.
std::vector<double> shares_of(const std::vector<std::vector<BentView>>& ways);
/// Mean squares of ln(result over the curve's), ways, bends and all parameters being open. A result
/// that a bent torque does not have counts as off by a factor of e.
using BentResults = std::array<double, 4>;
BentResults bent_results(const std::vector<std::vector<BentView>>& ways, const Curve& curve);

}  // namespace loadline
