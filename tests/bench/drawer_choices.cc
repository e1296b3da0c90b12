// How long a choice takes: motors × motor pulleys × hand pulleys × belts, all in memory, with every
// aim asked for.
//   drawer_choices MOTORS MOTOR_PULLEYS HAND_PULLEYS BELTS   prints the seconds of one choice
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <random>

#include "fit/choose/choice.h"
#include "tests/fit/drive/drive_bench.h"

using namespace loadline;

namespace {

Part part(PartKind kind, std::size_t number, const char* role = nullptr) {
  Part result;
  result.kind = kind;
  result.id = static_cast<std::int64_t>(number);
  result.name = part_kind_name(kind) + std::to_string(number);
  if (role) result.fields["role"] = std::string(role);
  return result;
}

Drawer drawer(std::size_t motors, std::size_t small, std::size_t large, std::size_t belts) {
  Drawer result;
  std::mt19937_64 random(1);
  result.machine = part(PartKind::kMachine, 1);
  result.machine.fields["stroke-mm"] = 30.0;
  result.machine_curve = std::make_shared<const Curve>(test::random_pair(random, 0.01).machine);
  for (std::size_t k = 0; k < motors; ++k) {
    DrawerMotor motor;
    motor.part = part(PartKind::kMotor, k + 1);
    Curve curve = test::random_pair(random, 0.01).motor;
    curve.supply_v = 230;
    curve.degrees_of_freedom = 60;
    motor.curve = std::make_shared<const Curve>(curve);
    motor.rig = 1;
    motor.scale_sd = 0.002;
    result.motors.push_back(motor);
  }
  for (std::size_t k = 0; k < small + large; ++k)
    result.pulleys.push_back(part(PartKind::kPulley, k + 1, k < small ? "motor" : "hand"));
  const auto mm = [](double value) { return Uncertain{value * 1e-3, value * 2e-6}; };
  const auto pair = [&](std::size_t s, std::size_t l) {
    return Diameters{mm(14 + 12.0 * static_cast<double>(s) / static_cast<double>(small)),
                     mm(80 + 40.0 * static_cast<double>(l) / static_cast<double>(large))};
  };
  for (std::size_t b = 0; b < belts; ++b) {
    result.belts.push_back(part(PartKind::kBelt, b + 1));
    BeltRuns runs;
    runs.belt = result.belts.back().id;
    runs.motor = 1;
    runs.pulleys = {1, static_cast<std::int64_t>(small + 1)};
    runs.seen.motor_speed = {500, 0.5, 20};
    const double slip = 0.01 + 0.001 * static_cast<double>(b);
    runs.seen.speed_quotient = {(1 - slip) / pair(0, 0).ratio(), 2e-5, 20};
    runs.seen.with_loss = true;
    result.seen.push_back(runs);
    result.seen_diameters.push_back(pair(0, 0));
    for (std::size_t s = 0; s < small; ++s)
      for (std::size_t l = 0; l < large; ++l)
        result.mountings.push_back({s, small + l, b, pair(s, l)});
  }
  result.belts_measured = belts > 0;
  for (std::size_t m = 0; m < motors; ++m)
    for (std::size_t k = 0; k < result.mountings.size(); ++k)
      result.candidates.push_back({m, k, *result.mountings[k].belt});
  return result;
}

}  // namespace

int main(int argc, char** argv) {
  const auto count = [&](int k) { return argc > k ? std::strtoul(argv[k], nullptr, 10) : 10UL; };
  const Drawer parts = drawer(count(1), count(2), count(3), count(4));
  Aims aims;
  aims.least_rpm = 500;
  aims.most_motor_rpm = 9000;
  aims.least_needle_n = 60;
  aims.slow_spm = 100;
  aims.most_drop_percent = 60;
  aims.extra_nm = 0.02;
  const auto began = std::chrono::steady_clock::now();
  const DrawerChoice choice = choose(parts, aims);
  const std::chrono::duration<double> took = std::chrono::steady_clock::now() - began;
  std::size_t sure = 0;
  for (const Choice& one : choice.choices) sure += one.chance >= kSure;
  std::printf("%.4f s for %zu candidates (%zu sure, first right %.3f)\n", took.count(),
              choice.choices.size(), sure, choice.choices.front().right);
  return 0;
}
