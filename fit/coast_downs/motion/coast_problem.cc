#include "fit/coast_downs/motion/coast_problem.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <span>

#include "db/basis/units.h"
#include "fit/coast_downs/motion/coast_constants.h"
#include "fit/coast_downs/motion/coast_solution.h"

namespace loadline {
namespace {

using namespace coast_chosen;

// Steps of the solution over a run, so that its error stays far below the noise of mean speeds; a
// rise near standstill takes finer ones, and so do edges, told to some millionths of the angle.
constexpr int kStepsOfWindows = 48, kStepsWithRise = 64, kStepsOfEdges = 240;
constexpr int kRipple = 8;  // amplitudes of the ripple

// Where dual numbers carry the derivative by what: c₀, c₁, c₂, ln J, then these.
constexpr int kStartSpeed = 4, kRise = 5, kKnee = 6;

// The number with derivative 1 by `index`, where T carries that.
template <typename T>
T variable(double value, int index) {
  T x(value);
  if constexpr (!std::is_same_v<T, double>)
    if (index < T::DIMENSION) x.v[index] = 1;
  return x;
}

template <typename T>
T exponential(const T& x) {
  using std::exp;
  return exp(x);
}

double derivative(double /*x*/, int /*by*/) { return 0; }

template <int N>
double derivative(const ceres::Jet<double, N>& x, int by) {
  return by < N ? x.v[by] : 0;
}

// How the angle of a torque ripple goes with the speed of its run.
struct RippleBySpeed {
  RippleBySpeed(const Coast& coast, const CoastOptions& of, double unit_inertia)
      : reference(coast.speed_high),
        options(of),
        inertia(of.known_drag ? std::exp((*of.known_drag)[3]) + coast.added_kgm2 / unit_inertia
                              : 0) {}
  double reference;
  const CoastOptions& options;
  double inertia;  // with what was added, over the unit; only where the drag is about known

