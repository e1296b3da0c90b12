#include "tests/study/judgement.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>

#include "db/basis/units.h"
#include "firmware-protocol/simrig/truth.h"
#include "fit/drags/drag_fit.h"
#include "fit/motors/motor_fit.h"
#include "tests/study/naive.h"

namespace loadline::study {
namespace {

struct Judged {
  std::string name;
  double truth;
  Estimate ours, naive;
};

double mean_of(const std::vector<double>& values) {
  return std::accumulate(values.begin(), values.end(), 0.0) / static_cast<double>(values.size());
}

std::vector<Judged> judge_motor(Session& session, const std::vector<Estimate>& naive) {
  const MotorFit fit = fit_motor(session.book(), session.motor());
  const PlayedRun& run = session.runs().front();
  const auto truth = simrig::motor_truth_at_terminals(
      run.scenario.motor, run.scenario.supply,
      fit.curve.supply_v.value_or(run.scenario.supply.volts), run.recording.winding_c);
  const double rad_per_s = rad_per_s_from_rpm(1);
  return {{"stall torque", truth.stall_torque, fit.stall_torque, naive[0]},
          {"no-load speed", truth.no_load_speed, fit.no_load_speed.scaled(rad_per_s, "rad/s"),
           naive[1]},
          {"peak power", truth.peak_power, fit.peak_power, naive[2]},
          {"peak-power speed", truth.peak_power_speed,
           fit.peak_power_speed.scaled(rad_per_s, "rad/s"), naive[3]}};
}

// A spin-up has no torque readings: nothing that a naive fit of samples could start from.
std::vector<Estimate> nothing_naive() { return std::vector<Estimate>(4, Estimate::unknown("")); }

// What the hand wheel takes at two speeds of the measured range, belt loss included: a driven run
// cannot tell it from the machine's own.
std::vector<Judged> judge_driven(Session& session) {
  session.book().add_curve(to_stored(fit_motor(session.book(), session.motor()), session.motor()));
  const DragFit fit = fit_drag(session.book(), session.machine());
  const simrig::Scenario& scenario = session.runs().back().scenario;
  const double ratio = scenario.belt.ratio, t = fit.curve.coverage_factor();
  std::vector<Judged> judged;
  for (const double share : {0.4, 0.8}) {
    const double speed = fit.speed_low + share * (fit.speed_high - fit.speed_low);
    const double drag = scenario.machine.c0_nm +
                        speed * (scenario.machine.c1_nms + speed * scenario.machine.c2_nms2);
    const double belt = ratio * (scenario.belt.loss_nm + scenario.belt.loss_nms * speed * ratio);
    judged.push_back(
        {fmt::format("drag at {:.0f} % of the range", 100 * share), drag + belt,
         Estimate::with_half_width(fit.curve.torque(speed), t * fit.curve.torque_sd(speed), "N·m"),
         Estimate::unknown("")});
  }
  return judged;
}

std::vector<Judged> judge_coast(Session& session) {
  const DragFit fit = fit_drag(session.book(), session.machine());
  const simrig::MachineSpec& truth = session.runs().front().scenario.machine;
  const auto naive = naive_coast(session);
  return {
      {"c0", truth.c0_nm, fit.c0, naive[0]},
      {"c1", truth.c1_nms, fit.c1, naive[1]},
      {"c2", truth.c2_nms2, fit.c2, naive[2]},
      {"inertia", session.runs().front().recording.handwheel_side_inertia, fit.inertia, naive[3]},
      {"ripple", truth.ripple2_nm, fit.findings.front().ripple_nm, Estimate::unknown("")}};
}

std::vector<Judged> judge(Kind kind, Session& session) {
  switch (kind) {
    case Kind::kBrake:
      return judge_motor(session, naive_motor(session));
    case Kind::kCoastPair:
      return judge_coast(session);
    case Kind::kSpinUp:
      return judge_motor(session, nothing_naive());
    case Kind::kDriven:
      return judge_driven(session);
  }
  return {};
}

std::string line_of(std::uint64_t seed, const std::vector<Judged>& judged) {
  std::string line = fmt::format("{}", seed);
  for (const Judged& one : judged)
    line +=
        fmt::format("  {} {:.5g}: {:.5g} ({:.5g} to {:.5g}), naive {:.5g} ({:.5g} to {:.5g})",
                    one.name, one.truth, one.ours.value.value_or(NAN), one.ours.low.value_or(NAN),
                    one.ours.high.value_or(NAN), one.naive.value.value_or(NAN),
                    one.naive.low.value_or(NAN), one.naive.high.value_or(NAN));
  return line;
}

void count(const std::vector<Judged>& judged, std::vector<Tally>& tallies) {
  if (tallies.empty())
    for (const Judged& one : judged) tallies.push_back({one.name, {}, {}});
  for (std::size_t i = 0; i < judged.size(); ++i) {
    tallies[i].ours.add(judged[i].ours, judged[i].truth);
    tallies[i].naive.add(judged[i].naive, judged[i].truth);
  }
}

}  // namespace

void Score::add(const Estimate& estimate, double truth) {
  if (!estimate.value || !estimate.low || !estimate.high) {
    ++unknown;
    return;
  }
  ++sessions;
  held += *estimate.low <= truth && truth <= *estimate.high;
  errors.push_back(*estimate.value / truth - 1);
  half_widths.push_back((*estimate.high - *estimate.low) / 2 / std::abs(truth));
}

double Score::coverage() const {
  return sessions > 0 ? static_cast<double>(held) / sessions : std::nan("");
}

double Score::bias() const { return errors.empty() ? std::nan("") : mean_of(errors); }

double Score::rms() const {
  if (errors.empty()) return std::nan("");
  return std::sqrt(std::inner_product(errors.begin(), errors.end(), errors.begin(), 0.0) /
                   static_cast<double>(errors.size()));
}

double Score::half_width() const {
  if (half_widths.empty()) return std::nan("");
  std::vector<double> sorted = half_widths;
  std::sort(sorted.begin(), sorted.end());
  return sorted[sorted.size() / 2];
}

std::array<Kind, 4> studied_kinds() {
  return {Kind::kBrake, Kind::kCoastPair, Kind::kSpinUp, Kind::kDriven};
}

Study study(Kind kind, const StudyOptions& options) {
  Study result;
  for (int i = 0; i < options.sessions; ++i) {
    const std::uint64_t seed = options.first_seed + static_cast<std::uint64_t>(i);
    try {
      Session session(kind, seed, options.overrides);
      const auto judged = judge(kind, session);
      if (options.each) fmt::print(stderr, "{}\n", line_of(seed, judged));
      count(judged, result.tallies);
    } catch (const std::exception& error) {
      result.failures.push_back(fmt::format("session {}: {}", seed, error.what()));
    }
  }
  return result;
}

}  // namespace loadline::study
