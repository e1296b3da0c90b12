#include "fit/belts/grooves/fit_check.h"

#include <fmt/format.h>

#include <cmath>

#include "db/basis/error.h"
#include "fit/belts/grooves/groove_constants.h"
#include "fit/belts/grooves/seat.h"

namespace loadline {
namespace {

using namespace belt_chosen;

struct Diameter {
  double mm = 0, sd_mm = 0;
  std::string how;
};

// Where the belt seats in this pulley, when both say enough.
std::optional<Seat> seat_of(const Part& belt, const Part& pulley) {
  std::string missing;
  const auto section = section_of(belt, missing);
  if (!section) return std::nullopt;
  auto groove = groove_of(pulley, missing);
  if (!groove && section->kind == BeltKind::kFlat) {
    groove = Groove{};
    groove->rim_mm = pulley.number("rim-mm").value_or(0);
  }
  if (!groove) return std::nullopt;
  try {
    return seat(*section, *groove);
  } catch (const Error&) {
    return std::nullopt;  // sizes that contradict each other give no seat
  }
}

std::optional<Diameter> diameter_of(const Part& pulley, const std::optional<Part>& belt,
                                    std::vector<std::string>& warnings) {
  const auto seated = belt ? seat_of(*belt, pulley) : std::nullopt;
  if (seated && !seated->fits)
    warnings.push_back(
        fmt::format("belt {} does not fit pulley {}: {}", belt->name, pulley.name, seated->reason));
  // Measured, it says what the belt does; the seat is only worked out from the sizes.
  if (const auto pitch = pulley.number("pitch-mm"))
    return Diameter{
        *pitch, 0.002 * *pitch,
        fmt::format("{} mm on {} (its pitch diameter)", significant(*pitch, 4), pulley.name)};
  if (seated && seated->effective_diameter.value) {
    const Estimate& d = seated->effective_diameter;
    return Diameter{*d.value, (*d.high - *d.low) / 2 / 1.96,
                    fmt::format("{} mm on {} (belt on its {})", significant(*d.value, 4),
                                pulley.name, ride_name(seated->ride))};
  }
  const auto rim = pulley.number("rim-mm");
  if (!rim) return std::nullopt;
  warnings.push_back(
      fmt::format("pulley {}: the rim stands in for the effective diameter, which is too large by "
                  "up to a belt's height; give its groove and a belt, or --pitch-mm",
                  pulley.name));
  return Diameter{*rim, 2.0 / std::sqrt(3.0),
                  fmt::format("{} mm on {} (its rim)", significant(*rim, 4), pulley.name)};
}

void add_bore(std::vector<std::string>& warnings, const std::optional<Part>& carrier,
              const std::optional<Part>& pulley) {
  if (!carrier || !pulley) return;
  const auto shaft = carrier->number("shaft-mm"), bore = pulley->number("bore-mm");
  if (!shaft || !bore) return;
  if (const auto mismatch =
          bore_mismatch(std::string(part_kind_name(carrier->kind)) + " " + carrier->name, *shaft,
                        pulley->name, *bore))
    warnings.push_back(*mismatch);
}

void add_seat(std::vector<std::string>& warnings, const std::optional<Part>& belt,
              const std::optional<Part>& pulley) {
  if (!belt || !pulley) return;
  const auto seated = seat_of(*belt, *pulley);
  if (!seated) return;
  if (!seated->fits)
    warnings.push_back(fmt::format("belt {} does not fit pulley {}: {}", belt->name, pulley->name,
                                   seated->reason));
  for (const std::string& warning : seated->warnings)
    warnings.push_back(fmt::format("belt {} on pulley {}: {}", belt->name, pulley->name, warning));
}

}  // namespace

std::optional<std::string> bore_mismatch(const std::string& shaft_of, double shaft_mm,
                                         const std::string& pulley, double bore_mm) {
  const double play = bore_mm - shaft_mm;
  if (play < -0.005)
    return fmt::format(
        "pulley {} (bore {} mm) does not go on the {} mm shaft of {}; use a pulley of "
        "its bore",
        pulley, significant(bore_mm, 4), significant(shaft_mm, 4), shaft_of);
  if (play > kMostPlayMm)
    return fmt::format(
        "pulley {} (bore {} mm) is loose by {:.2f} mm on the {} mm shaft of {}: it "
        "would run out of true; use a pulley of its bore or a sleeve",
        pulley, significant(bore_mm, 4), play, significant(shaft_mm, 4), shaft_of);
  return std::nullopt;
}

TrueRatio true_ratio(const Part& motor_pulley, const Part& hand_pulley,
                     const std::optional<Part>& belt) {
  TrueRatio result;
  const auto motor = diameter_of(motor_pulley, belt, result.warnings);
  const auto hand = diameter_of(hand_pulley, belt, result.warnings);
  const auto estimate = [](const std::optional<Diameter>& d) {
    return d ? Estimate::with_half_width(d->mm, 1.96 * d->sd_mm, "mm") : Estimate::unknown("mm");
  };
  result.ratio = Estimate::unknown("");
  result.motor_diameter = estimate(motor);
  result.hand_diameter = estimate(hand);
  if (!motor || !hand) {
    const Part& bare = motor ? hand_pulley : motor_pulley;
    result.reason = fmt::format(
        "pulley {} has no diameter in the book; give one with 'loadline-db set pulley \"{}\" "
        "--rim-mm' or --pitch-mm",
        bare.name, bare.name);
    return result;
  }
  const double value = hand->mm / motor->mm;
  result.relative_sd = std::hypot(motor->sd_mm / motor->mm, hand->sd_mm / hand->mm);
  result.ratio = Estimate::with_half_width(value, 1.96 * result.relative_sd * value, "");
  result.reason = hand->how + " over " + motor->how;
  return result;
}

std::optional<std::string> seat_mismatch(const Part& belt, const Part& pulley) {
  const auto seated = seat_of(belt, pulley);
  if (!seated || seated->fits) return std::nullopt;
  return fmt::format("belt {} does not fit pulley {}: {}", belt.name, pulley.name, seated->reason);
}

std::vector<std::string> fit_warnings(const std::optional<Part>& motor,
                                      const std::optional<Part>& machine,
                                      const std::optional<Part>& motor_pulley,
                                      const std::optional<Part>& hand_pulley,
                                      const std::optional<Part>& belt) {
  std::vector<std::string> warnings;
  add_bore(warnings, motor, motor_pulley);
  add_bore(warnings, machine, hand_pulley);
  add_seat(warnings, belt, motor_pulley);
  add_seat(warnings, belt, hand_pulley);
  return warnings;
}

}  // namespace loadline
