#include "fit/choose/prediction/prediction.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <map>

#include "db/basis/error.h"
#include "db/basis/units.h"
#include "fit/drive/load_lines/drive_constants.h"
#include "fit/drive/points/steadiness.h"
#include "fit/motors/motor_results.h"

namespace loadline {
namespace {

using namespace drive_chosen;

Pedal pedal_of(const DriveCurve& motor) {
  return supports_pedal(motor, Pedal::kResistance) ? Pedal::kResistance : Pedal::kVoltage;
}

bool beyond(const DriveCurve& curve, double speed) {
  return speed > curve.high() * (1 + kEdge) || speed < curve.low() * (1 - kEdge);
}

// A value with its derivatives by the joint inputs.
struct JointValue {
  double value = 0;
  SparseBy by;
};

// What a belt's runs showed.
struct SeenBelt {
  JointValue loss, slip, torque;
  std::optional<JointValue> capacity;
};

// How a belt goes with its pulleys and its load.
struct BeltHabits {
  JointValue loss_exponent, slip_exponent, load_share;
  int other_loss = 0, other_slip = 0;  // places of what another motor does to it
  int capacity = 0;                    // and of what a slip check leaves open
};

// A belt in one candidate, as its question takes it.
struct BeltThere {
  JointValue slip, creep, loss;
  std::optional<JointValue> capacity;
};

}  // namespace

class Predictor::Inside {
 public:
  Inside(const Drawer& drawer, const Aims& aims, std::size_t draws, std::uint64_t seed)
      : drawer_(drawer), aims_(aims) {
    const auto stroke = drawer.machine.number("stroke-mm");
    if (aims.least_needle_n && !stroke)
      throw Error(Fault::kInput,
                  fmt::format("the needle's force needs its stroke; run: loadline-db set machine "
                              "'{}' --stroke-mm S",
                              drawer.machine.name));
    lay_out();
    for (std::size_t k = 0; k < drawer.seen.size(); ++k) belts_.push_back(seen_belt(k));
    for (const BeltRuns& one : drawer.seen)
      if (!habits_.contains(one.belt)) habits_[one.belt] = habits_of(one.belt);
    joint_.draw(draws, seed);
    warn_of_supplies();
  }

  Prediction predict(const Candidate& candidate) const;

  const Joint& joint() const { return joint_; }
  std::pair<int, int> motor_places(std::size_t motor) const {
    return {motors_[motor].first, static_cast<int>(drawer_.motors[motor].curve->parameters.size())};
  }
  std::pair<int, int> machine_places() const {
    return {machine_.first, static_cast<int>(drawer_.machine_curve->parameters.size())};
  }
  const std::vector<std::string>& warnings() const { return warnings_; }

 private:
  // One standard deviate that moves all parameters of a curve together: its place and by how much.
  struct Level {
    int place;
    Eigen::VectorXd by;
  };
  struct CurvePlaces {
    int first = 0;
    std::optional<Level> rig;      // arm and calibration, shared by all motors of the rig
    std::optional<Level> evening;  // how another evening lies from those of the runs
    std::optional<int> lost;       // what of another supply makes no torque
  };

  CurvePlaces places_of(const Curve& curve, const Eigen::MatrixXd& own);

  void lay_out();
  void warn_of_supplies();
  SeenBelt seen_belt(std::size_t seen) const;
  DriveQuestion question_of(std::size_t motor, const Diameters& diameters) const;
  // Derivatives by a desk's sources as ones by the joint inputs; with what another evening does, or
  // without where it is of the evening that was seen.
  SparseBy joined(const DriveDesk& desk, const Propagated& x, std::size_t motor,
                  std::size_t motor_pulley, std::size_t hand_pulley, const BeltThere& belt,
                  bool evening) const;
  BeltHabits habits_of(std::int64_t belt);
  JointValue exponent_of(BeltQuantity quantity, std::int64_t belt);
  JointValue diameter_of(const Uncertain& diameter, std::int64_t pulley) const;
  BeltThere belt_there(const Candidate& candidate) const;
  std::size_t pulley_place(std::int64_t id) const;
  using Columns = std::vector<const Propagated*>;
  Eigen::MatrixXd derivatives(const DriveDesk& desk, const Columns& columns,
                              const Candidate& candidate, const BeltThere& belt) const;
  void put_figures(const Columns& columns, const Eigen::MatrixXd& by, Eigen::Index figures,
                   Prediction& result) const;

