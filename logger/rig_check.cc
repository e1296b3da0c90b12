#include "logger/rig_check.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <span>

#include "logger/zero_watch.h"

namespace loadline {
namespace {

constexpr std::int32_t kSaturated = (1 << 23) - 2;  // of a 24-bit converter, either end
constexpr double kRateTolerance =
    0.15;  // hobby converters clock themselves: some per cent is usual

double measured_rate(const RigCheckInput& input) {
  const auto& samples = input.samples;
  const double span = static_cast<double>(samples.back().tick - samples.front().tick);
  return span > 0 ? static_cast<double>(samples.size() - 1) * input.identity.tick_hz / span : 0;
}

std::string in_newton_metres(const RigCheckInput& input, double counts) {
  if (!input.calibration) return "";
  return fmt::format(
      " ({:.2g} mN·m)",
      1e3 * std::abs(counts * input.calibration->slope_n_per_count * input.calibration->arm_m));
}

ChannelCheck check_cell(const RigCheckInput& input) {
  ChannelCheck check{"load cell", "", true, {}};
  const auto mean = mean_counts(input.samples);
  if (!mean) {
    check.well = false;
    check.finding = "the converter is silent: check its supply, clock and data wires.";
    return check;
  }
  const double rate = measured_rate(input);
  const double nominal = input.identity.converter_millihertz * 1e-3;
  check.figures = {{"mean_counts", mean->mean_counts},
                   {"noise_counts", mean->sd_counts},
                   {"rate_hz", rate},
                   {"nominal_rate_hz", nominal}};
  check.finding = fmt::format("{:.0f} counts, noise {:.1f} counts{}, {:.2f} conversions a second",
                              mean->mean_counts, mean->sd_counts,
                              in_newton_metres(input, mean->sd_counts), rate);
  std::string fault;
  if (std::abs(mean->mean_counts) >= kSaturated)
    fault = "it stands at its end: overloaded, or a wire of the bridge is off";
  else if (mean->sd_counts == 0)
    fault = "it does not move by a single count, which no live bridge does: check its wires";
  else if (nominal > 0 && std::abs(rate / nominal - 1) > kRateTolerance)
    fault = fmt::format("the rig states {:.4g}: check the converter's rate pin", nominal);
  check.well = fault.empty();
  check.finding += fault.empty() ? "." : "; " + fault + ".";
  return check;
}

ChannelCheck check_tachometer(const RigCheckInput& input, const char* name, double pulses,
                              const std::optional<std::int64_t> Sample::*edges) {
  ChannelCheck check{name, "", true, {}};
  const std::int64_t counted = (input.samples.back().*edges).value_or(0);
  check.figures = {{"edges", counted}, {"pulses_per_turn", pulses}};
  check.finding = fmt::format("{} edges, {:.4g} pulses per turn stated", counted, pulses);
  if (!input.turns) {
    check.finding += counted == 0 ? "; nothing turned (check with --turns)." : ".";
    return check;
  }
  const double per_turn = static_cast<double>(counted) / *input.turns;
  check.figures["counted_per_turn"] = per_turn;
  // By hand a turn is known to a slot or so at each end.
  check.well = counted > 0 && std::abs(per_turn - pulses) * *input.turns <= 1.5;
  check.finding +=
      fmt::format("; {:.2f} pulses a turn over {:.4g} turns by hand: {}.", per_turn, *input.turns,
                  counted == 0 ? "the sensor sees nothing"
                  : check.well ? "confirmed"
                               : "does not agree, check disc and sensor");
  return check;
}

ChannelCheck check_slow(const RigCheckInput& input, const char* name, const char* unit,
                        const std::optional<std::int32_t> Sample::*counts, double factor,
                        double offset, double low, double high) {
  double sum = 0;
  std::size_t n = 0;
  for (const Sample& sample : input.samples) {
    if (!(sample.*counts)) continue;
    sum += *(sample.*counts);
    ++n;
  }
  ChannelCheck check{name, "", true, {}};
  const double value = n > 0 ? offset + factor * sum / static_cast<double>(n) : std::nan("");
  check.figures = {{"mean", json_number(value)}, {"unit", unit}};
  check.well = value >= low && value <= high;
  check.finding = fmt::format("{:.4g} {}{}", value, unit,
                              check.well ? "." : ", which cannot be: check the channel.");
  return check;
}

}  // namespace

std::vector<ChannelCheck> check_rig_channels(const RigCheckInput& input) {
  std::vector<ChannelCheck> checks;
  const WireIdentity& rig = input.identity;
  if (rig.channels & kWireLoadCell) checks.push_back(check_cell(input));
  if (rig.channels & kWireMotorTach)
    checks.push_back(check_tachometer(input, "motor tachometer", rig.motor_pulses_per_turn,
                                      &Sample::motor_edges));
  if (rig.channels & kWireHandwheelTach)
    checks.push_back(check_tachometer(input, "hand-wheel tachometer", rig.handwheel_pulses_per_turn,
                                      &Sample::handwheel_edges));
  if (rig.channels & kWireSupply)
    checks.push_back(check_slow(input, "supply", "V", &Sample::supply_counts,
                                rig.supply_v_per_count, 0, -1, 1000));
  if (rig.channels & kWireTemperature)
    checks.push_back(check_slow(input, "temperature", "°C", &Sample::temperature_counts,
                                rig.temperature_c_per_count, rig.temperature_c_offset, -40, 250));
  return checks;
}

}  // namespace loadline
