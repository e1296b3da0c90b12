#include "tests/study/naive.h"

#include <cmath>

#include "fit/curves/results.h"
#include "fit/solver/jet_residuals.h"
#include "fit/solver/nonlinear.h"

namespace loadline::study {
namespace {

using Eigen::VectorXd;

constexpr double kTurn = 6.283185307179586;
constexpr double kPoweredV = 40;

struct Row {
  double time_s = 0, speed = 0, torque = 0;
};

/// Speed in each row by the edges since the row before; the old value where none came.
class RowSpeed {
 public:
  explicit RowSpeed(double pulses) : pulses_(pulses) {}
  double operator()(const std::optional<std::int64_t>& edges,
                    const std::optional<std::int64_t>& tick, double tick_hz) {
    if (!edges || !tick) return speed_;
    if (known_ && *edges > edges_)
      speed_ = kTurn * static_cast<double>(*edges - edges_) / pulses_ /
               (static_cast<double>(*tick - tick_) / tick_hz);
    if (!known_ || *edges > edges_) {
      edges_ = *edges;
      tick_ = *tick;
    }
    known_ = true;
    return speed_;
  }

 private:
  double pulses_, speed_ = 0;
  bool known_ = false;
  std::int64_t edges_ = 0, tick_ = 0;
};

std::vector<Row> motor_rows(const Book& book, std::int64_t id) {
  const Run run = book.run(id);
  const auto calibration = book.latest_calibration(run.rig);
  const double zero = book.zeros(id).front().mean_counts;
  RowSpeed speed(run.motor_pulses_per_turn.value_or(1));
  std::vector<Row> rows;
  for (const Sample& sample : book.samples(id)) {
    Row row;
    row.time_s = static_cast<double>(sample.tick) / *run.tick_hz;
    row.speed = speed(sample.motor_edges, sample.motor_edge_tick, *run.tick_hz);
    row.torque =
        (*sample.torque_counts - zero) * calibration->slope_n_per_count * calibration->arm_m;
    const bool powered = *sample.supply_counts * *run.supply_v_per_count > kPoweredV;
    if (powered && row.speed > 0) rows.push_back(row);
  }
  return rows;
}

struct SeriesOverRows {
  const std::vector<Row>* rows;
  template <class T>
  T operator()(const T* p, int i) const {
    const Row& row = (*rows)[static_cast<std::size_t>(i)];
    const T shifted = p[1] + row.speed;
    return p[0] / (shifted * shifted + p[2] * p[2]) - p[3] - row.torque;
  }
};

Estimate interval(const CurveResult& result, const Eigen::MatrixXd& covariance, const char* unit) {
  return Estimate::with_half_width(result.value, 1.96 * result.sd(covariance), unit);
}

std::vector<Estimate> results_of(const Curve& curve) {
  std::vector<Estimate> results = {interval(stall_torque(curve), curve.covariance, "N·m")};
  const auto no_load = no_load_speed(curve);
  results.push_back(no_load ? interval(*no_load, curve.covariance, "rad/s")
                            : Estimate::unknown("rad/s"));
  const auto peak = peak_power(curve);
  results.push_back(peak ? interval(peak->power, curve.covariance, "W") : Estimate::unknown("W"));
  results.push_back(peak ? interval(peak->speed, curve.covariance, "rad/s")
                         : Estimate::unknown("rad/s"));
  return results;
}

/// One row of a coast-down: −dω/dt over the speed at which it was taken.
struct Deceleration {
  double speed = 0, value = 0, added = 0;
};

std::vector<Deceleration> decelerations(const Book& book, std::int64_t id) {
  const Run run = book.run(id);
  RowSpeed speed_of(run.handwheel_pulses_per_turn.value_or(1));
  std::vector<Row> rows;
  for (const Sample& sample : book.samples(id)) {
    const double speed = speed_of(sample.handwheel_edges, sample.handwheel_edge_tick, *run.tick_hz);
    rows.push_back({static_cast<double>(sample.tick) / *run.tick_hz, speed, 0});
  }
  // From the last row near the highest speed to a tenth of it.
  double top = 0;
  for (const Row& row : rows) top = std::max(top, row.speed);
  std::size_t first = 0;
  for (std::size_t i = 0; i < rows.size(); ++i)
    if (rows[i].speed > 0.97 * top) first = i;
  std::vector<Deceleration> out;
  for (std::size_t i = first + 1; i + 1 < rows.size() && rows[i].speed > 0.1 * top; ++i)
    out.push_back(
        {rows[i].speed,
         -(rows[i + 1].speed - rows[i - 1].speed) / (rows[i + 1].time_s - rows[i - 1].time_s),
         run.added_inertia_kgm2.value_or(0)});
  return out;
}

/// −dω/dt = (c0 + c1 ω + c2 ω²)/(J + added).
struct DragOverRows {
  const std::vector<Deceleration>* rows;
  template <class T>
  T operator()(const T* p, int i) const {
    const Deceleration& row = (*rows)[static_cast<std::size_t>(i)];
    return (p[0] + row.speed * (p[1] + row.speed * p[2])) / (p[3] + row.added) - row.value;
  }
};

}  // namespace

std::vector<Estimate> naive_motor(const Session& session) {
  const std::vector<Row> rows = motor_rows(session.book(), session.runs().front().run);
  const JetResiduals<4, SeriesOverRows> residuals(static_cast<int>(rows.size()), {&rows});
  const NonlinearFit fit =
      fit_nonlinear(residuals, (VectorXd(4) << 2e5, 500, 500, 0.01).finished());
  Curve curve;
  curve.model = "series";
  curve.equation = curve_equation("series", 0, 0, 6);
  curve.parameters = VectorXd::Zero(6);
  curve.parameters.head(4) = fit.parameters;
  curve.covariance = Eigen::MatrixXd::Zero(6, 6);
  curve.covariance.topLeftCorner(4, 4) = fit.inverse_normal * fit.variance();
  curve.speed_high = rows.front().speed;
  for (const Row& row : rows) curve.speed_high = std::max(curve.speed_high, row.speed);
  return results_of(curve);
}

std::vector<Estimate> naive_coast(const Session& session) {
  std::vector<Deceleration> rows;
  for (const PlayedRun& run : session.runs())
    for (const Deceleration& row : decelerations(session.book(), run.run)) rows.push_back(row);
  const JetResiduals<4, DragOverRows> residuals(static_cast<int>(rows.size()), {&rows});
  const NonlinearFit fit =
      fit_nonlinear(residuals, (VectorXd(4) << 0.05, 5e-4, 5e-6, 1.5e-3).finished());
  const VectorXd sd = fit.naive_sd();
  const char* const units[] = {"N·m", "N·m·s", "N·m·s²", "kg·m²"};
  std::vector<Estimate> results;
  for (int j = 0; j < 4; ++j)
    results.push_back(Estimate::with_half_width(fit.parameters[j], 1.96 * sd[j], units[j]));
  return results;
}

}  // namespace loadline::study