  const Drawer& drawer_;
  const Aims& aims_;
  Joint joint_;
  std::vector<CurvePlaces> motors_;
  std::map<std::int64_t, int> pulleys_;  // by row of the book
  struct SeenPlaces {
    int motor_speed = 0, quotient = 0;
    std::optional<int> creep_speed;
  };
  std::vector<SeenPlaces> seen_places_;
  std::map<std::int64_t, BeltHabits> habits_;  // by belt
  CurvePlaces machine_;
  std::vector<SeenBelt> belts_;
  std::vector<std::string> warnings_;
};

Predictor::Inside::CurvePlaces Predictor::Inside::places_of(const Curve& curve,
                                                            const Eigen::MatrixXd& own) {
  CurvePlaces places;
  places.first = joint_.add(own, curve.degrees_of_freedom);
  if (const auto& another = curve.another_evening)
    places.evening = Level{joint_.add_standard(another->degrees_of_freedom),
                           another->relative_sd * by_torque_scale(curve)};
  return places;
}

void Predictor::Inside::lay_out() {
  std::map<std::int64_t, int> rigs;
  for (const DrawerMotor& motor : drawer_.motors) {
    Eigen::MatrixXd own = motor.curve->covariance;
    std::optional<Level> rig;
    if (motor.rig && motor.scale_sd > 0) {
      if (!rigs.contains(motor.rig)) rigs[motor.rig] = joint_.add_standard();
      rig = Level{rigs[motor.rig], motor.scale_sd * by_torque_scale(*motor.curve)};
      own -= rig->by * rig->by.transpose();
    }
    motors_.push_back(places_of(*motor.curve, own));
    motors_.back().rig = rig;
    if (aims_.supply_v) motors_.back().lost = joint_.add_standard();
  }
  machine_ = places_of(*drawer_.machine_curve, drawer_.machine_curve->covariance);
  for (const Part& pulley : drawer_.pulleys) pulleys_[pulley.id] = joint_.add_standard();
  for (const BeltRuns& one : drawer_.seen) {
    const auto place = [&](const Uncertain& x) {
      return joint_.add(Eigen::MatrixXd::Constant(1, 1, x.sd * x.sd), x.degrees_of_freedom);
    };
    const int speed = place(one.seen.motor_speed);
    seen_places_.push_back({speed, place(one.seen.speed_quotient), {}});
    if (one.seen.creep_speed) seen_places_.back().creep_speed = place(*one.seen.creep_speed);
  }
}

void Predictor::Inside::warn_of_supplies() {
  if (aims_.supply_v) return;
  double least = 0, most = 0;
  for (const DrawerMotor& motor : drawer_.motors) {
    const auto volts = motor.curve->supply_v;
    if (!volts) continue;
    least = least == 0 ? *volts : std::min(least, *volts);
    most = std::max(most, *volts);
  }
  if (most > 1.01 * least)
    warnings_.push_back(
        fmt::format("The motors' curves stand for supplies from {} to {} V; give --supply-v to "
                    "compare them on one.",
                    significant(least, 4), significant(most, 4)));
}

DriveQuestion Predictor::Inside::question_of(std::size_t motor, const Diameters& diameters) const {
  const DrawerMotor& one = drawer_.motors[motor];
  DriveQuestion question;
  question.motor_name = one.part.name;
  question.machine_name = drawer_.machine.name;
  question.motor = one.curve.get();
  question.machine = drawer_.machine_curve.get();
  question.motor_diameter = diameters.motor;
  question.hand_diameter = diameters.hand;
  return question;
}

SparseBy Predictor::Inside::joined(const DriveDesk& desk, const Propagated& x, std::size_t motor,
                                   std::size_t motor_pulley, std::size_t hand_pulley,
                                   const BeltThere& belt, bool evening) const {
  SparseBy result;
  if (x.by.size() == 0) return result;
  // As DriveDesk adds them: motor, machine, the two pulleys, slip, creep, belt loss, capacity.
  const std::vector<Sources::Group>& groups = desk.sources().groups();
  const auto part = [&](std::size_t group) {
    return x.by.segment(groups[group].first, groups[group].covariance.rows());
  };
  const auto put = [&](std::size_t group, int first) {
    for (Eigen::Index k = 0; k < part(group).size(); ++k)
      result.add(first + static_cast<int>(k), part(group)[k]);
  };
  const auto put_level = [&](std::size_t group, const std::optional<Level>& level) {
    if (level) result.add(level->place, part(group).dot(level->by));
  };
  put(0, motors_[motor].first);
  put_level(0, motors_[motor].rig);
  put(1, machine_.first);
  if (evening) {
    put_level(0, motors_[motor].evening);
    put_level(1, machine_.evening);
  }
  const auto sd = [&](std::size_t group) { return std::sqrt(groups[group].covariance(0, 0)); };
  if (const auto& lost = motors_[motor].lost)
    for (std::size_t k = 0; k < groups.size(); ++k)
      if (groups[k].name == kLostSource) result.add(*lost, part(k)[0] * sd(k));
  result.add(pulleys_.at(drawer_.pulleys[motor_pulley].id), part(2)[0] * sd(2));
  result.add(pulleys_.at(drawer_.pulleys[hand_pulley].id), part(3)[0] * sd(3));
  result.add(belt.slip.by, part(4)[0]);
  result.add(belt.creep.by, part(5)[0]);
  result.add(belt.loss.by, part(6)[0]);
  if (belt.capacity) result.add(belt.capacity->by, part(7)[0]);
  return result;
}

std::size_t Predictor::Inside::pulley_place(std::int64_t id) const {
  const auto found = std::find_if(drawer_.pulleys.begin(), drawer_.pulleys.end(),
                                  [&](const Part& pulley) { return pulley.id == id; });
  return static_cast<std::size_t>(found - drawer_.pulleys.begin());
}

SeenBelt Predictor::Inside::seen_belt(std::size_t seen) const {
  const BeltRuns& one = drawer_.seen[seen];
  const auto motor = static_cast<std::size_t>(
      std::find_if(drawer_.motors.begin(), drawer_.motors.end(),
                   [&](const DrawerMotor& m) { return m.part.id == one.motor; }) -
      drawer_.motors.begin());
  DriveQuestion question = question_of(motor, drawer_.seen_diameters[seen]);
  question.belt_seen = one.seen;
  const DriveDesk desk(question);
  const std::vector<Sources::Group>& groups = desk.sources().groups();
  const auto over_joint = [&](const Propagated& x) {
    JointValue result{x.value, joined(desk, x, motor, pulley_place(one.pulleys.motor),
                                      pulley_place(one.pulleys.hand), {}, false)};
    const SeenPlaces& places = seen_places_[seen];
    result.by.add(places.motor_speed, x.by[groups[8].first]);
    result.by.add(places.quotient, x.by[groups[9].first]);
    if (places.creep_speed) result.by.add(*places.creep_speed, x.by[groups[10].first]);
    return result;
  };
  const BeltSight& sight = *desk.belt_sight();
  SeenBelt found{over_joint(sight.loss), over_joint(sight.slip), over_joint(sight.torque), {}};
  if (sight.capacity) found.capacity = over_joint(*sight.capacity);
  return found;
}

JointValue Predictor::Inside::diameter_of(const Uncertain& diameter, std::int64_t pulley) const {
  JointValue result{diameter.value, {}};
  result.by.add(pulleys_.at(pulley), diameter.sd);
  return result;
}

// How the belt's runs on several pairs of pulleys narrow the published exponents.
JointValue Predictor::Inside::exponent_of(BeltQuantity quantity, std::int64_t belt) {
  std::vector<SeenQuantity> seen;
  std::vector<SparseBy> by;
  for (std::size_t k = 0; k < drawer_.seen.size(); ++k) {
    if (drawer_.seen[k].belt != belt) continue;
    const SeenBelt& one = belts_[k];
    const Diameters& on = drawer_.seen_diameters[k];
    const auto shown = shown_quantity(quantity, on.motor.value, on.hand.value, one.loss.value,
                                      one.slip.value, one.torque.value);
    if (!shown) continue;
    seen.push_back(shown->seen);
    by.emplace_back();
    by.back().add(one.loss.by, shown->by_loss);
    by.back().add(one.slip.by, shown->by_slip);
    by.back().add(one.torque.by, shown->by_torque);
  }
  const NarrowedExponent found = narrowed_exponent(quantity, seen, joint_.covariance(by));
  JointValue result{found.value, {}};
  for (std::size_t k = 0; k < by.size(); ++k)
    result.by.add(by[k], found.by_seen[static_cast<Eigen::Index>(k)]);
  result.by.add(joint_.add_standard(), std::hypot(found.own_sd, kExponentDeparts));
  return result;
}

BeltHabits Predictor::Inside::habits_of(std::int64_t belt) {
  BeltHabits habits;
  habits.loss_exponent = exponent_of(BeltQuantity::kLoss, belt);
  habits.slip_exponent = exponent_of(BeltQuantity::kSlip, belt);
  habits.load_share.value = kLoadShare;
  habits.load_share.by.add(joint_.add_standard(), kLoadShareSd);
  habits.other_loss = joint_.add_standard();
  habits.other_slip = joint_.add_standard();
  habits.capacity = joint_.add_standard();
  return habits;
}

// The belt on the candidate's pulleys by fit/drive/load_lines/belt_law.h, its derivatives taken by
// the joint inputs: the law's own first, then the chain rule.
BeltThere Predictor::Inside::belt_there(const Candidate& candidate) const {
  BeltThere result;
  if (!candidate.seen) return result;
  const BeltRuns& runs = drawer_.seen[*candidate.seen];
  const Diameters& on = drawer_.seen_diameters[*candidate.seen];
  const Mounting& mounting = drawer_.mountings[candidate.mounting];
  const SeenBelt& seen = belts_[*candidate.seen];
  const BeltHabits& habits = habits_.at(runs.belt);
  const bool other = runs.motor != drawer_.motors[candidate.motor].part.id;
  const auto departs = [&](JointValue x, int place, double part) {
    if (other) x.by.add(place, part * x.value);
    return x;
  };
  JointValue capacity = seen.capacity.value_or(JointValue{});
  capacity.by.add(habits.capacity, kCapacitySd * capacity.value);
  const std::array<JointValue, 11> inputs = {
      diameter_of(on.motor, runs.pulleys.motor),
      diameter_of(on.hand, runs.pulleys.hand),
      departs(seen.loss, habits.other_loss, kOtherMotorLoss),
      departs(seen.slip, habits.other_slip, kOtherMotorSlip),
      seen.torque,
      habits.loss_exponent,
      habits.slip_exponent,
      habits.load_share,
      diameter_of(mounting.diameters.hand, drawer_.pulleys[mounting.hand_pulley].id),
      diameter_of(mounting.diameters.motor, drawer_.pulleys[mounting.motor_pulley].id),
      capacity};
  const auto input = [&](std::size_t k) {
    Derivatives by = Derivatives::Zero(static_cast<Eigen::Index>(inputs.size()));
    by[static_cast<Eigen::Index>(k)] = 1;
    return Propagated(inputs[k].value, by);
  };
  BeltLaw law;
  law.seen = {input(0), input(1), input(2), input(3), input(4), std::nullopt};
  if (seen.capacity) law.seen.capacity = input(10);
  law.exponents = {input(5), input(6)};
  law.load_share = input(7);
  law.hand_diameter = input(8);
  const BeltState state = belt_on(law, input(9));
  const auto over_joint = [&](const Propagated& x) {
    JointValue value{x.value, {}};
    for (std::size_t k = 0; x.by.size() != 0 && k < inputs.size(); ++k)
      value.by.add(inputs[k].by, x.by[static_cast<Eigen::Index>(k)]);
    return value;
  };
  result.slip = over_joint(state.slip);
  result.creep = over_joint(state.creep);
  result.loss = over_joint(state.loss);
  if (state.capacity) result.capacity = over_joint(*state.capacity);
  return result;
}

namespace {

// Figures of one candidate while they are worked out.
class Figuring {
 public:
  Figuring(const DriveSetup& setup, const Aims& aims, const Drawer& drawer,
           const DrawerMotor& motor)
      : setup_(setup), aims_(aims), drawer_(drawer), motor_(motor) {
    run();
    add_start();
    add_speed_limits();
    add_needle();
    add_slow();
  }

