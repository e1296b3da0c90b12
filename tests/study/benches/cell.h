// A load cell and its converter.
#pragma once

#include <functional>
#include <vector>

#include "dice.h"
#include "facts.h"

namespace benches {

struct Cell {
  double lag = 0.0;     // s, of arm, cell and amplifier: first order
  double rate = 10.0;   // conversions a second
  int window = 1;       // conversions that a value is the mean of
  double late = 0.0;    // s from the end of that window until the value is there
  double noise = 0.0;   // N·m, of each value
  double drift = 0.0;   // N·m, of the zero from begin to end: a straight line
  double wander = 0.0;  // N·m, of the zero beside that: noise of long memory
  double digit = 1e-4;  // N·m, last digit

  double slowness() const;  // s, about how long its value trails the torque
  Facts facts() const;
};

Cell draw_cell(double most_torque, Dice& dice);

// What the cell says at each of the rising times `at`; `torque` is the true one over time.
std::vector<double> weigh(const Cell& cell, const std::function<double(double)>& torque,
                          double begin, double end, const std::vector<double>& at, Dice& dice);

}  // namespace benches
