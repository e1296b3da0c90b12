// A look over a long run without reading all of it.
#pragma once

#include <cstdint>
#include <functional>
#include <span>

#include "db/book.h"

namespace loadline {

/// Streams samples of a run in order: of each stretch of `ticks` ticks of the rig's clock the first
/// `rows`, or a few more, and the very last sample of the run. Where they come more slowly than
/// `rows` in a stretch that is every one. What lies between is skipped in the file, not read.
void each_stretch(const Book& book, std::int64_t run, std::int64_t ticks, std::size_t rows,
                  const std::function<void(std::span<const Sample>)>& take);

}  // namespace loadline
