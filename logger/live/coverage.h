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
  /// What to do next: "below" (too few points under `to_rpm`), "between" (…from `from_rpm` on) or
  /// "all" (enough everywhere); empty before anything turned. Rounded to tens: no hand brakes to
  /// the last turn.
  struct Hint {
    std::string kind;
    double from_rpm = 0, to_rpm = 0;
  };
  Hint hint() const;

 private:
  std::vector<double> speeds_;
  double highest_ = 0;
};

}  // namespace loadline
