#include "facts.h"

#include <cstdio>

namespace benches {

namespace {

std::string number(double x) {
  char text[32];
  std::snprintf(text, sizeof text, "%.9g", x);
  return text;
}

}  // namespace

void Facts::add(const std::string& name, double value) { facts_.emplace_back(name, number(value)); }

void Facts::add(const std::string& name, int value) {
  facts_.emplace_back(name, std::to_string(value));
}

void Facts::add(const std::string& name, const std::string& word) {
  facts_.emplace_back(name, '"' + word + '"');
}

void Facts::add(const std::string& name, const std::vector<double>& values) {
  std::string list;
  for (const double x : values) list += (list.empty() ? "" : ", ") + number(x);
  facts_.emplace_back(name, '[' + list + ']');
}

void Facts::add(const std::string& name, const Facts& facts) {
  facts_.emplace_back(name, facts.json());
}

std::string Facts::json() const {
  std::string text;
  for (const auto& [name, value] : facts_)
    text += (text.empty() ? "\"" : ", \"") + name + "\": " + value;
  return '{' + text + '}';
}

}  // namespace benches
