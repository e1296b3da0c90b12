// The answer to one drive question, apart from how it is printed.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "fit/drive/figures/answer_lines.h"
#include "fit/drive/figures/figures.h"
#include "fit/drive/figures/question.h"

namespace loadline {

/// All figures with analytic intervals, those of slow stitching as
/// fit/drive/figures/slow_stitching.h says.
DriveAnswer answer(const DriveDesk& desk);
/// The same before slow stitching is refined and without warnings: what other limits go into.
DriveAnswer first_order_answer(const DriveDesk& desk);

/// The same with the limits of `draws` Monte Carlo draws (≥ 100) from the inputs' distributions
/// (JCGM 101:2008): Student's t where an input has degrees of freedom, the central 95 % of the
/// results. Values stay those of the best estimates. The same seed gives the same limits.
DriveAnswer answer_by_draws(const DriveDesk& desk, std::size_t draws, std::uint64_t seed);

/// Lines of the figures found for `setup`, one of the desk's or one at another ratio.
std::vector<AnswerLine> answer_lines(const DriveDesk& desk, const DriveSetup& setup,
                                     const Figures& figures);

/// The contract's keys and more; unknown figures of the contract are null.
Json to_json(const DriveAnswer& answer);
/// For people: what it comes to in a sentence, the three figures that decide, a verdict, and what
/// was asked for besides. Without warnings; no line is wider than kPageWidth but for names that
/// are.
std::string to_text(const DriveAnswer& answer);
/// Every figure, as a table.
std::string details_text(const DriveAnswer& answer);

}  // namespace loadline
