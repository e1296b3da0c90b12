// Which runs of a subject belong to one evening.
//
// A run that names its session belongs to that. The others go by rig and time: runs of one rig that
// start within six hours of each other are one session (an evening may pass midnight); so are
// imported runs without a rig.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "db/book.h"

namespace loadline {

/// Days without a run that end an evening: six hours. Chosen.
inline constexpr double kEveningGapDays = 0.25;

struct Session {
  std::string label;        ///< as entered; empty where date and rig tell
  std::string started_utc;  ///< of its first run; the date that begins the label, where one does
  double day = 0;  ///< the same in days since 1970-01-01, whole; 0 for all where one has no date
  std::vector<Run> runs;  ///< in order of time
};

/// Ended runs of a motor, machine or belt that no one put aside, by session, in order of time; only
/// those in `numbers` unless that is empty. Of a belt its top-speed runs, of a motor and a machine
/// what their fits read.
std::vector<Session> sessions_of(const Book& book, const Part& subject,
                                 const std::vector<std::int64_t>& numbers = {});

/// The session of each of these runs, which are in order of time, from 0 on as they come.
std::vector<std::size_t> evenings_of(const std::vector<Run>& runs);

/// The number of the session that each run belongs to, from 0 on; `numbers` are ended runs of the
/// subject that no one put aside.
std::vector<int> session_numbers(const Book& book, const Part& subject,
                                 const std::vector<std::int64_t>& numbers);

/// Days since 1970-01-01 of a date or time that begins as "2026-03-01"; empty for anything else.
std::optional<double> day_of(const std::string& text);

}  // namespace loadline
