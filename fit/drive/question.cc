#include "fit/drive/question.h"

#include <cmath>

#include "db/basis/error.h"

namespace loadline {
namespace {

bool positive(const Uncertain& x) { return x.value > 0 && std::isfinite(x.value) && x.sd >= 0; }

bool with_pulleys(const DriveQuestion& question) {
  return question.motor_diameter && question.hand_diameter;
}

}  // namespace

std::string DriveQuestion::fault() const {
  if (!motor || !motor->equation) return "the motor has no curve.";
  if (!machine || !machine->equation) return "the machine has no curve.";
  if (with_pulleys(*this) ? !positive(*motor_diameter) || !positive(*hand_diameter)
                          : !positive(ratio))
    return "the ratio must be a number above 0 (motor speed over hand-wheel speed, usually 3 to "
           "12).";
  if (what_if_diameter && !with_pulleys(*this))
    return "another motor pulley needs today's pulleys (--motor-pulley and --hand-pulley) to "
           "compare with; with --ratio give --what-if-ratio.";
  if ((what_if_diameter && !positive(*what_if_diameter)) ||
      (what_if_ratio && !positive(*what_if_ratio)))
    return "the ratio asked about must be above 0.";
  if (seen_top_speed && !positive(*seen_top_speed)) return "the top speed seen must be above 0.";
  if (!(slip.value > -1 && slip.value < 1)) return "the slip must be below 100 per cent.";
  if (belt_seen && !(positive(belt_seen->motor_speed) && positive(belt_seen->speed_quotient)))
    return "the belt's top-speed runs show no speed.";
  if (!std::isfinite(belt_loss.value)) return "the belt loss must be a number.";
  return {};
}

DriveDesk::DriveDesk(const DriveQuestion& question) : question_(question) {
  if (const std::string fault = question.fault(); !fault.empty()) throw Error(Fault::kInput, fault);
  add_sources();
  const int inputs = sources_.size();
  setup_.emplace(DriveSetup{DriveCurve(*question.motor, places_.motor, inputs),
                            DriveCurve(*question.machine, places_.machine, inputs),
                            {},
                            {},
                            {}});
  lay_line(*setup_, [&](double value, int place) { return sources_.input(value, place); });
  if (question.belt_seen) add_belt_warnings();
  setup_->motor = moved_to_supply(setup_->motor, question.supply, question.motor_name, warnings_);
}

void DriveDesk::add_sources() {
  const DriveQuestion& q = question_;
  places_.motor = sources_.add("motor curve", q.motor->covariance, q.motor->degrees_of_freedom);
  places_.machine =
      sources_.add("machine curve", q.machine->covariance, q.machine->degrees_of_freedom);
  const auto add = [&](const char* name, const Uncertain& x) {
    return sources_.add(name, x.sd, x.degrees_of_freedom);
  };
  if (with_pulleys(q)) {
    places_.motor_diameter = add("motor pulley", *q.motor_diameter);
    places_.hand_diameter = add("hand pulley", *q.hand_diameter);
  } else {
    places_.ratio = add("ratio", q.ratio);
  }
  places_.slip = add("belt slip", q.slip);
  places_.belt_loss = add("belt loss", q.belt_loss);
  if (q.belt_seen) {
    places_.seen_motor_speed = add("belt runs, motor speed", q.belt_seen->motor_speed);
    places_.seen_quotient = add("belt runs, slip", q.belt_seen->speed_quotient);
    if (q.belt_seen->ratio) places_.seen_ratio = add("belt runs, ratio", *q.belt_seen->ratio);
  }
  if (q.what_if_diameter) places_.what_if = add("new pulley", *q.what_if_diameter);
  if (q.what_if_ratio) places_.what_if = add("new ratio", *q.what_if_ratio);
  if (q.seen_top_speed) places_.seen = add("speed seen", *q.seen_top_speed);
}

template <class Input>
void DriveDesk::lay_line(DriveSetup& setup, Input input) const {
  setup.line.slip = input(question_.slip.value, places_.slip);
  setup.line.belt_loss = input(question_.belt_loss.value, places_.belt_loss);
  if (!places_.hand_diameter) {
    setup.line.ratio = input(question_.ratio.value, places_.ratio);
  } else {
    const Propagated hand = input(question_.hand_diameter->value, *places_.hand_diameter);
    setup.line.ratio = hand / input(question_.motor_diameter->value, *places_.motor_diameter);
    if (question_.what_if_diameter)
      setup.what_if_ratio = hand / input(question_.what_if_diameter->value, places_.what_if);
  }
  if (question_.what_if_ratio)
    setup.what_if_ratio = input(question_.what_if_ratio->value, places_.what_if);
  if (question_.seen_top_speed)
    setup.seen_top_speed = input(question_.seen_top_speed->value, places_.seen);
  if (question_.belt_seen) lay_belt(setup, input);
}

// Expects the motor's curve as it was fitted, not yet moved to another supply.
template <class Input>
void DriveDesk::lay_belt(DriveSetup& setup, Input input) const {
  const BeltSeen& seen = *question_.belt_seen;
  const Propagated motor_speed = input(seen.motor_speed.value, places_.seen_motor_speed);
  const Propagated quotient = input(seen.speed_quotient.value, places_.seen_quotient);
  const Propagated ratio =
      seen.ratio ? input(seen.ratio->value, places_.seen_ratio) : setup.line.ratio;
  setup.line.slip = 1.0 - ratio * quotient;
  if (!seen.with_loss) return;
  const bool moves = seen.supply_v && setup.motor.supply_v() && supports_voltage(setup.motor);
  const DriveCurve motor =
      moves ? with_voltage(setup.motor, *seen.supply_v / *setup.motor.supply_v()) : setup.motor;
  setup.line.belt_loss =
      motor.torque(motor_speed) - setup.machine.torque(motor_speed * quotient) / ratio;
}

// Slip and loss below zero are what scatter and wrong diameters make of a good belt.
void DriveDesk::add_belt_warnings() {
  const auto too_low = [&](const Propagated& x) { return x.value < -2 * sources_.sd(x); };
  if (too_low(setup_->line.slip))
    warnings_.push_back(
        "the belt's runs show the hand wheel faster than the pulleys' ratio allows; check the "
        "effective diameters (--pitch-mm of the pulleys).");
  if (too_low(setup_->line.belt_loss))
    warnings_.push_back(
        "the belt's runs were faster than the curves allow without any belt loss; check the "
        "curves, the supply voltage and the diameters.");
}

DriveSetup DriveDesk::drawn(const Eigen::VectorXd& change) const {
  const Curve &motor = *question_.motor, &machine = *question_.machine;
  const auto part = [&](int first, const Curve& curve) -> Eigen::VectorXd {
    return change.segment(first, curve.parameters.size());
  };
  DriveSetup setup{DriveCurve(motor).moved(part(places_.motor, motor)),
                   DriveCurve(machine).moved(part(places_.machine, machine)),
                   {},
                   {},
                   {}};
  lay_line(setup, [&](double value, int place) { return Propagated(value + change[place]); });
  setup.motor = setup_->motor.moved_by_inputs(change);  // to the supply as well
  return setup;
}

}  // namespace loadline
