#include "fit/drive/figures/question.h"

#include <cmath>

#include "db/basis/error.h"
#include "fit/curves/curve.h"
#include "fit/drive/load_lines/drive_constants.h"

namespace loadline {
namespace {

using namespace drive_chosen;

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

bool DriveDesk::has_law() const {
  return question_.belt_seen && question_.belt_seen->motor_pulley &&
         question_.belt_seen->hand_pulley;
}

DriveDesk::DriveDesk(const DriveQuestion& question) : question_(question) {
  if (const std::string fault = question.fault(); !fault.empty()) throw Error(Fault::kInput, fault);
  add_sources();
  const int inputs = sources_.size();
  setup_.emplace(DriveSetup{DriveCurve(*question.motor, places_.motor, inputs),
                            DriveCurve(*question.machine, places_.machine, inputs),
                            {},
                            {},
                            {},
                            {}});
  const auto input = [&](double value, int place) { return sources_.input(value, place); };
  const auto motor_at = [&](const Curve& curve, int place) {
    return DriveCurve(curve, place, inputs);
  };
  setup_->motor.set_lost(input(lost_.value, places_.lost));
  if (question.marks) setup_->marks = DriveCurve(*question.marks, places_.marks, inputs);
  lay_line(*setup_, input);
  if (question.belt_seen) {
    sight_ = sight_of(*question.belt_seen, places_.belt, *setup_, input, motor_at);
    for (std::size_t k = 0; k < places_.elsewhere.size(); ++k)
      elsewhere_.push_back(
          sight_of(question.belt_elsewhere[k], places_.elsewhere[k], *setup_, input, motor_at));
    if (has_law()) narrow_exponents();
    lay_belt(*setup_, *sight_, exponents_, input);
    add_belt_warnings();
  }
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
    if (q.motor_pulley) places_.pulleys[q.motor_pulley] = *places_.motor_diameter;
    if (q.hand_pulley) places_.pulleys[q.hand_pulley] = *places_.hand_diameter;
  } else {
    places_.ratio = add("ratio", q.ratio);
  }
  places_.slip = add("belt slip", q.slip);
  places_.creep = add("belt creep", q.creep);
  places_.belt_loss = add("belt loss", q.belt_loss);
  const double slips = q.belt_seen && q.belt_seen->creep_speed ? kCapacitySd : 0;
  places_.capacity = add("belt capacity", q.belt_capacity.value_or(Uncertain{0, slips}));
  if (q.what_if_diameter) places_.what_if = add("new pulley", *q.what_if_diameter);
  if (q.what_if_ratio) places_.what_if = add("new ratio", *q.what_if_ratio);
  if (q.seen_top_speed) places_.seen = add("speed seen", *q.seen_top_speed);
  if (q.belt_seen) places_.belt = add_seen(*q.belt_seen);
  if (has_law()) add_law_sources();
  lost_ = lost_share(q.motor->model, q.motor->supply_v);
  places_.lost = sources_.add(kLostSource, lost_.sd);
  if (q.marks)
    places_.marks = sources_.add("pedal marks", q.marks->covariance, q.marks->degrees_of_freedom);
  if (has_law()) add_elsewhere();  // as far as there is room
}

DriveDesk::SeenPlaces DriveDesk::add_seen(const BeltSeen& seen) {
  const auto add = [&](const char* name, const Uncertain& x) {
    return sources_.add(name, x.sd, x.degrees_of_freedom);
  };
  SeenPlaces places;
  places.motor_speed = add("belt runs, motor speed", seen.motor_speed);
  places.quotient = add("belt runs, slip", seen.speed_quotient);
  if (seen.creep_speed) places.creep_speed = add("slip checks", *seen.creep_speed);
  if (seen.ratio) places.ratio = add("belt runs, ratio", *seen.ratio);
  const auto pulley = [&](const std::optional<KnownPulley>& one) {
    if (!one) return 0;
    const auto known = places_.pulleys.find(one->id);
    if (one->id && known != places_.pulleys.end()) return known->second;
    const int place = add("belt runs, pulley", one->diameter);
    if (one->id) places_.pulleys[one->id] = place;
    return place;
  };
  places.motor_pulley = pulley(seen.motor_pulley);
  places.hand_pulley = pulley(seen.hand_pulley);
  places.motor = places_.motor;
  if (seen.motor && seen.motor != question_.motor) {
    if (!places_.motors.contains(seen.motor))
      places_.motors[seen.motor] = sources_.add("belt runs, their motor", seen.motor->covariance,
                                                seen.motor->degrees_of_freedom);
    places.motor = places_.motors[seen.motor];
  }
  return places;
}

void DriveDesk::add_law_sources() {
  places_.loss_exponent = sources_.add("belt loss over pulleys", kLossExponentSd);
  places_.slip_exponent = sources_.add("belt slip over pulleys", kSlipExponentSd);
  places_.load_share = sources_.add("belt slip over load", kLoadShareSd);
  const bool other = question_.belt_seen->motor && question_.belt_seen->motor != question_.motor;
  places_.other_loss = sources_.add("belt loss, another motor", other ? kOtherMotorLoss : 0);
  places_.other_slip = sources_.add("belt slip, another motor", other ? kOtherMotorSlip : 0);
}

void DriveDesk::add_elsewhere() {
  for (const BeltSeen& seen : question_.belt_elsewhere) {
    constexpr int kOfItsOwn = 5;  // three speeds, two pulleys
    const auto curve = seen.motor ? seen.motor->parameters.size() : 0;
    if (sources_.size() + kOfItsOwn + static_cast<int>(curve) > Sources::kMost) break;
    places_.elsewhere.push_back(add_seen(seen));
  }
}

// What the runs on further pulleys leave of the published exponents' doubt. A pair of pulleys whose
// motor has no curve tells of its slip alone.
void DriveDesk::narrow_exponents() {
  const auto narrow = [&](BeltQuantity quantity, int place) {
    std::vector<SeenQuantity> seen;
    std::vector<Propagated> errors;
    const auto take = [&](const BeltSeen& runs, const BeltSight& sight) {
      const auto loss = runs.with_loss ? std::optional(sight.loss.value) : std::nullopt;
      const auto shown =
          shown_quantity(quantity, sight.motor_diameter.value, sight.hand_diameter.value, loss,
                         sight.slip.value, sight.torque.value);
      if (!shown) return false;
      seen.push_back(shown->seen);
      errors.push_back(shown->by_loss * (sight.loss - sight.loss.value) +
                       shown->by_slip * (sight.slip - sight.slip.value) +
                       shown->by_torque * (sight.torque - sight.torque.value));
      return true;
    };
    // Without the pair that the question leans on there is nothing to compare with.
    if (take(*question_.belt_seen, *sight_))
      for (std::size_t k = 0; k < elsewhere_.size(); ++k)
        take(question_.belt_elsewhere[k], elsewhere_[k]);
    const auto count = static_cast<Eigen::Index>(seen.size());
    Eigen::MatrixXd covariance(count, count);
    for (Eigen::Index row = 0; row < count; ++row)
      for (Eigen::Index column = 0; column < count; ++column)
        covariance(row, column) = sources_.covariance(errors[static_cast<std::size_t>(row)],
                                                      errors[static_cast<std::size_t>(column)]);
    const NarrowedExponent found = narrowed_exponent(quantity, seen, covariance);
    Propagated exponent = sources_.input(found.value, place);
    for (Eigen::Index k = 0; k < count; ++k)
      exponent = exponent + Propagated(found.by_seen[k]) * errors[static_cast<std::size_t>(k)];
    sources_.set_sd(place, std::hypot(found.own_sd, kExponentDeparts));
    return exponent;
  };
  exponents_.loss = narrow(BeltQuantity::kLoss, places_.loss_exponent);
  exponents_.slip = narrow(BeltQuantity::kSlip, places_.slip_exponent);
}

template <class Input>
void DriveDesk::lay_line(DriveSetup& setup, Input input) const {
  setup.line.slip = input(question_.slip.value, places_.slip);
  setup.line.creep = input(question_.creep.value, places_.creep);
  setup.line.belt_loss = input(question_.belt_loss.value, places_.belt_loss);
  if (question_.belt_capacity)
    setup.line.capacity = input(question_.belt_capacity->value, places_.capacity);
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

// Expects the motor's curve as it was fitted, not yet moved to another supply.
template <class Input, class MotorAt>
BeltSight DriveDesk::sight_of(const BeltSeen& seen, const SeenPlaces& places,
                              const DriveSetup& setup, Input input, MotorAt motor_at) const {
  const Propagated motor_speed = input(seen.motor_speed.value, places.motor_speed);
  const Propagated quotient = input(seen.speed_quotient.value, places.quotient);
  BeltSight sight;
  Propagated ratio = setup.line.ratio;
  if (seen.motor_pulley && seen.hand_pulley) {
    sight.motor_diameter = input(seen.motor_pulley->diameter.value, places.motor_pulley);
    sight.hand_diameter = input(seen.hand_pulley->diameter.value, places.hand_pulley);
    ratio = sight.hand_diameter / sight.motor_diameter;
  } else if (seen.ratio) {
    ratio = input(seen.ratio->value, places.ratio);
  }
  sight.slip = 1.0 - ratio * quotient;
  sight.torque = setup.machine.torque(motor_speed * quotient) / ratio;
  if (!seen.with_loss) return sight;
  const bool own = places.motor == places_.motor;
  const DriveCurve as_fitted = own ? setup.motor : motor_at(*seen.motor, places.motor);
  const bool moves = seen.supply_v && as_fitted.supply_v() && supports_voltage(as_fitted);
  const DriveCurve motor =
      moves ? with_voltage(as_fitted, *seen.supply_v / *as_fitted.supply_v()) : as_fitted;
  sight.loss = motor.torque(motor_speed) - sight.torque;
  if (seen.creep_speed)
    sight.capacity = motor.torque(input(seen.creep_speed->value, places.creep_speed)) - sight.loss;
  return sight;
}

template <class Input>
void DriveDesk::lay_belt(DriveSetup& setup, const BeltSight& sight, const BeltExponents& exponents,
                         Input input) const {
  std::optional<Propagated> capacity;
  if (sight.capacity) capacity = *sight.capacity * input(1, places_.capacity);
  if (!has_law()) {
    setup.line.slip = sight.slip;
    if (question_.belt_seen->with_loss) setup.line.belt_loss = sight.loss;
    setup.line.capacity = capacity;
    return;
  }
  BeltLaw law{sight, exponents, input(kLoadShare, places_.load_share), sight.hand_diameter};
  law.seen.capacity = capacity;
  law.seen.loss = sight.loss * input(1, places_.other_loss);
  law.seen.slip = sight.slip * input(1, places_.other_slip);
  if (places_.hand_diameter)
    law.hand_diameter = input(question_.hand_diameter->value, *places_.hand_diameter);
  setup.line.belt = std::make_shared<const BeltLaw>(std::move(law));
  setup.line = at_ratio(setup.line, setup.line.ratio);
}

// Slip and loss below zero are what scatter and wrong diameters make of a good belt.
void DriveDesk::add_belt_warnings() {
  const auto too_low = [&](const Propagated& x) { return x.value < -2 * sources_.sd(x); };
  if (too_low(sight_->slip))
    warnings_.push_back(
        "the belt's runs show the hand wheel faster than the pulleys' ratio allows; check the "
        "effective diameters (--pitch-mm of the pulleys).");
  if (question_.belt_seen->with_loss && too_low(sight_->loss))
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
                   {},
                   {}};
  if (setup_->marks) setup.marks = setup_->marks->moved_by_inputs(change);
  const auto input = [&](double value, int place) { return Propagated(value + change[place]); };
  setup.motor.set_lost(input(lost_.value, places_.lost));
  lay_line(setup, input);
  if (question_.belt_seen) {
    const auto motor_at = [&](const Curve& curve, int place) {
      return DriveCurve(curve).moved(part(place, curve));
    };
    const auto drawn_exponent = [&](const Propagated& x) {
      return x.by.size() == 0 ? x : Propagated(x.value + x.by.dot(change));
    };
    lay_belt(setup, sight_of(*question_.belt_seen, places_.belt, setup, input, motor_at),
             {drawn_exponent(exponents_.loss), drawn_exponent(exponents_.slip)}, input);
  }
  setup.motor = setup_->motor.moved_by_inputs(change);  // to the supply as well
  return setup;
}

}  // namespace loadline
