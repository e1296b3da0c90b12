#include "fit/readings/noise/usual_step.h"

#include <algorithm>

#include "fit/readings/noise/noise.h"

namespace loadline {

std::size_t telling_stride(std::size_t size) {
  constexpr std::size_t kEnough = 20000;
  return std::max<std::size_t>(1, size / kEnough);
}

UsualStep::UsualStep(std::size_t count) : stride_(telling_stride(count)) {}

void UsualStep::add(double time_s) {
  if (seen_ > 0 && (seen_ - 1) % stride_ == 0) steps_.push_back(time_s - last_);
  last_ = time_s;
  ++seen_;
}

double UsualStep::median() const { return loadline::median(steps_); }

double usual_step(std::span<const double> time_s) {
  std::vector<double> steps;
  for (std::size_t i = 1; i < time_s.size(); i += telling_stride(time_s.size()))
    steps.push_back(time_s[i] - time_s[i - 1]);
  return median(std::move(steps));
}

std::size_t block_for(std::size_t rows, std::size_t most) {
  return most == 0 ? 1 : std::max<std::size_t>(1, (rows + most - 1) / most);
}

}  // namespace loadline