  // The drop's limits as its bend has them, from those to first order: the torque to spare at a
  // speed is as uncertain near the drop as at it, so that each limit is the speed at which that
  // torque is as far from none. Between no drop and a stall.
  Estimate bent_drop(const Estimate& straight) const {
    if (!pedalled_ || !straight.value || !straight.low || !straight.high) return straight;
    constexpr double kStep = 1e-3;
    constexpr int kHalvings = 14;
    const double at = std::clamp(*straight.value / 100, kStep, 1 - kStep);
    const double slope = (spare_at(at + kStep) - spare_at(at - kStep)) / (2 * kStep);
    const double open = slope * (*straight.high - *straight.low) / 200;
    const auto where = [&](double low, double high, double spare) {
      for (int k = 0; k < kHalvings; ++k) {
        const double middle = (low + high) / 2;
        (spare_at(middle) < spare ? low : high) = middle;
      }
      return (low + high) / 2;
    };
    Estimate bent = straight;
    bent.low = std::min(100 * where(0, at, -open), *bent.value);
    bent.high = std::max(100 * where(at, 1, open), *bent.value);
    return bent;
  }

  OperatingSearch search;
  std::optional<Propagated> motor_speed, wheel_speed, loaded_speed, needle, drop;
  std::vector<std::pair<Aim, Propagated>> margins;

