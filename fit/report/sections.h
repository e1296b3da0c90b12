// The sections of a report, in the order in which they stand in it. Each adds nothing when it has
// nothing to say.
#pragma once

#include <functional>

#include "db/book.h"
#include "fit/report/page.h"
#include "fit/report/subjects.h"

namespace loadline {

/// The cautions of the whole page, first because a reader may go straight to the bench with it.
void care_section(Page& page);
/// For each machine what to put on it, before anything else; nothing where the book has no pulleys
/// or no curves.
void choice_section(Page& page, const Book& book, const Subjects& subjects);
/// Every answer on one screen.
void summary_section(Page& page, const Subjects& subjects);
void motors_section(Page& page, const Subjects& subjects);
void machines_section(Page& page, const Subjects& subjects);
/// Motors, machines and belts that were measured on two evenings or more.
void history_section(Page& page, const Book& book, const Subjects& subjects);
/// Every motor with every machine: crossing, slider, trade-off over ratio. `progress` is told how
/// much of them is done, out of 1.
void pairs_section(Page& page, const Book& book, const Subjects& subjects,
                   const std::function<void(double)>& progress);
void belts_section(Page& page, const Book& book, const Subjects& subjects);
void parts_section(Page& page, const Book& book);
/// Rigs, calibrations, zeros, runs: what it takes to repeat the work.
void sources_section(Page& page, const Book& book, const Subjects& subjects);

}  // namespace loadline
