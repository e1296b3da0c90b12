#include "logger/cautions.h"

namespace loadline {
namespace {

constexpr const char* kMains =
    "- The motor is on mains voltage: earth what is metal, use a residual-current device, and "
    "never touch wiring that is plugged in. Local electrical codes and licensed practice rule.\n"
    "- Loadline switches nothing. Keep the switch of the supply within reach of your hand.\n";

}  // namespace

std::string cautions_before(RunKind kind) {
  switch (kind) {
    case RunKind::kBrake:
      return std::string("Before a brake run:\n") + kMains +
             "- The brake, the motor and the belt get hot; hair, sleeves and cords stay away from "
             "all that turns.\n"
             "- A motor that is held at standstill overheats in seconds: brake to standstill for "
             "two seconds at most, and let it cool.\n";
    case RunKind::kSpinUp:
      return std::string("Before a spin-up:\n") + kMains +
             "- A flywheel that comes loose is a projectile: check its screw, stay out of its "
             "plane, and keep below the speed that it was made for.\n"
             "- It goes on turning after switching off; let it run out.\n";
    case RunKind::kSlipCheck:
      return std::string("Before a slip check:\n") + kMains +
             "- The hand wheel is held by a stop or a clamp, never by hand; needle, hook and "
             "take-up are free of fingers, and the needle is out.\n"
             "- Full voltage for two seconds at most: belt and motor heat up at once.\n";
    default:
      return {};
  }
}

std::string general_cautions() {
  return "Cautions: motors here run on mains voltage, machines have moving belts and needles, and "
         "a held rotor overheats in seconds. Isolate the rig's electronics from the mains, use a "
         "residual-current device, guard what turns, and keep the supply switch within reach. "
         "Local electrical codes and licensed practice take precedence over anything said here. "
         "Loadline controls no mains voltage itself.";
}

}  // namespace loadline
