// The numbers of fit/curves/*_constants.h while a program moves them; see fit/curves/chosen.h.
#pragma once

#include <deque>
#include <string>

namespace loadline::study {

struct Movable {
  std::string name;  ///< "motor.kEquation"
  double value, usual;
};

/// All of them. References into it stay: the constants are such.
std::deque<Movable>& movables();

}  // namespace loadline::study
