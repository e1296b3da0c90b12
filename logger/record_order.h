// An order to record one run, and what came of it: shared by `record`, the belt plan and the page.
#pragma once

#include <memory>
#include <optional>
#include <string>

#include "logger/mounting.h"
#include "logger/recording.h"
#include "logger/rig_line.h"
#include "logger/run_quality.h"
#include "logger/slip_verdict.h"

namespace loadline {

struct RecordOrder {
  RunKind kind = RunKind::kBrake;
  Mounting mounting;
  std::optional<double> for_s;
  double replug_s = 10;
  double standstill_limit_s = 2;
  double slip_limit_s = 2;
  std::optional<double> slip_target_rpm;
  double slip_band_percent = kUsualSlipBandPercent;
  std::string save_capture;
  bool of_sound = false;  ///< from a sound input, which is no rig of the book
};

struct RecordReport {
  Run run;
  RecordingResult result;
  RunQuality quality;
  std::optional<SlipVerdict> slip;
  std::string next;  ///< the next command to type
  bool has_load_cell = false;
  std::string damaged_example;
  std::optional<SoundFindings> sound;
};

/// Checks the order against the book and the rig, records, judges a slip check. A `rig` with id 0
/// is entered into the book as the rig on the line describes itself. Cautions are the caller's.
/// Errors as in Recording; a run that ended by a fault is reported, not thrown.
RecordReport carry_out(const RecordOrder& order, Book& book, const Part& rig, RigLine& line,
                       Clock& clock, Attendant& attendant);

/// What the rig lacks for this kind of run ("a load cell"); empty when it has all.
std::string rig_lacks(RunKind kind, const WireIdentity& rig);

/// The rig's newest zero, whether taken alone, before or after a run; empty when the calibration is
/// newer still, for then its own zero counts.
std::optional<Zero> newest_zero(const Book& book, const Part& rig);

/// What the book knows of the rig for live figures: calibration and newest zero.
LiveScale live_scale(const Book& book, const Part& rig);

Json to_json(const RecordReport& report);
/// Some lines for people.
std::string summary(const RecordReport& report);
/// Throws Error(kRig) or Error(kBook) when the run did not end as it should.
void throw_fault(const RecordReport& report);

}  // namespace loadline