 private:
  LoadLine loaded_line() const {
    LoadLine line = setup_.line;
    line.extra = aims_.extra_nm.value_or(0);
    return line;
  }

  std::optional<Propagated> settled_speed(const LoadLine& line) const {
    const OperatingSearch found = find_operating_point(setup_.motor, setup_.machine, line);
    if (!found.motor_speed) return std::nullopt;
    return operating_speed(setup_.motor, setup_.machine, line, *found.motor_speed);
  }

  void run() {
    search = find_operating_point(setup_.motor, setup_.machine, setup_.line);
    if (!search.motor_speed) return;
    motor_speed = operating_speed(setup_.motor, setup_.machine, setup_.line, *search.motor_speed);
    wheel_speed = handwheel_speed(setup_.line, setup_.motor, *motor_speed);
    if (!aims_.extra_nm) return;
    if (const auto loaded = settled_speed(loaded_line()))
      loaded_speed = handwheel_speed(loaded_line(), setup_.motor, *loaded);
  }

  void add_start() {
    if (!setup_.motor.extrapolates() || !setup_.machine.extrapolates()) return;
    margins.emplace_back(Aim::kStarts,
                         spare_torque(setup_.motor, setup_.machine, loaded_line(), Propagated(0)));
  }

  // By how much the speed at the motor stays above (or below) a limit, told by the torque to spare
  // there: that is exact in the curves' parameters, which the speed is not. Where the two disagree
  // (more than one crossing, a curve that stands for its measured range only) the speed counts.
  void add_limit(Aim aim, const Propagated& at_motor, const LoadLine& line,
                 const std::optional<Propagated>& reached, bool above) {
    const double side = above ? 1 : -1;
    const Propagated spare = side * spare_torque(setup_.motor, setup_.machine, line, at_motor);
    const bool known = setup_.motor.extrapolates() || !beyond(setup_.motor, at_motor.value);
    if (!reached) {
      margins.emplace_back(aim, known && std::isfinite(spare.value) ? spare : Propagated(-1));
      return;
    }
    const Propagated gap = side * (*reached - at_motor);
    const bool agree = std::isfinite(spare.value) && (spare.value >= 0) == (gap.value >= 0);
    margins.emplace_back(aim, known && agree ? spare : gap);
  }

