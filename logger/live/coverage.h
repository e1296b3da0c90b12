// Which speeds a brake run has reached so far, and where points are still missing.
#pragma once

#include <string>
#include <vector>

namespace loadline {

/// The measured speed range in ten equal parts from standstill to the highest speed seen.
class SpeedCoverage {
 public:
  static constexpr int kParts = 10;
  static constexpr int kEnough = 5;  ///< readings that make a part covered

  void take(double rpm);
  void clear();
  double highest_rpm() const { return highest_; }
  /// Readings in each part, slowest first.
  std::vector<int> counts() const;
  /// What to do next, for people: "Slowly through 3,000 to 4,500 rpm." Empty before anything
  /// turned.
  std::string hint() const;

 private:
  std::vector<double> speeds_;
  double highest_ = 0;
};

}  // namespace loadline
