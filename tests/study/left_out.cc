// Do the limits hold when a motor does something that nobody thought of when they were set? What an
// equation leaves open is a set of chosen numbers (fit/equations/motor_constants.h). Here they are
// settled anew on sessions from which one mechanism is missing, by one factor for all of them: the
// least at which 95 % of those sessions' results are held. Then sessions with the mechanism are
// counted with that factor.
//
//   left_out brake|spin-up|magnets SESSIONS SEED
//
// What is open adds to the variance, so that the limits for a factor follow from a fit's own and
// its budget. `magnets`: brake runs of a permanent-magnet motor. The table is in README.md.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <iostream>
#include <string>
#include <vector>

#include "db/basis/units.h"
#include "firmware-protocol/simrig/truth.h"
#include "fit/motors/motor_fit.h"
#include "tests/study/session.h"

namespace {

using namespace loadline;
using study::Kind;
using study::Session;
using Words = std::vector<std::string>;

constexpr int kResults = 4;
const char* const kNames[kResults] = {"standstill torque", "speed without load", "peak power",
                                      "its speed"};

// Of one result: how far off, half its limits, and the share of their square that is open.
struct Seen {
  bool known = false;
  double off = 0, half = 0, open = 0;  // off and half: logarithms

  bool held(double factor) const {
    return off * off <= half * half * (1 - open + factor * factor * open);
  }
};

double half_of(const Estimate& estimate) {
  return estimate.low && *estimate.low > 0 ? std::log(*estimate.high / *estimate.low) / 2
                                           : std::nan("");
}

std::vector<Estimate> results_of(const MotorFit& fit) {
  return {fit.stall_torque, fit.no_load_speed, fit.peak_power, fit.peak_power_speed};
}

// By the last lines of the budget: the equation, and all together.
std::vector<double> open_in(const MotorFit& fit) {
  const BudgetLine &all = fit.budget.back(), &equation = fit.budget[fit.budget.size() - 2];
  const auto share = [](double part, double whole) {
    return std::clamp(part * part / (whole * whole), 0.0, 1.0);
  };
  return {share(equation.stall_torque, all.stall_torque),
          share(equation.no_load_speed, all.no_load_speed),
          share(equation.peak_power, all.peak_power),
          share(equation.peak_power_speed, all.peak_power_speed)};
}

// Empty where a session is refused.
std::vector<Seen> seen_in(Kind kind, std::uint64_t seed, const Words& overrides) {
  try {
    Session session(kind, seed, overrides);
    const MotorFit fit = fit_motor(session.book(), session.motor());
    const study::PlayedRun& run = session.runs().front();
    const auto truth = simrig::motor_truth_at_terminals(
        run.scenario.motor, run.scenario.supply,
        fit.curve.supply_v.value_or(run.scenario.supply.volts), run.recording.winding_c);
    const double rpm = rpm_from_rad_per_s(1);
    const double true_values[kResults] = {truth.stall_torque, rpm * truth.no_load_speed,
                                          truth.peak_power, rpm * truth.peak_power_speed};
    std::vector<Seen> all;
    const std::vector<Estimate> results = results_of(fit);
    const std::vector<double> open = open_in(fit);
    for (std::size_t k = 0; k < kResults; ++k) {
      Seen& seen = all.emplace_back();
      if (!results[k].value) continue;
      seen.half = half_of(results[k]);
      seen.open = open[k];
      seen.off = std::log(*results[k].value / true_values[k]);
      seen.known = std::isfinite(seen.half) && std::isfinite(seen.open);
    }
    return all;
  } catch (const Error& error) {
    fmt::print(stderr, "session {}: {}\n", seed, error.what());
    return {};
  }
}

struct World {
  std::string without;
  Words overrides;
  std::vector<std::vector<Seen>> sessions;

  // Share that is held, of one result or of all.
  double held(double factor, int result = -1) const {
    double held = 0, all = 0;
    for (const auto& session : sessions)
      for (int k = 0; k < static_cast<int>(session.size()); ++k) {
        const Seen& seen = session[static_cast<std::size_t>(k)];
        if (!seen.known || (result >= 0 && k != result)) continue;
        held += seen.held(factor);
        all += 1;
      }
    return all > 0 ? held / all : std::nan("");
  }
  // The least factor at which 95 % are held, in twentieths.
  double settled() const {
    for (int twentieths = 0; twentieths < 60; ++twentieths)
      if (held(twentieths / 20.0) >= 0.95) return twentieths / 20.0;
    return 3;
  }
};

std::vector<World> worlds_of(const std::string& what) {
  if (what == "magnets") {
    const Words motor = {
        "motor.kind=permanent-magnet", "motor.ke_vs=0.16", "motor.resistance_ohm=75",
        "motor.leakage_h=0.02",        "supply.hz=0",      "motor.magnet_per_k=-0.002"};
    std::vector<World> worlds = {{"nothing", motor, {}}};
    for (const auto& [name, off] :
         {std::pair("warmth of the magnets", "motor.magnet_per_k=0"),
          std::pair("brushes", "motor.brush_v=0"), std::pair("fan", "motor.friction_c2_nms2=0"),
          std::pair("warmth of the winding", "motor.copper_per_k=0"),
          std::pair("wandering supply", "supply.wander_percent=0")}) {
      worlds.push_back({name, motor, {}});
      worlds.back().overrides.emplace_back(off);
    }
    return worlds;
  }
  return {{"nothing", {}, {}},
          {"brushes", {"motor.brush_v=0"}, {}},
          {"fan", {"motor.friction_c2_nms2=0"}, {}},
          {"saturation", {"motor.saturation_a=0"}, {}},
          {"alternating current", {"supply.hz=0"}, {}},
          {"wandering supply", {"supply.wander_percent=0"}, {}},
          {"warmth of the winding", {"motor.copper_per_k=0"}, {}}};
}

}  // namespace

int main(int argc, char** argv) {
  if (argc != 4) return std::cerr << "left_out brake|spin-up|magnets SESSIONS SEED\n", 2;
  const std::string what = argv[1];
  const int count = std::atoi(argv[2]);
  const std::uint64_t first = std::strtoull(argv[3], nullptr, 10);
  const Kind kind = what == "spin-up" ? Kind::kSpinUp : Kind::kBrake;
  std::vector<World> worlds = worlds_of(what);
  fmt::print("| settled without | factor | held there | with it: held |");
  for (const char* name : kNames) fmt::print(" {} |", name);
  fmt::print("\n| --- | --- | --- | --- | --- | --- | --- | --- |\n");
  for (World& world : worlds) {
    for (int i = 0; i < count; ++i)
      world.sessions.push_back(
          seen_in(kind, first + static_cast<std::uint64_t>(i), world.overrides));
    const World& with = worlds.front();
    const double factor = world.settled();
    fmt::print("| {} | {:.2f} | {:.1f} % | {:.1f} % |", world.without, factor,
               100 * world.held(factor), 100 * with.held(factor));
    for (int k = 0; k < kResults; ++k) fmt::print(" {:.1f} % |", 100 * with.held(factor, k));
    fmt::print("\n");
    std::fflush(stdout);
  }
  fmt::print("as they are: held");
  for (const World& world : worlds)
    fmt::print(" {:.1f} % ({}),", 100 * world.held(1), world.without);
  fmt::print("\n");
}