  void add_speed_limits() {
    const double rpm = rad_per_s_from_rpm(1);
    const auto at_motor = [&](const LoadLine& line, const Propagated& wheel) {
      return motor_speed_at(line, setup_.machine, wheel);
    };
    if (aims_.least_rpm) {
      const LoadLine line = loaded_line();
      const std::optional<Propagated> wheel = aims_.extra_nm ? loaded_speed : wheel_speed;
      std::optional<Propagated> reached;
      if (wheel) reached = at_motor(line, *wheel);
      add_limit(Aim::kLeastSpeed, at_motor(line, *aims_.least_rpm * rpm), line, reached, true);
    }
    std::optional<double> most = aims_.most_motor_rpm;
    if (const auto own = motor_.part.number("max-rpm")) most = std::min(most.value_or(*own), *own);
    if (most) add_limit(Aim::kMotorSpeed, *most * rpm, setup_.line, motor_speed, false);
    if (const auto wheel = drawer_.machine.number("max-rpm"))
      add_limit(Aim::kWheelLimit, at_motor(setup_.line, *wheel * rpm), setup_.line, motor_speed,
                false);
  }

  // Torque at the hand wheel from standstill, net of the machine's drag there.
  Propagated left_at_rest() const {
    const DriveCurve& machine = setup_.machine;
    return pull_at_rest(setup_.line, setup_.motor) -
           machine.torque(Propagated(machine.extrapolates() ? 0 : machine.low()));
  }

