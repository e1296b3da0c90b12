#include "fit/drive/figures/foot_control.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"
#include "fit/curves/curve.h"
#include "fit/drive/load_lines/drive_constants.h"
#include "fit/drive/load_lines/supply.h"
#include "fit/drive/points/operating_point.h"

namespace loadline {
namespace {

using namespace drive_chosen;

using Eigen::VectorXd;

constexpr Eigen::Index kOwn = 3;  // position, mixture, travel

class BetweenMarks final : public CurveModel {
 public:
  BetweenMarks(const Curve& less, const Curve& more, double high)
      : less_(less.equation), more_(more.equation), split_(less.parameters.size()), high_(high) {}

  std::string name() const override { return kBetweenMarks; }
  std::vector<std::string> parameter_names() const override {
    std::vector<std::string> names;
    for (const std::string& one : less_->parameter_names()) names.push_back("less " + one);
    for (const std::string& one : more_->parameter_names()) names.push_back("more " + one);
    for (const char* one : {"position", "mixture", "travel"}) names.emplace_back(one);
    return names;
  }
  double torque(const VectorXd& p, double speed) const override {
    const Mixture m = mixture(p, speed);
    return (1 - m.share) * less_->torque(of_less(p), speed) +
           m.share * more_->torque(of_more(p), speed);
  }
  double slope(const VectorXd& p, double speed) const override {
    const Mixture m = mixture(p, speed);
    return (1 - m.share) * less_->slope(of_less(p), speed) +
           m.share * more_->slope(of_more(p), speed) + m.by_speed * apart(p, speed);
  }
  VectorXd gradient(const VectorXd& p, double speed) const override {
    const Mixture m = mixture(p, speed);
    const double between = apart(p, speed);
    VectorXd g(p.size());
    g.head(split_) = (1 - m.share) * less_->gradient(of_less(p), speed);
    g.segment(split_, p.size() - kOwn - split_) = m.share * more_->gradient(of_more(p), speed);
    g.tail(kOwn) << m.by_position * between, m.by_mixture * between, 0;
    return g;
  }

 private:
  struct Mixture {
    double share, by_speed, by_position, by_mixture;
  };
  Mixture mixture(const VectorXd& p, double speed) const {
    const double at = p[p.size() - kOwn], bend = p[p.size() - kOwn + 1];
    const double middle = 4 * at * (1 - at) * kMixtureSd, along = speed / high_;
    return {at + bend * middle * along, bend * middle / high_,
            1 + bend * 4 * (1 - 2 * at) * kMixtureSd * along, middle * along};
  }
  VectorXd of_less(const VectorXd& p) const { return p.head(split_); }
  VectorXd of_more(const VectorXd& p) const { return p.segment(split_, p.size() - kOwn - split_); }
  double apart(const VectorXd& p, double speed) const {
    return more_->torque(of_more(p), speed) - less_->torque(of_less(p), speed);
  }

  std::shared_ptr<const CurveModel> less_, more_;
  Eigen::Index split_;
  double high_;
};

// Hand-wheel speed with the pedal at a mark, for the sentence; 0 where it does not run.
double speed_at(const DriveDesk& desk, const Curve& curve) {
  const DriveSetup& setup = desk.setup();
  const DriveCurve motor(curve);
  const auto found = find_operating_point(motor, setup.machine, setup.line).motor_speed;
  return found ? handwheel_speed(setup.line, motor, *found) : 0;
}

}  // namespace

Curve between_marks(const Curve& less, const Curve& more) {
  const double high = std::min(less.speed_high, more.speed_high);
  const Eigen::Index a = less.parameters.size(), b = more.parameters.size();
  Curve curve;
  curve.equation = std::make_shared<BetweenMarks>(less, more, high);
  const bool measured_only = less.model == "smooth" || more.model == "smooth";
  curve.model = measured_only ? "smooth" : kBetweenMarks;
  curve.parameter_names = curve.equation->parameter_names();
  curve.parameters = VectorXd::Zero(a + b + kOwn);
  curve.parameters.head(a) = less.parameters;
  curve.parameters.segment(a, b) = more.parameters;
  curve.parameters[a + b] = 1;
  curve.covariance = Eigen::MatrixXd::Zero(a + b + kOwn, a + b + kOwn);
  curve.covariance.topLeftCorner(a, a) = less.covariance;
  curve.covariance.block(a, a, b, b) = more.covariance;
  curve.covariance(a + b + 1, a + b + 1) = 1;
  curve.covariance(a + b + 2, a + b + 2) = kTravelSd * kTravelSd;
  curve.degrees_of_freedom = std::min(less.degrees_of_freedom, more.degrees_of_freedom);
  curve.speed_low = std::max(less.speed_low, more.speed_low);
  curve.speed_high = high;
  curve.supply_v = more.supply_v;
  return curve;
}

PedalMarks marks_around(const DriveQuestion& question, const std::vector<MarkedCurve>& marks) {
  const DriveDesk desk(question);
  const LoadLine& line = desk.setup().line;
  const DriveCurve& machine = desk.setup().machine;
  const Propagated wheel(question.slow_speed.value());
  const double at = motor_speed_at(line, machine, wheel).value;
  const double needed = ((machine.torque(wheel) + line.extra) / line.ratio + line.belt_loss).value;
  const MarkedCurve *less = nullptr, *more = nullptr;
  for (const MarkedCurve& one : marks) {
    const double torque = one.curve->torque(at);
    if (torque <= needed && (!less || torque > less->curve->torque(at))) less = &one;
    if (torque > needed && (!more || torque < more->curve->torque(at))) more = &one;
  }
  PedalMarks found;
  if (less && more) {
    found.curve = std::make_shared<const Curve>(between_marks(*less->curve, *more->curve));
    found.less = less->mark;
    found.more = more->mark;
    return found;
  }
  const MarkedCurve& nearest = less ? *less : *more;
  const double reached = rpm_from_rad_per_s(speed_at(desk, *nearest.curve));
  found.warning = fmt::format(
      "with the pedal at its mark {:g} the machine {}, {} than asked for; brake motor and control "
      "at a mark that gives {} as well, and the slow speed can be answered between the two.",
      nearest.mark, reached > 0 ? fmt::format("runs at {:.0f} rpm", reached) : "does not run",
      less ? "slower" : "faster", less ? "more" : "less");
  return found;
}

}  // namespace loadline
