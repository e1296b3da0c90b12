// The LineReader for rigs that print lines of numbers instead of speaking the wire.
//
// A printed line has no checksum and no number: a digit that was changed on the way cannot be
// seen, so such a rig is trusted less than one that speaks the wire. What does not read exactly as
// described is thrown away and counted, never guessed.
#pragma once

#include <deque>
#include <string>

#include "logger/line/line_reader.h"
#include "logger/line/printed_columns.h"

namespace loadline {

class PrintedLineReader : public LineReader {
 public:
  /// `arm_m` is needed where a column is a force; without it Error(kInput). `from_the_start` is
  /// true for files and pipes; on a live line the first line is left out, since its beginning may
  /// be lost.
  PrintedLineReader(PrintedLine line, std::optional<double> arm_m, bool from_the_start);

  void take(std::span<const std::uint8_t> bytes, std::chrono::nanoseconds host_now,
            Haul& into) override;
  void finish(Haul& into) override;
  void line_was_cut() override;
  void begin_run() override;
  bool takes_commands() const override { return false; }
  bool introduced() const override { return counts_.whole > 0; }
  const std::optional<WireIdentity>& identity() const override { return no_identity_; }
  const std::optional<WireStatus>& status() const override { return no_status_; }
  bool rig_stopped() const override { return false; }
  bool rig_waits_for_start() const override { return false; }
  /// Events of such runs count microseconds.
  double tick_hz() const override { return 1e6; }
  LineCounts counts() const override { return counts_; }
  std::string damaged_example() const override { return damaged_example_; }

 private:
  void take_text(const std::string& text, Haul& into);
  void take_reading(const ImportedReading& printed, Haul& into);
  ImportedReading reading(const std::vector<double>& values) const;
  bool goes_on(double earlier_s, double later_s) const;
  void give_out(ImportedReading printed, Haul& into);
  void event(Haul& into, EventKind kind, double length_s, std::string detail) const;

  PrintedLine line_;
  double arm_m_ = 0;
  double time_factor_ = 1;
  std::string partial_;
  bool overlong_ = false;
  bool cut_in_;                          // the line now coming may have lost its beginning
  std::optional<ImportedReading> last_;  // as printed: times not yet moved to the run's start
  std::optional<ImportedReading> held_;
  double shift_s_ = 0;  // printed time + shift = time of the run
  double given_s_ = 0;  // time of the run of the last reading given out
  LineCounts counts_;
  std::string damaged_example_;
  std::optional<WireIdentity> no_identity_;
  std::optional<WireStatus> no_status_;
};

}  // namespace loadline
