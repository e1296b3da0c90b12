// At which marks of a disc the turns ended whose means the rows of a file hold.
//
// A tachometer that times the last whole turn says nothing of how long ago that turn ended: by the
// disc's marks, anything up to the angle from one to the next. Where marks are many that is noise.
// Where they are few it goes with the place of the shaft, and passes for a ripple. But while the
// shaft slows down each value tells by itself when its turn ended, and marks lie at even angles:
// which, the rows tell together. A turn from a mark to itself also holds no error of its place.
#pragma once

#include <optional>

#include "fit/coast_downs/coast_fit.h"

namespace loadline {

/// The fit `of` last turns once more, with their marks known; null where the rows do not tell any.
FittedCoasts fit_by_marks(const CoastFit& of, double unit, const std::optional<Prior>& inertia);

}  // namespace loadline
