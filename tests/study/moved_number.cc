// Where the chosen numbers of movable_fit get their values (db/basis/chosen.h): LOADLINE_CHOSEN
// holds one change, "choose.kSure=0.5"; "list" prints every number that there is.
#include <cstdlib>
#include <deque>
#include <iostream>
#include <string>

#include "db/basis/chosen.h"

namespace loadline {

double& chosen(const char* name, double value) {
  static std::deque<double> values;  // references into it stay
  const char* said = std::getenv("LOADLINE_CHOSEN");
  const std::string change = said ? said : "";
  if (change == "list") std::cerr << name << ' ' << value << '\n';
  const std::size_t equals = change.find('=');
  const bool meant = equals != std::string::npos && change.substr(0, equals) == name;
  return values.emplace_back(meant ? std::strtod(change.c_str() + equals + 1, nullptr) : value);
}

}  // namespace loadline
