#include "tests/study/movable.h"

namespace loadline {

std::deque<study::Movable>& study::movables() {
  static std::deque<Movable> all;
  return all;
}

double& chosen(const char* name, double value);
double& chosen(const char* name, double value) {
  study::movables().push_back({name, value, value});
  return study::movables().back().value;
}

}  // namespace loadline
