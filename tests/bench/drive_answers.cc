// How long one drive answer with intervals takes: motors × machines × ratios, all in memory.
//   drive_answers MOTORS MACHINES RATIOS   prints the microseconds of one answer
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <random>

#include "db/basis/units.h"
#include "fit/drive/trade_off.h"
#include "tests/fit/drive/drive_bench.h"

using namespace loadline;

namespace {

struct Drawer {
  std::vector<Curve> motors, machines;
};

Drawer drawer(std::size_t motors, std::size_t machines) {
  Drawer result;
  std::mt19937_64 random(1);
  while (result.motors.size() < motors || result.machines.size() < machines) {
    test::RandomPair pair = test::random_pair(random, 0.01);
    pair.motor.degrees_of_freedom = 60;
    pair.machine.degrees_of_freedom = 40;
    if (result.motors.size() < motors) result.motors.push_back(pair.motor);
    if (result.machines.size() < machines) result.machines.push_back(pair.machine);
  }
  return result;
}

}  // namespace

int main(int argc, char** argv) {
  const auto count = [&](int k) { return argc > k ? std::strtoul(argv[k], nullptr, 10) : 20UL; };
  const Drawer parts = drawer(count(1), count(2));
  const std::size_t ratios = count(3);
  std::vector<double> wanted;
  for (std::size_t k = 0; k < ratios; ++k)
    wanted.push_back(4 + 8 * static_cast<double>(k) / static_cast<double>(ratios));

  // What the answers add up to is printed, so that none of them is optimised away.
  double sum = 0;
  const auto began = std::chrono::steady_clock::now();
  for (const Curve& motor : parts.motors)
    for (const Curve& machine : parts.machines) {
      const DriveDesk desk(test::question_of(motor, machine, 6));
      sum += answer(desk).lines.size() > 0;
      for (const TradeOffRow& row : trade_off(desk, wanted))
        sum += row.estimate(Figure::kHandwheelSpeed).high.value_or(0);
    }
  const std::chrono::duration<double, std::micro> took = std::chrono::steady_clock::now() - began;
  const double answers =
      static_cast<double>(parts.motors.size() * parts.machines.size() * (ratios + 1));
  std::printf("%.4f us per answer (%.0f answers, check %.6g)\n", took.count() / answers, answers,
              sum);
  return 0;
}
