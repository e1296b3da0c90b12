// One subject over its sessions: its main figure evening by evening, how the evenings scatter, a
// trend, and changes, entered or found.
//
// The figure is a motor's peak power, a machine's drag at its usual top speed (the median of the
// highest speeds that its runs saw), a belt's top speed against that of the other belts. The file
// changes.h says how the sessions are judged.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "fit/curves/sessions.h"
#include "fit/history/changes.h"

namespace loadline {

struct HistorySession {
  std::string started_utc, label;
  std::vector<std::int64_t> runs;
  Estimate value;  ///< unknown where the session gives none
};

struct HistoryChange {
  std::string on;  ///< "2026-03-01": of the event, else of the first session that shows it
  Estimate percent;
  std::optional<std::string> event;
  bool found = false;  ///< by itself
};

struct History {
  PartKind kind = PartKind::kMachine;
  std::string name;
  std::string figure;               ///< "drag at 1,650 rpm", in words
  std::optional<double> speed_rpm;  ///< at which a machine's drag is taken
  std::vector<HistorySession> sessions;
  Estimate between_sessions_percent, trend_percent_per_year;
  /// Standard deviation from run to run within an evening, per cent; unknown where none repeats.
  Estimate between_runs_percent;
  std::vector<HistoryChange> changes;
  Estimate another_evening;  ///< of the figure; limits empty with one session
  bool could_look = false;
  std::optional<double> findable_percent;
  std::vector<PartEvent> events;  ///< all that were entered
  std::vector<std::string> warnings;
};

/// Motor, machine or belt. Error(kInput) when it has no usable run, with what to record.
History history_of(const Book& book, const Part& subject);

/// The contract's document.
Json to_json(const History& history);
/// What happened, in one or a few plain sentences.
std::string summary_of(const History& history);
/// A page of text of at most 80 columns, the finding first.
std::string to_text(const History& history);

}  // namespace loadline
