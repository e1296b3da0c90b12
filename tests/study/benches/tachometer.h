// Instruments that make numbers of a turning shaft. Everything that they know of it is pulses (or,
// for an encoder, whole counts of angle).
#pragma once

#include <string>
#include <vector>

#include "dice.h"
#include "facts.h"
#include "motion.h"
#include "pulses.h"

namespace benches {

// When rows are written and what becomes of their times.
struct Rows {
  double rate = 20.0;        // a second
  double irregular = 0.0;    // standard deviation of an interval as a share of it
  int gaps = 0;              // stretches in which rows were lost
  double stamp_step = 1e-4;  // s, times are rounded to it
  double stamp_jitter = 0;   // s, standard deviation of a time's own error
};

struct Tachometer {
  std::string kind;  // one of tachometer_kinds()
  std::string base;  // the working principle, one of: between-edges, last-pulses, gate, voltage,
                     // smoothing, median, moving-average, hand, encoder
  Disc disc;
  Rows rows;
  int pulses_back = 1;        // last-pulses: over how many
  double gate = 0.1;          // s, gate and gate-pause: open
  double pause = 0.0;         // s, and shut
  bool own_pace = false;      // a row for each new value, instead of rows that poll
  double lag1 = 0, lag2 = 0;  // s, voltage: the two lags of the filter
  int bits = 12;              // voltage: of the converter
  double full_scale = 3000;   // rpm, voltage: of the converter
  double noise = 0.0;         // rpm, voltage: standard deviation
  double renew = 0.0;         // s, displays: how often they take a new value; 0: at each turn
  double share = 1.0;         // smoothing: of the new value
  int values = 3;             // median, moving-average: how many
  double digit = 0.01;        // rpm, last digit of the value
  double timeout = 0.0;  // s without a pulse after which zero is shown; 0: the last value stays

  // About how long its value trails the shaft at `rpm`, s; what a careful user allows for.
  double slowness(double rpm) const;
  Facts facts() const;
};

const std::vector<std::string>& tachometer_kinds();

// An instrument that suits a shaft of that top speed. `motor` chooses discs as they are found on
// motors (few marks, fast) instead of hand wheels.
Tachometer draw_tachometer(const std::string& kind, double top_rpm, bool motor, Dice& dice);

struct Row {
  double latched = 0.0;  // s, when the value was taken
  double stamp = 0.0;    // s, what the table says
  double rpm = 0.0;
};

// Rows from `begin` to `end` s, none before the instrument has its first value.
std::vector<Row> read(const Tachometer& tachometer, const Motion& motion, double begin, double end,
                      Dice& dice);

}  // namespace benches
