#include "motion.h"

#include <algorithm>
#include <array>
#include <cmath>

namespace benches {

namespace {

struct State {
  double angle, momentum;
};

class Stepper {
 public:
  explicit Stepper(const Shaft& shaft) : shaft_(shaft) {}

  void between(double from, double to) { from_ = from, to_ = to; }

  double inertia(double angle) const {
    double j = shaft_.inertia;
    for (const Swing& swing : shaft_.crank) j += swing.at(angle);
    return j;
  }

  double slope(double angle) const {
    double d = 0.0;
    for (const Swing& swing : shaft_.crank) d += swing.slope(angle);
    return d;
  }

  // The torque within the stretch, also when asked at its very ends, where it may jump.
  double torque(double t, double angle, double speed) const {
    const double inside = 1e-9 * (to_ - from_);
    return shaft_.torque(std::clamp(t, from_ + inside, to_ - inside), angle, speed);
  }

  State rate(double t, const State& y) const {
    const double speed = y.momentum / inertia(y.angle);
    return {speed, torque(t, y.angle, speed) + 0.5 * slope(y.angle) * speed * speed};
  }

  Instant instant(double t, const State& y) const {
    const double j = inertia(y.angle), speed = y.momentum / j;
    const double push = torque(t, y.angle, speed) - 0.5 * slope(y.angle) * speed * speed;
    return {t, y.angle, speed, push / j};
  }

  // One step of h; *error gets the difference between the orders.
  State step(double t, const State& y, double h, State* error) const {
    static constexpr double a[7][6] = {
        {},
        {1.0 / 5},
        {3.0 / 40, 9.0 / 40},
        {44.0 / 45, -56.0 / 15, 32.0 / 9},
        {19372.0 / 6561, -25360.0 / 2187, 64448.0 / 6561, -212.0 / 729},
        {9017.0 / 3168, -355.0 / 33, 46732.0 / 5247, 49.0 / 176, -5103.0 / 18656},
        {35.0 / 384, 0, 500.0 / 1113, 125.0 / 192, -2187.0 / 6784, 11.0 / 84}};
    static constexpr double c[7] = {0, 0.2, 0.3, 0.8, 8.0 / 9, 1, 1};
    static constexpr double e[7] = {71.0 / 57600,      0,          -71.0 / 16695, 71.0 / 1920,
                                    -17253.0 / 339200, 22.0 / 525, -1.0 / 40};
    std::array<State, 7> k{};
    State end = y;
    *error = {0, 0};
    for (std::size_t i = 0; i < 7; ++i) {
      end = y;
      for (std::size_t j = 0; j < i; ++j) {
        end.angle += h * a[i][j] * k[j].angle;
        end.momentum += h * a[i][j] * k[j].momentum;
      }
      k[i] = rate(t + c[i] * h, end);
      error->angle += h * e[i] * k[i].angle;
      error->momentum += h * e[i] * k[i].momentum;
    }
    return end;
  }

