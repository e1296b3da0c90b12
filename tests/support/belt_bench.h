// A made belt session whose truth is known: slip checks and top-speed runs as rows of a tachometer,
// with run-up, ripple of the turn, noise correlated in time, a wandering supply, a drift and the
// scatter of setting a belt anew. Shares no code with the programs.
#pragma once

#include <cstdint>
#include <map>
#include <random>
#include <string>
#include <vector>

#include "db/book.h"

namespace loadline::bench {

struct BeltTruth {
  std::string name;
  double factor = 1;  ///< its top speed against the others'
};

struct SessionTruth {
  std::vector<BeltTruth> belts;
  std::vector<std::pair<std::string, double>> pulleys{{"small", 1.0}};  ///< name, speed factor
  int repeats = 3;             ///< of each belt on each pulley
  double top_rpm = 1000;       ///< hand wheel, at 230 V
  double repeat_sd = 0.01;     ///< relative, from run to run (belt set anew)
  double supply_sd = 0.01;     ///< relative, from run to run
  double supply_effect = 0.8;  ///< d ln n / d ln V
  double drift = 0;            ///< relative, over the whole session
  double ratio = 7;
  double creep_rpm = 900;
  double creep_sd = 0.04;   ///< relative, from slip check to slip check
  double creep_effect = 0;  ///< d ln n / d ln creep speed, which a looser belt has
  int wrong_settings = 0;   ///< of the first runs: six times or two fifths of the creep speed
  double noise_sd = 0.006;  ///< relative, of single readings
  double noise_correlation = 0.9;  ///< from reading to reading
  double ripple = 0.02;            ///< relative, twice a turn
  double run_up_s = 0.6;           ///< time constant
  double run_s = 9, rate_hz = 20;
  bool mixed_order = true;
  bool supply_channel = true;  ///< else the run names the supply
  bool motor_channel = true;
};

/// One run's rows, for tests that spoil a session.
std::vector<ImportedReading> top_speed_rows(const SessionTruth& truth, double speed_rpm,
                                            double supply_v, std::mt19937_64& engine);
std::vector<ImportedReading> slip_rows(const SessionTruth& truth, double creep_rpm,
                                       std::mt19937_64& engine);

/// Writes rows as a finished run and returns its number.
std::int64_t store(Book& book, Run run, const std::vector<ImportedReading>& rows);

/// Fills `book` with machine "attic", motor "drum", the belts, pulleys and all runs.
void play_session(Book& book, const SessionTruth& truth, std::uint64_t seed);

}  // namespace loadline::bench
