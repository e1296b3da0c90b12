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
  if (!(slip.value >= 0 && slip.value < 1))
    return "the slip must be at least 0 and below 100 per cent.";
  if (!(belt_loss.value >= 0)) return "the belt loss must not be negative.";
  return {};
}

DriveDesk::DriveDesk(const DriveQuestion& question) : question_(question) {
  if (const std::string fault = question.fault(); !fault.empty()) throw Error(Fault::kInput, fault);
  const Curve &motor = *question.motor, &machine = *question.machine;
  places_.motor = sources_.add("motor curve", motor.covariance, motor.degrees_of_freedom);
  places_.machine = sources_.add("machine curve", machine.covariance, machine.degrees_of_freedom);
  const auto add = [&](const char* name, const Uncertain& x) {
    return sources_.add(name, x.sd, x.degrees_of_freedom);
  };
  if (with_pulleys(question)) {
    places_.motor_diameter = add("motor pulley", *question.motor_diameter);
    places_.hand_diameter = add("hand pulley", *question.hand_diameter);
  } else {
    places_.ratio = add("ratio", question.ratio);
  }
  places_.slip = add("belt slip", question.slip);
  places_.belt_loss = add("belt loss", question.belt_loss);
  if (question.what_if_diameter) places_.what_if = add("new pulley", *question.what_if_diameter);
  if (question.what_if_ratio) places_.what_if = add("new ratio", *question.what_if_ratio);
  if (question.seen_top_speed) places_.seen = add("speed seen", *question.seen_top_speed);

  const int inputs = sources_.size();
  setup_.emplace(DriveSetup{DriveCurve(motor, places_.motor, inputs),
                            DriveCurve(machine, places_.machine, inputs),
                            {},
                            {},
                            {}});
  setup_->motor = moved_to_supply(setup_->motor, question.supply, question.motor_name, warnings_);
  lay_line(*setup_, [&](double value, int place) { return sources_.input(value, place); });
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
  std::vector<std::string> said_before;
  setup.motor = moved_to_supply(setup.motor, question_.supply, question_.motor_name, said_before);
  lay_line(setup, [&](double value, int place) { return Propagated(value + change[place]); });
  return setup;
}

}  // namespace loadline