  void add_needle() {
    const auto stroke = drawer_.machine.number("stroke-mm");
    if (stroke && setup_.motor.extrapolates()) needle = left_at_rest() / (m_from_mm(*stroke) / 2);
    if (!aims_.least_needle_n) return;
    margins.emplace_back(Aim::kNeedleForce,
                         needle ? *needle - *aims_.least_needle_n : Propagated(-1));
  }

  // The drop itself runs away where the seam nearly stalls the machine; the torque to spare at the
  // lowest speed that is allowed does not.
  void add_slow() {
    if (!aims_.slow_spm) return;
    const double per_turn = drawer_.machine.number("stitches-per-turn").value_or(1);
    const double slow = rad_per_s_from_rpm(*aims_.slow_spm / per_turn);
    const double seam = aims_.extra_nm.value_or(DriveQuestion::kDefaultSeam);
    const Pedal pedal = pedal_of(setup_.motor);
    const Steadiness found =
        slow_steadiness(setup_.motor, setup_.machine, setup_.line, pedal, slow, seam);
    drop = found.drop;
    slow_ = slow;
    sewn_ = setup_.line;
    sewn_.extra = seam;
    if (drop) pedalled_ = with_pedal(setup_.motor, pedal, *found.setting);
    if (!aims_.most_drop_percent) return;
    if (!found.setting || found.running == SlowRunning::kUnsteady) {
      margins.emplace_back(Aim::kSlowDrop, Propagated(-1));
      return;
    }
    LoadLine line = setup_.line;
    line.extra = seam;
    const Propagated lowest =
        motor_speed_at(line, setup_.machine, slow * (1 - *aims_.most_drop_percent / 100));
    margins.emplace_back(Aim::kSlowDrop,
                         spare_torque(with_pedal(setup_.motor, pedal, *found.setting),
                                      setup_.machine, line, lowest));
  }

  // Torque to spare in the seam at a part of the slow speed, the pedal held.
  double spare_at(double drop_share) const {
    const double speed =
        motor_speed_at(sewn_, setup_.machine, Propagated(slow_ * (1 - drop_share))).value;
    return spare_torque(*pedalled_, setup_.machine, sewn_, speed);
  }