  double torque(double w) const {
    const auto& drag = *options.known_drag;
    return drag[0] + w * (drag[1] + w * drag[2]);
  }
  double slowing(double w) const { return torque(w) / inertia; }  // rad/s²
  // How fast a value changes with the age of what it shows, rad/s for each rad; less where rows are
  // quicker than turns.
  double by_age(double w, double row_s) const {
    return options.known_drag ? slowing(w) / w * std::min(1.0, w / (2 * kPi) * row_s) : 0;
  }
  // Torque over ω², 1 at the reference.
  double size(double w) const {
    const double over = reference * reference / (w * w);
    return options.ripple_of_drag ? over * torque(w) / torque(reference) : over;
  }
  // d ln size / d ln ω
  double steepness(double w) const {
    if (!options.ripple_of_drag) return -2;
    const auto& drag = *options.known_drag;
    return w * (drag[1] + 2 * w * drag[2]) / torque(w) - 2;
  }
  // While the shaft slows down the angle runs ahead of its quasi-steady phase: the next term of
  // δθ'' = R(ω) cos(hθ)/J by powers of ω'/ω² is this over h times the sine.
  double ahead(double w) const {
    if (!options.known_drag) return 0;
    return -slowing(w) * (1 + 2 * steepness(w)) / (w * w);
  }
  double ahead_slope(double w) const {
    const double step = 1e-4 * w;
    return (ahead(w + step) - ahead(w - step)) / (2 * step);
  }
};

constexpr double kMostAhead = 1;  // rad
constexpr double kLeastSpeed = 1e-3;

// The ripple's eight shapes at a place: cos and sin of h turns, constant and by torque.
std::array<double, kRipple> ripple_shapes(double angle, double speed, const RippleBySpeed& by) {
  std::array<double, kRipple> shapes{};
  const double w = std::max(speed, kLeastSpeed);
  const double size = by.size(w), ahead = by.ahead(w);
  for (std::size_t h = 0; h < 2; ++h) {
    const double turns = static_cast<double>(h + 1);
    const double here = turns * angle;
    const double there = here + std::clamp(ahead / turns, -kMostAhead, kMostAhead);
    shapes[4 * h] = std::cos(here);
    shapes[4 * h + 1] = std::sin(here);
    shapes[4 * h + 2] = size * std::cos(there);
    shapes[4 * h + 3] = size * std::sin(there);
  }
  return shapes;
}

// How the ripple changes with the place and the speed at which it is taken.
struct Moved {
  double by_angle = 0, by_speed = 0;
};

Moved moved_by(const std::array<double, kRipple>& shapes, const double* amplitude, double speed,
               const RippleBySpeed& by) {
  Moved moved;
  const double w = std::max(speed, kLeastSpeed);
  const double slope = by.steepness(w) / w, ahead = by.ahead(w), turning = by.ahead_slope(w);
  for (std::size_t h = 0; h < 2; ++h) {
    const double* const s = &shapes[4 * h];
    const double* const a = amplitude + 4 * h;
    const double turns = static_cast<double>(h + 1);
    const double turn = std::fabs(ahead) < kMostAhead * turns ? turning / turns : 0;
    moved.by_angle += turns * (a[1] * s[0] - a[0] * s[1] + a[3] * s[2] - a[2] * s[3]);
    moved.by_speed += slope * (a[2] * s[2] + a[3] * s[3]) + turn * (a[3] * s[2] - a[2] * s[3]);
  }
  return moved;
}

// A display that takes in each turn shows a sum of means over single ones. Where each of n counts
// alike, or each further one less by the same factor, the mean M of how long ago they ended (rad)
// and its variance hang together: (M² + 2πM)/3 and M² + 2πM, of a uniform and of a geometric
// distribution. A few turns that keep both stand for all: `spread` of the root of M² + 2πM from M,
// placed as by Gauss and Legendre, and by Gauss and Laguerre (Abramowitz and Stegun, tables 25.4
// and 25.9, n = 3; from memory).
struct TurnShown {
  double share, spread;
};

std::span<const TurnShown> turns_shown(WayToRead::Over over) {
  static constexpr double kLegendre = 0.7745966692414834;
  static constexpr TurnShown kAgo[] = {{1, 0}};
  static constexpr TurnShown kMean[] = {
      {5.0 / 18, -kLegendre}, {8.0 / 18, 0}, {5.0 / 18, kLegendre}};
  static constexpr TurnShown kSmoothed[] = {{0.7110930099291730, 0.4157745567834791 - 1},
                                            {0.2785177335692408, 2.2942803602790417 - 1},
                                            {0.0103892565015861, 6.2899450829374792 - 1}};
  if (over == WayToRead::Over::kTurnAgo) return kAgo;
  if (over == WayToRead::Over::kMeanOfTurns) return kMean;
  return kSmoothed;
}

constexpr int kTurnSteps = 12;  // of Newton's, to find when an angle was passed
// From so near on the last step, which is made all the same, ends within some 1e-10 rad.
constexpr double kTurnFound = 3e-5;  // rad

// When the solution's angle was less by `less` than at `from_s`.
template <typename T>
double passed_at(const CoastSolution<T>& solution, double from_s, double less) {
  const auto from = solution.place(from_s);
  double at = from_s - less / std::max(from.speed, kLeastSpeed);
  for (int step = 0; step < kTurnSteps; ++step) {
    const auto there = solution.place(at);
    const double away = there.angle - from.angle + less;
    at -= away / std::max(there.speed, kLeastSpeed);
    if (std::fabs(away) < kTurnFound) break;
  }
  return at;
}

}  // namespace

CoastProblem::CoastProblem(const std::vector<Coast>& coasts, const CoastOptions& options,
                           double unit_inertia, std::optional<Prior> inertia)
    : coasts_(coasts), options_(options), unit_(unit_inertia), inertia_(inertia) {
  bool any_added = false, any_alone = false;
  for (const Coast& coast : coasts_) (coast.added_kgm2 > 0 ? any_added : any_alone) = true;
  bool differing = any_added && any_alone;
  for (const Coast& coast : coasts_)
    differing = differing || coast.added_kgm2 != coasts_.front().added_kgm2;
  inertia_free_ = differing || inertia_.has_value();
  for (const Coast& coast : coasts_)
    with_age_ = with_age_ || (!coast.by_edges && !coast.windows_exact);
  for (const Coast& coast : coasts_) {
    from_rows_ = from_rows_ || coast.from_rows;
    by_turns_ = by_turns_ || coast.by_turns();
    if (coast.by_looks()) look_s_ = coast.look_s;
  }
  columns_ = common();
  for (const Coast& coast : coasts_) {
    column_of_.push_back(columns_);
    row_of_.push_back(data_rows_);
    columns_ += own_columns(coast);
    data_rows_ += static_cast<int>(coast.size());
    drift_rows_ += coast.flank_drift > 0 ? 1 : 0;
  }
  level_at_ = columns_;
  const int levels = with_levels() ? static_cast<int>(coasts_.size()) : 0;
  columns_ += levels;
  ripple_rows_ = options_.ripple ? kRipple * static_cast<int>(coasts_.size()) : 0;
  rows_ = data_rows_ + 1 + (with_age_ ? 1 : 0) + (by_looks() ? 1 : 0) +
          (options_.stribeck ? 1 : 0) + drift_rows_ + ripple_rows_ + levels;
}

int CoastProblem::own_columns(const Coast& coast) const {
  const int edges = coast.by_edges ? 1 + std::max(0, coast.slots - 1) : 0;
  return 1 + edges + (coast.flank_drift > 0 ? 1 : 0) + (options_.ripple ? kRipple : 0);
}

int CoastProblem::drift_column_of(std::size_t j) const {
  return column_of_[j] + 2 + std::max(0, coasts_[j].slots - 1);
}

int CoastProblem::ripple_column_of(std::size_t j) const {
  return column_of_[j] + own_columns(coasts_[j]) - kRipple;
}

// What is known of a ripple beforehand. Edges show it by themselves: a radian only bites where they
// do not. Among the values of rows almost anything could pass for one that is too large to be: the
// torque hardly swings by more than half of itself, marks and inertia by more than some hundredths.
double CoastProblem::ripple_sd(std::size_t j, int amplitude) const {
  constexpr double kOfAge = 1.41;  // √2/h: a sawtooth over a turn has the harmonics 2/h
  const Coast& coast = coasts_[j];
  if (!coast.from_rows || !options_.known_drag) return kByEdges;
  const int harmonic = 1 + amplitude / 2;
  if (coast.by_turns()) return kOfAge / harmonic;
  if (amplitude % 4 < 2) return kOfPlace;
  const double w = coast.speed_high;
  return kOfTorque * RippleBySpeed(coast, options_, unit_).slowing(w) / (w * w);
}

template <typename T>
CoastEquation<T> CoastProblem::equation(std::size_t j, const double* x) const {
  const Coast& coast = coasts_[j];
  const double level = with_levels() ? std::exp(x[level_column_of(j)]) : 1;
  const T c0 = level * variable<T>(x[0], 0), c1 = level * variable<T>(x[1], 1),
          c2 = level * variable<T>(x[2], 2);
  const T inertia = exponential(variable<T>(x[3], 3)) + coast.added_kgm2 / unit_;
  return options_.stribeck ? CoastEquation<T>(c0, c1, c2, inertia, level * variable<T>(x[4], kRise),
                                              exponential(variable<T>(x[5], kKnee)))
                           : CoastEquation<T>(c0, c1, c2, inertia);
}

template <typename T>
CoastSolution<T> CoastProblem::course(std::size_t j, const double* x) const {
  const Coast& coast = coasts_[j];
  const int steps = coast.by_edges      ? kStepsOfEdges
                    : options_.stribeck ? kStepsWithRise
                                        : kStepsOfWindows;
  return {equation<T>(j, x), variable<T>(x[column_of_[j]], kStartSpeed), coast.length_s, steps};
}

double CoastProblem::speed_before(const Eigen::VectorXd& x, std::size_t j, double before_s) const {
  constexpr int kSteps = 16;
  const CoastEquation<double> slows = equation<double>(j, x.data());
  const double step_s = -before_s / kSteps;
  double speed = x[column_of_[j]];
  for (int i = 0; i < kSteps; ++i)
    speed += step_s * slows.acceleration(speed + step_s / 2 * slows.acceleration(speed));
  return speed;
}

template <typename T>
void CoastProblem::fill_residuals(std::size_t j, const double* x, double scale, double* r,
                                  double* jacobian) const {
  const Coast& coast = coasts_[j];
  const int first = column_of_[j];
  const CoastSolution<T> solution = course<T>(j, x);
  const int age_at = drag_columns();
  const bool aged = with_age_ && !coast.by_edges && !coast.windows_exact;
  const int ripple_at = ripple_column_of(j);
  const RippleBySpeed by_speed(coast, options_, unit_);

  // What moves with the drag, the inertia and the start speed, `by` each of them.
  const auto add_to = [&](double* line, const auto& by) {
    for (int c = 0; c < 4; ++c) line[c] += by(c);
    line[first] += by(kStartSpeed);
    if (options_.stribeck) {
      line[4] += by(kRise);
      line[5] += by(kKnee);
    }
    // A level is all torques together: Σ x ∂/∂x.
    for (int c = 0; c < 3 && with_levels(); ++c) line[level_column_of(j)] += x[c] * by(c);
    if (with_levels() && options_.stribeck) line[level_column_of(j)] += x[4] * by(kRise);
  };

  // What the angle at a place adds to a value; its derivatives go straight into `line`. Returns how
  // fast it moves there.
  const auto add_angle = [&](const auto& m, double factor, double* line, double& value) {
    const double speed = value_of(m.speed);
    value += factor * value_of(m.angle);
    Moved moved;
    if (options_.ripple && !coast.by_turns()) {
      const auto shapes = ripple_shapes(value_of(m.angle), speed, by_speed);
      for (std::size_t c = 0; c < kRipple; ++c) {
        const double amplitude = x[ripple_at + static_cast<int>(c)];
        value += factor * amplitude * shapes[c];
        if (line) line[ripple_at + static_cast<int>(c)] += factor * shapes[c];
      }
      if (line) moved = moved_by(shapes, x + ripple_at, speed, by_speed);
    }
    if (line)
      add_to(line, [&](int variable) {
        return factor * ((1 + moved.by_angle) * derivative(m.angle, variable) +
                         moved.by_speed * derivative(m.speed, variable));
      });
    return speed * (1 + moved.by_angle) + moved.by_speed * m.acceleration;
  };

  // No ripple is in it: what one changes at the ends of a turn is added to the turn's angle, the
  // same to first order.
  const auto passed = [&](double from_s, double less) { return passed_at(solution, from_s, less); };
  // Adds `factor` times the derivatives of the moment `there`, at which the angle was less than at
  // `from` by some that goes with e^x[age] by `by_reach`.
  using Motion = typename CoastSolution<T>::Motion;
  const auto add_moment = [&](const Motion& there, const Motion& from, double by_reach,
                              double factor, double* line) {
    const double by_angle = factor / std::max(value_of(there.speed), kLeastSpeed);
    add_to(line, [&](int variable) {
      return by_angle * (derivative(from.angle, variable) - derivative(there.angle, variable));
    });
    line[age_at] -= by_angle * by_reach;
  };
  // The same of a moment at which a mark was passed.
  const auto add_mark = [&](const Motion& there, double factor, double* line) {
    const double by_angle = factor / std::max(value_of(there.speed), kLeastSpeed);
    add_to(line, [&](int variable) { return -by_angle * derivative(there.angle, variable); });
  };
  const auto add_turns = [&](double end_s, double speed, double* line, double& value) {
    const double reach = std::exp(x[age_at]);
    const double root = std::sqrt(reach * (reach + 2 * kPi));
    const Motion end = solution.at(end_s);
    for (const TurnShown& shown : turns_shown(coast.over)) {
      const double ago = reach + shown.spread * root;
      const double by_log = reach * (1 + shown.spread * (reach + kPi) / root);
      const double last = passed(end_s, ago), before = passed(end_s, ago + 2 * kPi);
      const Motion at_last = solution.at(last), at_before = solution.at(before);
      const double factor = shown.share / (last - before);
      double mean = 0;
      const double rate_last = add_angle(at_last, factor, line, mean);
      const double rate_before = add_angle(at_before, -factor, line, mean);
      value += mean;
      if (!line) continue;
      const double own = mean / shown.share;
      add_moment(at_last, end, by_log, factor * (rate_last - own), line);
      add_moment(at_before, end, by_log, factor * (own - rate_before), line);
    }
    value -= speed;
    // Where rows are slower than turns, how long ago the last turn ended goes with the place of the
    // shaft: harmonics of a sawtooth, to first order.
    const double late = options_.ripple ? by_speed.by_age(speed, coast.row_s) : 0;
    if (late == 0) return;
    double by_angle = 0;
    for (int h = 1; h <= kRipple / 2; ++h) {
      const int column = ripple_at + 2 * (h - 1);
      const double c = std::cos(h * value_of(end.angle)), s = std::sin(h * value_of(end.angle));
      value += late * (x[column] * c + x[column + 1] * s);
      by_angle += late * h * (x[column + 1] * c - x[column] * s);
      if (!line) continue;
      line[column] += late * c;
      line[column + 1] += late * s;
    }
    if (line)
      add_to(line, [&](int variable) { return by_angle * derivative(end.angle, variable); });
  };

  // The last edge before a row lies the age of an edge, an angle, before it: by the shaft's own
  // course, not by the value, which may be a mean over much of the way to standstill. Through the
  // look that follows it an edge is not older than until the next one.
  struct Edge {
    double at;
    bool bounded;  // does not move with the age any more
  };
  const double old = !aged ? 0 : coast.from_rows ? std::exp(x[age_at]) : x[age_at];
  const auto edge_before = [&](double row_s) -> Edge {
    if (!aged) return {row_s, true};
    const double at = passed(row_s, old);
    if (coast.from_rows && !(row_s - at < coast.oldest_s)) return {row_s - coast.oldest_s, true};
    return {at, false};
  };
  // The middle in time of a mean over twice the angle: that took twice the angle over the value.
  const auto middle_before = [&](double row_s, double speed) -> Edge {
    const double late = old / speed;
    if (!aged || !(late < coast.oldest_s)) return {row_s - (aged ? coast.oldest_s : 0), true};
    return {row_s - late, false};
  };
  const double by_reach = coast.from_rows ? old : 1;
  // An edge, with the motion there and at its row. Where one window begins another one has ended.
  struct Known {
    double row_s;
    Edge edge;
    Motion there, row;
  };
  std::optional<Known> known;
  const auto edge_known = [&](double row_s) -> Known {
    if (known && known->row_s == row_s) return *known;
    const Edge edge = edge_before(row_s);
    return {row_s, edge, solution.at(edge.at), edge.bounded ? Motion{} : solution.at(row_s)};
  };
  const auto add_window = [&](std::size_t i, double* line, double& value) {
    const double speed = coast.speed[i], end_s = coast.end_s[i], start_s = coast.start_s[i];
    const bool instant = coast.over == WayToRead::Over::kInstant;
    Known before{}, last{};
    double back = by_reach;  // by which the beginning goes with the age
    if (coast.by_marks()) {
      const double mark = coast.first_mark + coast.pitch * coast.mark[i];
      last.edge = {passed(end_s, solution.place(end_s).angle - mark), false};
      last.there = solution.at(last.edge.at);
      before.edge = {passed(last.edge.at, 2 * kPi), false};
      before.there = solution.at(before.edge.at);
    } else if (instant) {
      last.edge = middle_before(end_s, speed);
      last.there = solution.at(last.edge.at);
      before.edge = {last.edge.at - (end_s - start_s), true};
      before.there = solution.at(before.edge.at);
    } else if (coast.over == WayToRead::Over::kLastTurn ||
               coast.over == WayToRead::Over::kLastPulse) {
      // An edge is half a pulse old on average.
      const bool pulse = coast.over == WayToRead::Over::kLastPulse;
      last = edge_known(end_s);
      before.edge = {passed(last.edge.at, pulse ? 2 * old : coast.turns * 2 * kPi), false};
      before.there = solution.at(before.edge.at);
      before.row = last.edge.bounded ? last.there : last.row;
      back = (pulse ? 2 * by_reach : 0) + (last.edge.bounded ? 0 : by_reach);
    } else {
      before = edge_known(start_s);
      last = edge_known(end_s);
      known = last;
    }
    const double factor = 1 / (last.edge.at - before.edge.at);
    double mean = 0;
    const double rate_last = add_angle(last.there, factor, line, mean);
    const double rate_before = add_angle(before.there, -factor, line, mean);
    value += mean - speed;
    if (!line) return;
    if (coast.by_marks()) {
      add_mark(last.there, factor * (rate_last - mean), line);
      add_mark(before.there, factor * (mean - rate_before), line);
      return;
    }
    if (instant && !last.edge.bounded)
      line[age_at] -= factor * (rate_last - rate_before) * by_reach / speed;
    else if (!last.edge.bounded)
      add_moment(last.there, last.row, by_reach, factor * (rate_last - mean), line);
    if (!before.edge.bounded)
      add_moment(before.there, before.row, back, factor * (mean - rate_before), line);
  };

  // What a display takes in when it looks: the mean since it looked before, or over the last pulse
  // where that takes longer. Returns how fast it changes with the moment.
  const auto add_look = [&](double at_s, double window_s, double factor, double* line,
                            double& value) {
    const Motion row = solution.at(at_s);
    const Edge last = edge_before(at_s);
    Edge before = edge_before(at_s - window_s);
    const double pulse = passed(at_s, 3 * old);
    const bool by_pulse = pulse < before.at;
    if (by_pulse) before = {pulse, false};
    const Motion from = by_pulse ? row : solution.at(at_s - window_s);
    const Motion at_last = solution.at(last.at), at_before = solution.at(before.at);
    const double over = 1 / (last.at - before.at);
    double mean = 0;
    const double rate_last = add_angle(at_last, factor * over, line, mean);
    const double rate_before = add_angle(at_before, -factor * over, line, mean);
    value += mean;
    const double own = mean / factor;
    const double by_last = over * (rate_last - own), by_before = over * (own - rate_before);
    if (line && !last.bounded) add_moment(at_last, row, by_reach, factor * by_last, line);
    if (line && !before.bounded)
      add_moment(at_before, from, by_pulse ? 3 * by_reach : by_reach, factor * by_before, line);
    const auto moves = [&](const Edge& edge, const Motion& start, const Motion& there) {
      return edge.bounded ? 1
                          : value_of(start.speed) / std::max(value_of(there.speed), kLeastSpeed);
    };
    return by_last * moves(last, row, at_last) + by_before * moves(before, from, at_before);
  };
  const auto add_looks = [&](std::size_t i, double* line, double& value) {
    const double over_s = std::exp(x[looks_column()]), window_s = coast.series.window_s[i];
    if (coast.over == WayToRead::Over::kSmoothedLooks) {
      const double keeps = std::exp(-window_s / over_s), share = 1 - keeps;
      double taken_in = 0;
      add_look(coast.end_s[i], window_s, share, line, taken_in);
      value += taken_in + keeps * coast.before[i] - coast.speed[i];
      if (line)
        line[looks_column()] -= (taken_in / share - coast.before[i]) * keeps * window_s / over_s;
      return;
    }
    for (const TurnShown& shown : turns_shown(WayToRead::Over::kMeanOfTurns)) {
      const double ago_s = over_s * (1 + shown.spread) / 2;
      const double changes = add_look(coast.end_s[i] - ago_s, window_s, shown.share, line, value);
      if (line) line[looks_column()] -= shown.share * changes * ago_s;
    }
    value -= coast.speed[i];
  };

  const auto add_drift = [&](const Motion& there, double* line, double& value) {
    const int drift = drift_column_of(j);
    const double speed = std::max(value_of(there.speed), kLeastSpeed);
    const double by_amount = coast.flank_drift / speed;
    value += x[drift] * by_amount;
    if (!line) return;
    line[drift] = by_amount;
    add_to(line, [&](int variable) {
      return -x[drift] * by_amount / speed * derivative(there.speed, variable);
    });
  };

  for (std::size_t i = 0; i < coast.size(); ++i) {
    double* line = jacobian ? jacobian + static_cast<std::ptrdiff_t>(i) * columns_ : nullptr;
    const double spread = coast.spread.empty() ? 1 : coast.spread[i];
    const double weight =
        scale > 0 ? scale
        : coast.from_rows
            ? 1
            : std::sqrt(coast.weight[i]) / (coast.noise_sd * spread * std::sqrt(coast.correlation));
    double value = 0;
    if (coast.by_edges) {
      const Motion there = solution.at(coast.time_s[i]);
      add_angle(there, 1, line, value);
      value += x[first + 1] - coast.angle[i];
      if (line) line[first + 1] = 1;
      if (coast.flank_drift > 0) add_drift(there, line, value);
      if (coast.slots > 1 && coast.slot[i] > 0) {
        value += x[first + 1 + coast.slot[i]];
        if (line) line[first + 1 + coast.slot[i]] = 1;
      }
    } else if (coast.by_looks()) {
      add_looks(i, line, value);
    } else if (coast.by_turns()) {
      add_turns(coast.end_s[i], coast.speed[i], line, value);
    } else {
      add_window(i, line, value);
    }
    r[i] = weight * value;
    if (line)
      for (int c = 0; c < columns_; ++c) line[c] *= weight;
  }
}

void CoastProblem::residuals_of(std::size_t j, const double* x, double scale, double* r,
                                double* jacobian) const {
  if (jacobian == nullptr)
    fill_residuals<double>(j, x, scale, r, nullptr);
  else if (options_.stribeck)
    fill_residuals<ceres::Jet<double, 7>>(j, x, scale, r, jacobian);
  else
    fill_residuals<ceres::Jet<double, 5>>(j, x, scale, r, jacobian);
}

bool CoastProblem::evaluate(const double* x, double* r, double* jacobian) const {
  if (!(std::fabs(x[3]) < 30)) return false;
  if (jacobian) std::fill(jacobian, jacobian + static_cast<std::ptrdiff_t>(rows_) * columns_, 0.0);
  for (std::size_t j = 0; j < coasts_.size(); ++j) {
    double* const lines =
        jacobian ? jacobian + static_cast<std::ptrdiff_t>(row_of_[j]) * columns_ : nullptr;
    residuals_of(j, x, 0, r + row_of_[j], lines);
    if (coasts_[j].from_rows) whiten(j, r + row_of_[j], lines);
  }
  // Inertia: what is known, or (when nothing fixes it) held at the unit.
  int at = data_rows_;
  double mean = 0, sd = inertia_free_ ? 3.0 : 1e-9;
  if (inertia_) {
    mean = std::log(inertia_->mean / unit_);
    sd = std::max(1e-7, inertia_->sd / inertia_->mean);
  }
  r[at] = (x[3] - mean) / sd;
  if (jacobian) jacobian[static_cast<std::ptrdiff_t>(at) * columns_ + 3] = 1 / sd;
  ++at;
  if (with_age_) {
    const double age = from_rows_ ? options_.log_age : kAge;
    const double age_sd = from_rows_ ? options_.log_age_sd : kAgeSd;
    r[at] = (x[drag_columns()] - age) / age_sd;
    if (jacobian)
      jacobian[static_cast<std::ptrdiff_t>(at) * columns_ + drag_columns()] = 1 / age_sd;
    ++at;
  }
  if (by_looks()) {
    r[at] = (x[looks_column()] - std::log(kLooks * look_s_)) / kLogLooksSd;
    if (jacobian)
      jacobian[static_cast<std::ptrdiff_t>(at) * columns_ + looks_column()] = 1 / kLogLooksSd;
    ++at;
  }
  if (options_.stribeck) {  // a knee lies between standstill and a third of the top speed
    const double knee = std::log(0.12 * coasts_.front().speed_high);
    r[at] = (x[5] - knee) / 0.7;
    if (jacobian) jacobian[static_cast<std::ptrdiff_t>(at) * columns_ + 5] = 1 / 0.7;
    ++at;
  }
  for (std::size_t j = 0; j < coasts_.size(); ++j) {
    if (!(coasts_[j].flank_drift > 0)) continue;
    const int c = drift_column_of(j);
    r[at] = x[c];
    if (jacobian) jacobian[static_cast<std::ptrdiff_t>(at) * columns_ + c] = 1;
    ++at;
  }
  for (std::size_t j = 0; options_.ripple && j < coasts_.size(); ++j)
    for (int i = 0; i < kRipple; ++i, ++at) {
      const int c = ripple_column_of(j) + i;
      const double ripple = ripple_sd(j, i);
      r[at] = x[c] / ripple;
      if (jacobian) jacobian[static_cast<std::ptrdiff_t>(at) * columns_ + c] = 1 / ripple;
    }
  for (Eigen::Index i = 0; i < options_.level_root.rows(); ++i, ++at) {
    r[at] = 0;
    for (Eigen::Index j = 0; j < options_.level_root.cols(); ++j) {
      const int column = level_column_of(static_cast<std::size_t>(j));
      r[at] += options_.level_root(i, j) * x[column];
      if (jacobian)
        jacobian[static_cast<std::ptrdiff_t>(at) * columns_ + column] = options_.level_root(i, j);
    }
  }
  for (int i = 0; i < rows_; ++i)
    if (!std::isfinite(r[i])) return false;
  return true;
}

// The common columns and those of run j itself: no others are touched by it.
void CoastProblem::whiten(std::size_t j, double* r, double* lines) const {
  const Whitener& whitener = coasts_[j].whitener;
  whitener.apply(r, 1);
  if (!lines) return;
  for (int c = 0; c < common(); ++c) whitener.apply(lines + c, columns_);
  for (int c = column_of_[j]; c < column_of_[j] + own_columns(coasts_[j]); ++c)
    whitener.apply(lines + c, columns_);
  if (with_levels()) whitener.apply(lines + level_column_of(j), columns_);
}

Eigen::MatrixXd CoastProblem::plain_derivatives(const Eigen::VectorXd& x, std::size_t j) const {
  const auto n = static_cast<Eigen::Index>(coasts_[j].size());
  Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor> lines =
      Eigen::MatrixXd::Zero(n, columns_);
  std::vector<double> r(coasts_[j].size());
  residuals_of(j, x.data(), 1.0, r.data(), lines.data());
  return lines;
}

std::vector<double> CoastProblem::plain_residuals(const Eigen::VectorXd& x, std::size_t j) const {
  std::vector<double> r(coasts_[j].size());
  residuals_of(j, x.data(), 1.0, r.data(), nullptr);
  return r;
}

// A uniform age has its mean over √3 as standard deviation; the speed changes with it as it does
// from value to value. The two ends of a window since the value before are off on their own.
std::vector<double> CoastProblem::timing(const Eigen::VectorXd& x, std::size_t j) const {
  const Coast& coast = coasts_[j];
  const bool turn =
      coast.over == WayToRead::Over::kLastTurn || coast.over == WayToRead::Over::kLastPulse;
  const bool pulses = turn || coast.over == WayToRead::Over::kSinceBefore || coast.by_looks();
  const bool aged = with_age_ && !coast.windows_exact && coast.oldest_s > 0;
  const std::size_t n = coast.size();
  if (!coast.from_rows || !pulses || (!aged && !coast.by_marks()) || n < 3) return {};
  // Marks are known but for what they are out of place by, at most.
  const double mean_age = coast.by_marks() ? coast.pitch / 2 : std::exp(x[drag_columns()]);
  const std::vector<double> residual = plain_residuals(x, j);
  const double share = (turn ? 1 : std::sqrt(0.5)) * shown_at_once(x, j);
  std::vector<double> off(n);
  for (std::size_t i = 0; i < n; ++i) {
    const std::size_t a = i > 0 ? i - 1 : 0, b = std::min(i + 1, n - 1);
    const double fell = residual[b] + coast.speed[b] - residual[a] - coast.speed[a];
    const double age = std::min(mean_age / coast.speed[i], coast.oldest_s);
    off[i] = share * std::fabs(fell) / (coast.end_s[b] - coast.end_s[a]) * age / std::sqrt(3.0);
  }
  return off;
}

std::vector<double> CoastProblem::shown_residuals(const Eigen::VectorXd& x, std::size_t j) const {
  const Coast& coast = coasts_[j];
  std::vector<double> r = plain_residuals(x, j);
  if (coast.over != WayToRead::Over::kSmoothedLooks) return r;
  for (std::size_t i = 1; i < r.size(); ++i)
    r[i] += std::exp(-coast.series.window_s[i] / shown_over_s(x)) * r[i - 1];
  return r;
}

double CoastProblem::shown_over_s(const Eigen::VectorXd& x) const {
  return by_looks() ? std::exp(x[looks_column()]) : 0;
}

double CoastProblem::shown_at_once(const Eigen::VectorXd& x, std::size_t j) const {
  const Coast& coast = coasts_[j];
  if (coast.over != WayToRead::Over::kSmoothedLooks) return 1;
  return 1 - std::exp(-coast.look_s / shown_over_s(x));
}

CoastProblem::TurnsAtRows CoastProblem::turns_at_rows(const Eigen::VectorXd& x, std::size_t j,
                                                      double ago) const {
  const Coast& coast = coasts_[j];
  const CoastSolution<double> solution = course<double>(j, x.data());
  TurnsAtRows turns;
  turns.angle.reserve(coast.size());
  turns.above.reserve(coast.size());
  for (std::size_t i = 0; i < coast.size(); ++i) {
    const double last = passed_at(solution, coast.end_s[i], ago);
    const double before = passed_at(solution, last, 2 * kPi);
    turns.angle.push_back(solution.place(coast.end_s[i]).angle);
    turns.above.push_back(2 * kPi / (last - before) - coast.speed[i]);
  }
  return turns;
}

Eigen::VectorXd CoastProblem::start() const {
  // Decelerations by windows some tenths of the run apart, regressed on 1, ω, ω² for each run.
  std::vector<Eigen::Vector3d> fits;
  for (const Coast& coast : coasts_) {
    const std::size_t n = coast.speed.size();
    const std::size_t reach = std::max<std::size_t>(1, n / 12);
    Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
    Eigen::Vector3d right = Eigen::Vector3d::Zero();
    for (std::size_t i = reach; i + reach < n; ++i) {
      const double dt = (coast.end_s[i + reach] + coast.start_s[i + reach] -
                         coast.end_s[i - reach] - coast.start_s[i - reach]) /
                        2;
      const double u = coast.speed[i] / coast.speed_high;
      const Eigen::Vector3d basis(1, u, u * u);
      normal += basis * basis.transpose();
      right += basis * (coast.speed[i - reach] - coast.speed[i + reach]) / dt;
    }
    normal += 1e-6 * normal.trace() * Eigen::Matrix3d::Identity();
    fits.push_back(normal.ldlt().solve(right));
  }
  Eigen::VectorXd x = Eigen::VectorXd::Zero(columns_);
  if (with_age_ && from_rows_) x[drag_columns()] = by_turns_ ? options_.log_age : kRowAgeAtFirst;
  if (by_looks()) x[looks_column()] = std::log(kLooksAtFirst * look_s_);
  if (inertia_) x[3] = std::log(inertia_->mean / unit_);
  // Mean decelerations with and without added inertia give J: a₁/a₂ = (J+D₂)/(J+D₁).
  const auto mean = [](const Eigen::Vector3d& f) { return f[0] + f[1] / 2 + f[2] / 3; };
  for (std::size_t j = 1; j < coasts_.size() && inertia_free_ && !inertia_; ++j) {
    const double d1 = coasts_[0].added_kgm2, d2 = coasts_[j].added_kgm2;
    const double ratio = mean(fits[0]) / mean(fits[j]);
    if (d1 == d2 || !(std::fabs(ratio - 1) > 1e-3)) continue;
    const double inertia = (d2 - ratio * d1) / (ratio - 1);
    if (inertia > 0) x[3] = std::log(inertia / unit_);
    break;
  }
  const double total = std::exp(x[3]) + coasts_[0].added_kgm2 / unit_;
  for (int c = 0; c < 3; ++c) x[c] = fits[0][c] * total / std::pow(coasts_[0].speed_high, c);
  if (options_.stribeck) {
    x[4] = 0.1 * x[0];
    x[5] = std::log(0.12 * coasts_[0].speed_high);
  }
  for (std::size_t j = 0; j < coasts_.size(); ++j) x[column_of_[j]] = coasts_[j].speed_high;
  return x;
}

Eigen::VectorXd CoastProblem::start_at(const CoastProblem& other,
                                       const Eigen::VectorXd& solved) const {
  Eigen::VectorXd x = start();
  const int drag = std::min(drag_columns(), other.drag_columns());
  x.head(drag) = solved.head(drag);
  if (with_age_) {
    x[drag_columns()] = solved[other.drag_columns()];
    if (options_.log_age != other.options_.log_age) x[drag_columns()] = options_.log_age;
  }
  if (by_looks() && other.by_looks()) x[looks_column()] = solved[other.looks_column()];
  for (std::size_t j = 0; j < coasts_.size(); ++j) {  // the ripple, which one may lack, stands last
    const int own = std::min(own_columns(coasts_[j]), other.own_columns(coasts_[j]));
    x.segment(column_of_[j], own) = solved.segment(other.column_of_[j], own);
    if (const double earlier = other.coasts_[j].origin_s - coasts_[j].origin_s; earlier != 0)
      x[column_of_[j]] = other.speed_before(solved, j, earlier);
    if (with_levels() && other.with_levels())
      x[level_column_of(j)] = solved[other.level_column_of(j)];
  }
  return x;
}

}  // namespace loadline