 private:
  const Shaft& shaft_;
  double from_ = 0.0, to_ = 1.0;
};

// The length of the step from y, at most h, after which the shaft stands.
double step_to_rest(const Stepper& stepper, double t, const State& y, double h) {
  double low = 0.0, high = h;
  State unused{};
  for (int i = 0; i < 60; ++i) {
    const double middle = 0.5 * (low + high);
    (stepper.step(t, y, middle, &unused).momentum > 0.0 ? low : high) = middle;
  }
  return high;
}

// From one jump to the next; adds instants to `motion`, ends with the state at `to`.
State stretch(const Shaft& shaft, Stepper& stepper, State y, double from, double to,
              Motion& motion) {
  constexpr double kAngle = 1e-8, kRelative = 1e-9;  // rad; share of the momentum
  stepper.between(from, to);
  double t = from, h = std::min(1e-3, to - from);
  const double scale = kRelative * (shaft.inertia * 10.0);  // as if 10 rad/s, near standstill
  const auto rest = [&] {
    motion.add({t, y.angle, 0.0, 0.0});
    motion.add({to, y.angle, 0.0, 0.0});
    return State{y.angle, 0.0};
  };
  if (y.momentum <= 0.0 && stepper.torque(from, y.angle, 0.0) <= 0.0) return rest();
  motion.add(stepper.instant(t, y));
  while (t < to) {
    const double speed = std::abs(y.momentum) / shaft.inertia;
    h = std::min({h, shaft.most_time, shaft.most_angle / std::max(speed, 1e-3), to - t});
    State error{};
    const State next = stepper.step(t, y, h, &error);
    const double off = std::max(std::abs(error.angle) / kAngle,
                                std::abs(error.momentum) / (scale + kRelative * y.momentum));
    if (off > 1.0 && h > 1e-9) {
      h *= std::max(0.2, 0.9 * std::pow(off, -0.2));
      continue;
    }
    if (next.momentum <= 0.0) {
      h = step_to_rest(stepper, t, y, h);
      y = stepper.step(t, y, h, &error);
      t += h;
      y.momentum = 0.0;
      motion.add(stepper.instant(t, y));
      return rest();
    }
    t = to - t - h < 1e-12 ? to : t + h;
    y = next;
    motion.add(stepper.instant(t, y));
    h *= std::min(4.0, 0.9 * std::pow(off + 1e-6, -0.2));
  }
  return y;
}

}  // namespace

Instant Motion::between(std::size_t i, double t) const {
  const Instant &p = instants_[i], &q = instants_[i + 1];
  const double h = q.t - p.t;
  if (h <= 0.0) return q;
  // Quintic in s with the given value, slope and curvature at both ends.
  const double s = (t - p.t) / h, v = p.speed * h, c = 0.5 * p.acceleration * h * h;
  const double d0 = q.angle - p.angle - v - c, d1 = q.speed * h - v - 2 * c,
               d2 = q.acceleration * h * h - 2 * c;
  const double k3 = 10 * d0 - 4 * d1 + 0.5 * d2, k4 = -15 * d0 + 7 * d1 - d2,
               k5 = 6 * d0 - 3 * d1 + 0.5 * d2;
  Instant r;
  r.t = t;
  r.angle = p.angle + s * (v + s * (c + s * (k3 + s * (k4 + s * k5))));
  r.speed = (v + s * (2 * c + s * (3 * k3 + s * (4 * k4 + s * 5 * k5)))) / h;
  r.acceleration = (2 * c + s * (6 * k3 + s * (12 * k4 + s * 20 * k5))) / (h * h);
  return r;
}

Instant Motion::at(double t) const {
  if (t <= begin()) return instants_.front();
  if (t >= end()) return instants_.back();
  const auto after = std::upper_bound(instants_.begin(), instants_.end(), t,
                                      [](double x, const Instant& i) { return x < i.t; });
  return between(static_cast<std::size_t>(after - instants_.begin()) - 1, t);
}

double Motion::below(double speed) const {
  std::size_t i = instants_.size();
  while (i > 0 && instants_[i - 1].speed < speed) --i;
  return i == instants_.size() ? end() : instants_[i].t;
}

std::vector<double> Motion::times_of(const std::vector<double>& angles) const {
  std::vector<double> times;
  std::size_t i = 0;
  for (const double angle : angles) {
    if (angle < instants_.front().angle) continue;
    while (i + 2 < instants_.size() && instants_[i + 1].angle < angle) ++i;
    if (instants_[i + 1].angle < angle) break;
    double low = instants_[i].t, high = instants_[i + 1].t, t = 0.5 * (low + high);
    for (int n = 0; n < 60 && high - low > 1e-12; ++n) {  // Newton, kept within its bounds
      const Instant here = between(i, t);
      (here.angle < angle ? low : high) = t;
      const double newton = t - (here.angle - angle) / std::max(here.speed, 1e-9);
      if (std::abs(newton - t) < 1e-12) break;
      t = newton > low && newton < high ? newton : 0.5 * (low + high);
    }
    times.push_back(t);
  }
  return times;
}

double Swing::at(double angle) const { return amount * std::cos(times * angle + phase); }

double Swing::slope(double angle) const {
  return -amount * times * std::sin(times * angle + phase);
}

Motion turn(const Shaft& shaft, Instant start, double end) {
  Motion motion;
  Stepper stepper(shaft);
  State y{start.angle, start.speed * stepper.inertia(start.angle)};
  std::vector<double> ends;
  for (const double jump : shaft.jumps)
    if (jump > start.t && jump < end) ends.push_back(jump);
  ends.push_back(end);
  double from = start.t;
  for (const double to : ends) {
    y = stretch(shaft, stepper, y, from, to, motion);
    from = to;
  }
  return motion;
}

}  // namespace benches