  const DriveSetup& setup_;
  const Aims& aims_;
  const Drawer& drawer_;
  const DrawerMotor& motor_;
  double slow_ = 0;
  LoadLine sewn_;
  std::optional<DriveCurve> pedalled_;
};

// What a figure is shown in.
struct Shown {
  const std::optional<Propagated>& figure;
  double factor;
  const char* unit;
  Estimate& to;
};

}  // namespace

Prediction Predictor::Inside::predict(const Candidate& candidate) const {
  const Mounting& mounting = drawer_.mountings[candidate.mounting];
  DriveQuestion question = question_of(candidate.motor, mounting.diameters);
  question.supply.volts = aims_.supply_v;
  const BeltThere belt = belt_there(candidate);
  question.slip.value = std::clamp(belt.slip.value, -0.9, 0.9);
  question.creep.value = belt.creep.value;
  question.belt_loss.value = belt.loss.value;
  if (belt.capacity) question.belt_capacity = Uncertain{belt.capacity->value, 0};
  const DriveDesk desk(question);
  const Figuring found(desk.setup(), aims_, drawer_, drawer_.motors[candidate.motor]);

  Prediction result;
  result.settling = found.search.settling;
  result.extrapolated =
      found.motor_speed && (beyond(desk.setup().motor, found.motor_speed->value) ||
                            beyond(desk.setup().machine, found.wheel_speed->value));
  const LoadLine& line = desk.setup().line;
  if (line.capacity && desk.setup().motor.extrapolates())
    result.belt_slips_first =
        line.capacity->value < desk.setup().motor.torque(0) - line.belt_loss.value;
  const double rpm = rpm_from_rad_per_s(1);
  const std::array<Shown, 5> shown = {Shown{found.wheel_speed, rpm, "rpm", result.handwheel_rpm},
                                      Shown{found.motor_speed, rpm, "rpm", result.motor_rpm},
                                      Shown{found.loaded_speed, rpm, "rpm", result.loaded_rpm},
                                      Shown{found.needle, 1, "N", result.needle_n},
                                      Shown{found.drop, 100, "%", result.drop_percent}};

  // Columns: the figures, the motor's speed, what is shown.
  Columns columns;
  const Propagated none(0);
  const auto column = [&](const std::optional<Propagated>& x) {
    columns.push_back(x ? &*x : &none);
  };
  column(aims_.extra_nm ? found.loaded_speed : found.wheel_speed);
  for (const auto& [aim, margin] : found.margins) {
    result.aims.push_back(aim);
    columns.push_back(&margin);
  }
  const auto figures = static_cast<Eigen::Index>(columns.size());
  column(found.motor_speed);
  for (const Shown& one : shown) column(one.figure);

  const Eigen::MatrixXd by = derivatives(desk, columns, candidate, belt);
  put_figures(columns, by, figures, result);
  for (std::size_t k = 0; k < shown.size(); ++k) {
    const Shown& one = shown[k];
    one.to = one.figure ? joint_.estimate(one.figure->value,
                                          by.col(figures + 1 + static_cast<Eigen::Index>(k)),
                                          one.factor, one.unit)
                        : Estimate::unknown(one.unit);
  }
  result.drop_percent = found.bent_drop(result.drop_percent);
  return result;
}

// One column for each figure, by the standardised joint inputs.
Eigen::MatrixXd Predictor::Inside::derivatives(const DriveDesk& desk, const Columns& columns,
                                               const Candidate& candidate,
                                               const BeltThere& belt) const {
  const Mounting& mounting = drawer_.mountings[candidate.mounting];
  Eigen::MatrixXd by =
      Eigen::MatrixXd::Zero(joint_.size(), static_cast<Eigen::Index>(columns.size()));
  for (std::size_t c = 0; c < columns.size(); ++c)
    for (const auto& [place, derivative] :
         joined(desk, *columns[c], candidate.motor, mounting.motor_pulley, mounting.hand_pulley,
                belt, true)
             .parts)
      by(place, static_cast<Eigen::Index>(c)) += derivative;
  joint_.standardise(by);
  return by;
}

// The first columns are the figures, the next is the motor's speed.
void Predictor::Inside::put_figures(const Columns& columns, const Eigen::MatrixXd& by,
                                    Eigen::Index figures, Prediction& result) const {
  result.values.resize(figures);
  result.reach.resize(figures);
  for (Eigen::Index f = 0; f < figures; ++f) {
    result.values[f] = columns[static_cast<std::size_t>(f)]->value;
    result.reach[f] = joint_.reach(by.col(f));
  }
  result.motor_speed = columns[static_cast<std::size_t>(figures)]->value;
  for (int place = 0; place < joint_.size(); ++place)
    if (!by.row(place).head(figures + 1).isZero(0)) result.places.push_back(place);
  const Eigen::MatrixXd some = by(result.places, Eigen::seqN(0, figures + 1));
  result.by = some.leftCols(figures);
  result.motor_speed_by = some.col(figures);
}

Predictor::Predictor(const Drawer& drawer, const Aims& aims, std::size_t draws, std::uint64_t seed)
    : inside_(std::make_unique<Inside>(drawer, aims, draws, seed)) {}
Predictor::~Predictor() = default;

Prediction Predictor::predict(const Candidate& candidate) const {
  return inside_->predict(candidate);
}
const Joint& Predictor::joint() const { return inside_->joint(); }
std::pair<int, int> Predictor::motor_places(std::size_t motor) const {
  return inside_->motor_places(motor);
}
std::pair<int, int> Predictor::machine_places() const { return inside_->machine_places(); }
std::vector<std::string> Predictor::warnings() const { return inside_->warnings(); }

}  // namespace loadline
