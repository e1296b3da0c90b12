// Do the limits hold when a motor does something that nobody thought of when they were set? What an
// equation leaves open is a set of chosen numbers (fit/curves/motor_constants.h). Here they are
// settled anew on sessions from which one mechanism is missing, by one factor for all of them: the
// least at which 95 % of those sessions' results are held. Then sessions with the mechanism are
// counted with that factor.
//
//   left_out brake|spin-up|magnets SESSIONS SEED
//
// A session is fitted twice, with these numbers as they are and at nothing; the limits for a factor
// between follow from the two, since what is open adds to the variance. `magnets`: brake runs of a
// permanent-magnet motor. The table is in README.md.
#include <fmt/format.h>

#include <cmath>
#include <cstdlib>
#include <iostream>
#include <set>
#include <string>
#include <vector>

#include "db/basis/units.h"
#include "firmware-protocol/simrig/truth.h"
#include "fit/curves/motor_constants.h"
#include "fit/curves/motor_fit.h"
#include "tests/study/movable.h"
#include "tests/study/session.h"

namespace {

using namespace loadline;
using study::Kind;
using study::Session;
using Words = std::vector<std::string>;

const std::set<std::string> kOpen = {
    "motor.kEquation",       "motor.kPlaceOfPeak",  "motor.kStandstill",
    "motor.kStallNear",      "motor.kStallShape",   "motor.kSpinUpStandstill",
    "motor.kSpinUpPlace",    "motor.kSpinUpNoLoad", "motor.kWarmthLaw",
    "motor.kNoLoadShape",    "motor.kNoLoadBeyond", "motor.kPowerShape",
    "motor.kPowerSpeedShape"};

void set_open(double factor) {
  for (study::Movable& one : study::movables())
    if (kOpen.contains(one.name)) one.value = factor * one.usual;
}

constexpr int kResults = 4;
const char* const kNames[kResults] = {"standstill torque", "speed without load", "peak power",
                                      "its speed"};

// Of one result: how far off, and half its limits as they are and with nothing open; logarithms.
struct Seen {
  bool known = false;
  double off = 0, half = 0, least_half = 0;

  bool held(double factor) const {
    const double squares =
        least_half * least_half + factor * factor * (half * half - least_half * least_half);
    return off * off <= squares;
  }
};

double half_of(const Estimate& estimate) {
  return estimate.low && *estimate.low > 0 ? std::log(*estimate.high / *estimate.low) / 2
                                           : std::nan("");
}

std::vector<Estimate> results_of(const MotorFit& fit) {
  return {fit.stall_torque, fit.no_load_speed, fit.peak_power, fit.peak_power_speed};
}

// Empty where a session is refused.
std::vector<Seen> seen_in(Kind kind, std::uint64_t seed, const Words& overrides) {
  try {
    Session session(kind, seed, overrides);
    set_open(1);
    const MotorFit fit = fit_motor(session.book(), session.motor());
    set_open(0);
    const MotorFit closed = fit_motor(session.book(), session.motor());
    const study::PlayedRun& run = session.runs().front();
    const auto truth = simrig::motor_truth_at_terminals(
        run.scenario.motor, run.scenario.supply,
        fit.curve.supply_v.value_or(run.scenario.supply.volts), run.recording.winding_c);
    const double rpm = rpm_from_rad_per_s(1);
    const double true_values[kResults] = {truth.stall_torque, rpm * truth.no_load_speed,
                                          truth.peak_power, rpm * truth.peak_power_speed};
    std::vector<Seen> all;
    const std::vector<Estimate> results = results_of(fit), least = results_of(closed);
    for (std::size_t k = 0; k < kResults; ++k) {
      Seen& seen = all.emplace_back();
      if (!results[k].value || !least[k].value) continue;
      seen.half = half_of(results[k]);
      seen.least_half = half_of(least[k]);
      seen.off = std::log(*results[k].value / true_values[k]);
      seen.known = std::isfinite(seen.half) && std::isfinite(seen.least_half);
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
