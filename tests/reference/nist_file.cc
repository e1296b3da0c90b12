#include "nist_file.h"

#include <algorithm>
#include <cmath>
#include <fstream>
#include <limits>
#include <map>
#include <sstream>
#include <stdexcept>

#include "tests/support/tests_folder.h"

namespace loadline::reference {
namespace {

constexpr std::size_t kFirstDataLine = 60;  // line 61 in every file

std::vector<std::string> lines_of(const std::string& path) {
  std::ifstream file(path);
  if (!file) throw std::runtime_error("cannot read " + path);
  std::vector<std::string> lines;
  for (std::string line; std::getline(file, line);) {
    while (!line.empty() && (line.back() == '\r' || line.back() == ' ')) line.pop_back();
    lines.push_back(line);
  }
  return lines;
}

std::vector<std::string> words_of(const std::string& line) {
  std::istringstream stream(line);
  std::vector<std::string> words;
  for (std::string word; stream >> word;) words.push_back(word);
  return words;
}

double number(const std::string& word) {
  return word == "Infinity" ? std::numeric_limits<double>::infinity() : std::stod(word);
}

bool coefficient_row(const std::vector<std::string>& words) {
  return words.size() == 3 && words[0].size() > 1 && words[0][0] == 'B' &&
         std::isdigit(words[0][1]) != 0;
}

}  // namespace

NistLinear read_nist_linear(const std::string& name) {
  const auto lines = lines_of(tests_folder() + "/reference/nist/linear/" + name + ".dat");
  NistLinear set;
  for (std::size_t i = 0; i < lines.size(); ++i) {
    const auto words = words_of(lines[i]);
    if (words.empty()) continue;
    if (i >= kFirstDataLine) {
      std::vector<long double> row;
      for (const auto& word : words) row.push_back(std::stold(word));
      set.rows.push_back(row);
    } else if (coefficient_row(words)) {
      set.coefficients.push_back(number(words[1]));
      set.sds.push_back(number(words[2]));
    } else if (words[0] == "R-Squared") {
      set.r_squared = number(words[1]);
    } else if (words.size() == 3 && words[0] == "Standard" && words[1] == "Deviation") {
      set.residual_sd = number(words[2]);
    } else if (words.size() == 5 && words[0] == "Regression") {
      set.f_statistic = number(words[4]);
    } else if (words.size() == 4 && words[0] == "Residual") {
      set.residual_ss = number(words[2]);
    }
  }
  return set;
}

NistAnova read_nist_anova(const std::string& name) {
  const auto lines = lines_of(tests_folder() + "/reference/nist/anova/" + name + ".dat");
  NistAnova set;
  std::map<int, std::vector<double>> groups;
  for (std::size_t i = 0; i < lines.size(); ++i) {
    const auto words = words_of(lines[i]);
    if (words.empty()) continue;
    if (i >= kFirstDataLine) {
      groups[std::stoi(words[0])].push_back(number(words[1]));
    } else if (words.size() == 6 && words[0] == "Between") {
      set.between_freedom = number(words[2]);
      set.between_ss = number(words[3]);
      set.f_statistic = number(words[5]);
    } else if (words.size() == 5 && words[0] == "Within") {
      set.within_freedom = number(words[2]);
      set.within_ss = number(words[3]);
    } else if (words.size() == 3 && words[0] == "Certified" && words[1] == "R-Squared") {
      set.r_squared = number(words[2]);
    } else if (words.size() == 3 && words[0] == "Standard" && words[1] == "Deviation") {
      set.residual_sd = number(words[2]);
    }
  }
  for (auto& [treatment, values] : groups) set.groups.push_back(std::move(values));
  return set;
}

double digits(double value, double certified) {
  if (value == certified) return 15;
  const double error = certified == 0 || !std::isfinite(certified)
                           ? std::fabs(value)
                           : std::fabs((value - certified) / certified);
  return std::clamp(-std::log10(error), 0.0, 15.0);
}

}  // namespace loadline::reference
