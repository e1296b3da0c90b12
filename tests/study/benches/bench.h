// One bench: what was written down, how it was made, and what a fit should find.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "facts.h"
#include "tachometer.h"

namespace benches {

struct Bench {
  std::string family, kind;
  Facts truth;                      // result of the programs -> true value, in their units
  Facts o;                          // the instruments
  Facts info;                       // the shaft
  std::vector<double> added;        // kg·m², known inertia added, for each table
  Facts known;                      // what goes to the programs with the tables
  std::vector<std::string> tables;  // CSV text
  std::string json() const;
};

const std::vector<std::string>& families();
// The instruments that a family is made with.
std::vector<std::string> kinds_of(const std::string& family);

// The same for the same four values, always.
Bench make_bench(const std::string& family, const std::string& kind, std::uint64_t seed, int index);

Bench make_coast(const std::string& kind, Dice& dice);
Bench make_brake(const std::string& kind, Dice& dice);
Bench make_spin_up(const std::string& kind, Dice& dice);
Bench make_steady(const std::string& kind, Dice& dice);

// A number as a table shows it: no more decimals than the step that it was rounded to.
std::string shown(double value, double step);
// Table of time and speed, and of torque where one is given for each row.
std::string table_of(const std::string& speed_column, const std::vector<Row>& rows,
                     const Tachometer& tachometer, const std::vector<double>* torque = nullptr,
                     double torque_step = 1e-5);

}  // namespace benches
