// A belt session read from the book: its top-speed runs reduced, and those refused with reasons.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "db/book.h"
#include "fit/belts/belt_session.h"
#include "fit/belts/comparison/comparison.h"
#include "fit/belts/slip_setting.h"
#include "fit/belts/steady_part.h"

namespace loadline {

/// Reads all top-speed runs of machine `machine`. Error(kBook) for the book; a run that cannot be
/// read becomes a refused one.
BeltSession read_belt_session(const Book& book, std::int64_t machine,
                              const SessionOptions& options = {});

}  // namespace loadline
