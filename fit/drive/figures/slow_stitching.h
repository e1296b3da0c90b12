// Slow stitching as its doubt allows: limits that hold no impossible case, and the seam in its
// turn.
//
// A brake run hardly tells a motor's own friction from the rest of its curve, and at a twentieth of
// the power that friction decides. First-order limits then run below zero. Here all inputs are
// drawn (JCGM 101:2008), what cannot be is thrown away (a motor's friction that would drive it),
// and the limits are the quantiles of what is left.
#pragma once

#include "fit/drive/figures/answer_lines.h"

namespace loadline {

/// Puts the limits of the slow figures into `answer`, and the seam over a turn where the machine's
/// inertia is known. Where what can be leaves out a noticeable part of the draws, the values are
/// the medians of what is left. Without a slow speed asked for it does nothing.
void refine_slow_stitching(const DriveDesk& desk, DriveAnswer& answer);

}  // namespace loadline
