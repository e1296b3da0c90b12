// Do the limits hold when a motor does something that nobody thought of when they were set? What an
// equation leaves open is a set of chosen numbers (fit/equations/motor_constants.h). Here they are
// settled anew on sessions from which one mechanism is missing, by one factor for all of them: the
// least at which 95 % of those sessions' results are held. Then sessions with the mechanism are
// counted with that factor.
//
//   left_out brake|spin-up|magnets|coast SESSIONS SEED [WITHOUT [TYPE]]
//
// prints a line for each result of each session (without WITHOUT nothing is missing): by which
// equation, how far off, half its limits (logarithms; of coast-downs relative), and the share of
// their square that is open. What is open adds to the variance, so that the limits for a factor
// follow from these. left_out.py plays all and makes the table of README.md. `magnets`: brake runs
// of a permanent-magnet motor; TYPE is what its owner entered it as.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <iostream>
#include <map>
#include <string>
#include <vector>

#include "db/basis/units.h"
#include "firmware-protocol/simrig/truth.h"
#include "fit/drags/drag_constants.h"
#include "fit/drags/drag_fit.h"
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

void line(std::uint64_t seed, const std::string& model, const char* name, double off, double half,
          double open) {
  fmt::print("{},{},{},{:.6f},{:.6f},{:.4f}\n", seed, model, name, off, half, open);
}

void tell_motor(Session& session, std::uint64_t seed, const std::string& type) {
  if (Part motor = session.motor(); !type.empty()) {
    motor.fields["type"] = type;
    session.book().update(motor);
  }
  const MotorFit fit = fit_motor(session.book(), session.motor());
  if (!fit.not_described.empty()) throw Error(Fault::kInput, fit.not_described);
  const study::PlayedRun& run = session.runs().front();
  const auto truth = simrig::motor_truth_at_terminals(
      run.scenario.motor, run.scenario.supply,
      fit.curve.supply_v.value_or(run.scenario.supply.volts), run.recording.winding_c);
  const double rpm = rpm_from_rad_per_s(1);
  const double true_values[kResults] = {truth.stall_torque, rpm * truth.no_load_speed,
                                        truth.peak_power, rpm * truth.peak_power_speed};
  const std::vector<Estimate> results = results_of(fit);
  const std::vector<double> open = open_in(fit);
  for (std::size_t k = 0; k < kResults; ++k)
    if (results[k].value && std::isfinite(half_of(results[k])))
      line(seed, fit.curve.model, kNames[k], std::log(*results[k].value / true_values[k]),
           half_of(results[k]), open[k]);
}

void tell_drag(Session& session, std::uint64_t seed) {
  const DragFit fit = fit_drag(session.book(), session.machine());
  if (!fit.not_described.empty()) throw Error(Fault::kInput, fit.not_described);
  const study::PlayedRun& run = session.runs().front();
  const simrig::MachineSpec& machine = run.scenario.machine;
  const double t = fit.curve.coverage_factor();
  const auto tell = [&](const char* name, const Estimate& result, double truth, double open) {
    if (!result.value || !result.low) return;
    const double half = (*result.high - *result.low) / 2 / truth;
    line(seed, fit.curve.model, name, *result.value / truth - 1, half,
         std::min(1.0, std::pow(t * open * *result.value / truth / half, 2)));
  };
  const double bump_nm = machine.seam_j / (2 * kPi);  // its mean over the turn
  tell("c0", fit.c0, machine.c0_nm + bump_nm, drag_chosen::kOpenC0);
  tell("c1", fit.c1, machine.c1_nms, drag_chosen::kOpenC1);
  tell("c2", fit.c2, machine.c2_nms2, drag_chosen::kOpenC2);
  tell("inertia", fit.inertia, run.recording.handwheel_side_inertia, drag_chosen::kOpenInertia);
}

// A session that is refused, or that no curve describes, says so and gives no line.
void tell(const std::string& what, std::uint64_t seed, const Words& overrides,
          const std::string& type) {
  const Kind kind = what == "coast"     ? Kind::kCoastPair
                    : what == "spin-up" ? Kind::kSpinUp
                                        : Kind::kBrake;
  try {
    Session session(kind, seed, overrides);
    kind == Kind::kCoastPair ? tell_drag(session, seed) : tell_motor(session, seed, type);
  } catch (const Error& error) {
    fmt::print(stderr, "session {}: {}\n", seed, error.what());
  }
}

const std::map<std::string, Words> kOff = {
    {"nothing", {}},
    {"brushes", {"motor.brush_v=0"}},
    {"fan", {"motor.friction_c2_nms2=0"}},
    {"saturation", {"motor.saturation_a=0"}},
    {"alternating current", {"supply.hz=0"}},
    {"wandering supply", {"supply.wander_percent=0"}},
    {"warmth of the winding", {"motor.copper_per_k=0"}},
    {"warmth of the magnets", {"motor.magnet_per_k=0"}},
    {"ripple", {"machine.ripple1_nm=0", "machine.ripple2_nm=0"}},
    {"bump in the turn", {}},
    {"uneven discs", {"handwheel_tach.uneven=0"}},
    {"wrong clock", {"rig.clock_ppm=0"}}};

// A mechanism that is driven in a sixth of the turn only: a ripple of many harmonics, where the fit
// knows two. Its mean is some 2 % of the drag.
const char* const kBump = "machine.seam_j=0.006";

Words overrides_of(const std::string& what, const std::string& without) {
  Words words = kOff.at(without);
  if (what == "coast" && without != "bump in the turn") words.emplace_back(kBump);
  if (what != "magnets") return words;
  words.insert(words.end(), {"motor.kind=permanent-magnet", "motor.ke_vs=0.245",
                             "motor.resistance_ohm=165", "motor.leakage_h=0.02", "supply.hz=0"});
  if (without != "warmth of the magnets") words.emplace_back("motor.magnet_per_k=-0.002");
  return words;
}

}  // namespace

int main(int argc, char** argv) {
  const Words given(argv + 1, argv + argc);
  const std::string without = given.size() > 3 ? given[3] : "nothing";
  if (given.size() < 3 || given.size() > 5 || kOff.count(without) == 0)
    return std::cerr << "left_out brake|spin-up|magnets|coast SESSIONS SEED [WITHOUT [TYPE]]\n", 2;
  const std::uint64_t first = std::stoull(given[2]);
  for (std::uint64_t i = 0; i < std::stoull(given[1]); ++i)
    tell(given[0], first + i, overrides_of(given[0], without), given.size() > 4 ? given[4] : "");
}
