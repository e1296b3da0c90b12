// The sections of a report, in the order in which they stand in it. Each adds nothing when it has
// nothing to say; what only an expert asks for goes into the page's folded parts.
#pragma once

#include <functional>

#include "db/book.h"
#include "fit/report/pages/page.h"
#include "fit/report/pages/subjects.h"

namespace loadline {

struct Verdict;  // verdicts.h

/// The cautions of the whole page, right below the verdicts, because a reader may go straight to
/// the bench with them, and how to read intervals.
void care_section(Page& page);
/// For each machine what to put on it and how sure that is, before anything else, or what is
/// missing until that can be said.
void verdict_section(Page& page, const std::vector<Verdict>& verdicts);
/// What the verdicts chose from.
void candidates_section(Page& page, const std::vector<Verdict>& verdicts);
/// Every result of the fits in two tables.
void summary_section(Page& page, const Subjects& subjects);
/// Warnings of the fits in one box, each once, with the subjects that it is about.
void shared_cautions(Page& page, const std::vector<Subject>& subjects);
void motors_section(Page& page, const Subjects& subjects);
void machines_section(Page& page, const Subjects& subjects);
/// Motors, machines and belts that were measured on two evenings or more.
void history_section(Page& page, const Book& book, const Subjects& subjects);
/// Each machine with its motors over each other: crossing, slider, trade-off over ratio. `progress`
/// is told how much of them is done, out of 1.
void pairs_section(Page& page, const Book& book, const Subjects& subjects,
                   const std::vector<Verdict>& verdicts,
                   const std::function<void(double)>& progress);
void belts_section(Page& page, const Book& book, const Subjects& subjects);
/// What people wrote down: notes of parts and runs, and runs put aside.
void notes_section(Page& page, const Book& book, const Subjects& subjects);
void parts_section(Page& page, const Book& book);
/// Rigs, calibrations, zeros, runs: what it takes to repeat the work.
void sources_section(Page& page, const Book& book, const Subjects& subjects);

}  // namespace loadline
