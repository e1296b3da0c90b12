// Names with values, in order, on their way into a JSON file.
#pragma once

#include <string>
#include <utility>
#include <vector>

namespace benches {

class Facts {
 public:
  void add(const std::string& name, double value);
  void add(const std::string& name, int value);
  void add(const std::string& name, const std::string& word);  // needs no escaping
  void add(const std::string& name, const char* word) { add(name, std::string(word)); }
  void add(const std::string& name, const std::vector<double>& values);
  void add(const std::string& name, const Facts& facts);
  std::string json() const;

 private:
  std::vector<std::pair<std::string, std::string>> facts_;
};

}  // namespace benches
