#include "fit/verbs/drive/pedal_marks.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "fit/belts/session.h"
#include "fit/choose/drawer/belt_runs.h"
#include "fit/choose/drawer/diameters.h"
#include "fit/choose/drawer/stored_parts.h"
#include "fit/drive/figures/foot_control.h"
#include "fit/drive/load_lines/drive_constants.h"

namespace loadline {
namespace {

// Between two speeds this far apart a line says something of the slope.
constexpr double kApart = 1.1;
using drive_chosen::kBend;

// A top speed with the pedal at its mark: there motor and control give what machine and belt ask.
struct TorqueAt {
  double speed, torque;    // of the motor
  double alone, together;  // standard uncertainty: its own, and the drag's, which all share
};

TorqueAt torque_at(const Book& book, const BeltRuns& runs, const DriveDesk& desk,
                   std::vector<std::string>& warnings) {
  const Diameters on =
      effective_diameters(book.part(PartKind::kPulley, runs.pulleys.motor),
                          book.part(PartKind::kPulley, runs.pulleys.hand), {}, {}, warnings);
  const Curve& machine = *desk.question().machine;
  const double ratio = on.ratio(), speed = runs.seen.motor_speed.value;
  const double wheel = speed * runs.seen.speed_quotient.value;
  const double asked = machine.torque(wheel) / ratio;
  const double loss = at_ratio(desk.setup().line, ratio).belt_loss.value;
  return {speed, asked + loss, std::hypot(on.ratio_sd() / ratio, kBend) * asked,
          machine.torque_sd(wheel) / ratio};
}

// Torque without speed and speed without torque of the straight line that leaves least.
Eigen::Vector2d line_through(const std::vector<TorqueAt>& points, const Eigen::VectorXd& torques) {
  const auto count = static_cast<Eigen::Index>(points.size());
  Eigen::MatrixXd columns(count, 2);
  for (Eigen::Index k = 0; k < count; ++k)
    columns.row(k) << 1, points[static_cast<std::size_t>(k)].speed;
  const Eigen::Vector2d line =
      (columns.transpose() * columns).ldlt().solve(columns.transpose() * torques);
  return {line[0], -line[0] / line[1]};
}

Curve curve_through(const std::vector<TorqueAt>& points) {
  const auto count = static_cast<Eigen::Index>(points.size());
  Eigen::VectorXd torques(count), together(count), alone(count);
  for (Eigen::Index k = 0; k < count; ++k) {
    const TorqueAt& one = points[static_cast<std::size_t>(k)];
    torques[k] = one.torque;
    alone[k] = one.alone;
    together[k] = one.together;
  }
  Eigen::MatrixXd by(2, count);
  const double step = 1e-6 * torques.maxCoeff();
  for (Eigen::Index k = 0; k < count; ++k) {
    Eigen::VectorXd more = torques, less = torques;
    more[k] += step;
    less[k] -= step;
    by.col(k) = (line_through(points, more) - line_through(points, less)) / (2 * step);
  }
  const Eigen::MatrixXd covariance =
      Eigen::MatrixXd(alone.cwiseAbs2().asDiagonal()) + together * together.transpose();
  Curve curve = Curve::of_equation("permanent-magnet", line_through(points, torques),
                                   by * covariance * by.transpose());
  const auto [slow, fast] =
      std::minmax_element(points.begin(), points.end(),
                          [](const TorqueAt& a, const TorqueAt& b) { return a.speed < b.speed; });
  curve.speed_low = slow->speed;
  curve.speed_high = fast->speed;
  return curve;
}

// The curve of a mark from top speeds at different loads: other pulleys, or other belts.
std::shared_ptr<const Curve> curve_of_top_speeds(const Book& book, const Part& part,
                                                 const Part& machine, const DriveDesk& desk,
                                                 std::vector<std::string>& warnings) {
  SessionOptions options;
  options.motor = part.id;
  options.any_slip = true;
  std::vector<TorqueAt> points;
  for (const BeltRuns& runs : belt_runs(book, read_belt_session(book, machine.id, options)))
    if (runs.pulleys.motor && runs.pulleys.hand)
      points.push_back(torque_at(book, runs, desk, warnings));
  if (points.empty()) return nullptr;
  double low = points.front().speed, high = low;
  for (const TorqueAt& one : points) {
    low = std::min(low, one.speed);
    high = std::max(high, one.speed);
  }
  if (high < kApart * low)
    throw Error(Fault::kInput,
                fmt::format("'{}' has top speeds at one load only, which say where it runs and not "
                            "how it gives way; record one on another motor pulley, or brake it.",
                            part.name));
  Curve curve = curve_through(points);
  if (!(curve.parameters[0] > 0 && curve.parameters[1] > 0))
    throw Error(Fault::kInput,
                fmt::format("the top speeds of '{}' show more torque at more speed, which no motor "
                            "gives; check pulleys and machine, or brake it.",
                            part.name));
  return std::make_shared<const Curve>(std::move(curve));
}

std::vector<MarkedCurve> marks_of(const Book& book, const Part& motor, const Part& machine,
                                  DriveCase& drive) {
  std::vector<MarkedCurve> marks;
  const DriveDesk desk(drive.question);
  for (const Part& part : book.parts(PartKind::kMotor)) {
    const auto of = part.text("pedal-of");
    const auto named = of ? book.find(PartKind::kMotor, *of) : std::nullopt;
    if (!named || named->id != motor.id) continue;
    try {
      const auto mark = part.number("pedal-mark");
      if (!mark)
        throw Error(Fault::kInput, fmt::format("'{}' does not say which; set it with 'loadline-db "
                                               "set motor NAME --pedal-mark N'.",
                                               part.name));
      std::shared_ptr<const Curve> curve;
      if (!book.latest_curve(false, part.id))
        curve = curve_of_top_speeds(book, part, machine, desk, drive.warnings);
      marks.push_back({*mark, curve ? curve : curve_for(book, part)});
    } catch (const Error& error) {
      if (error.fault() == Fault::kBook) throw;
      drive.warnings.push_back(fmt::format("a mark of the pedal is left out: {}", error.what()));
    }
  }
  return marks;
}

}  // namespace

void put_marks(const Book& book, const Arguments& arguments, const Part& motor, const Part& machine,
               DriveCase& drive) {
  DriveQuestion& question = drive.question;
  const std::string pedal = arguments.text("pedal").value_or("electronic");
  if (!question.slow_speed || pedal != "electronic") return;
  const std::vector<MarkedCurve> marks = marks_of(book, motor, machine, drive);
  question.marked = !marks.empty();
  if (marks.empty()) return;
  if (question.supply.volts || question.supply.hertz) {
    drive.warnings.push_back(
        "the marks of the pedal were measured at their own supply and do not answer for another.");
    return;
  }
  const PedalMarks found = marks_around(question, marks);
  if (!found.warning.empty()) drive.warnings.push_back(found.warning);
  drive.marks_curve = found.curve;
  question.marks = drive.marks_curve.get();
  question.mark_less = found.less;
  question.mark_more = found.more;
}

}  // namespace loadline
