// Rows of imported runs, made from formulas that share nothing with the code under test.
#pragma once

#include <cmath>
#include <functional>
#include <numbers>
#include <random>
#include <vector>

#include "db/book.h"

namespace loadline::tests {

inline constexpr double kRpm = 30.0 / std::numbers::pi;  // of one rad/s

/// Noise with first autocorrelation `rho` and standard deviation `sd`.
class RememberingNoise {
 public:
  RememberingNoise(double sd, double rho, unsigned seed)
      : random_(seed), step_(sd * std::sqrt(1 - rho * rho)), rho_(rho) {}
  // Scaled here, because a normal distribution's own deviation may not be 0.
  double operator()() { return last_ = rho_ * last_ + step_ * normal_(random_); }

 private:
  std::mt19937 random_;
  std::normal_distribution<double> normal_;
  double step_, rho_, last_ = 0;
};

/// One brake run of the books' tests: speed goes down and up again, the cell reads the brake late.
struct BrakeBench {
  std::function<double(double)> torque;  ///< net, of speed
  double top = 1000, lowest = 15;        ///< rad/s
  double seconds = 15, rows_hz = 80;
  double inertia = 1e-4, lag_s = 0.025;
  double noise = 0, rho = 0.85, drift = 0;
  unsigned seed = 1;
  bool straight = false;  ///< down and up at one pace each, turned about at once

  double speed(double t) const {
    if (straight) return lowest + (top - lowest) * std::fabs(2 * t / seconds - 1);
    return top - (top - lowest) * 0.5 * (1 - std::cos(2 * std::numbers::pi * t / seconds));
  }
  double acceleration(double t) const {
    if (straight) return (t < seconds / 2 ? -2 : 2) * (top - lowest) / seconds;
    return -(top - lowest) * std::numbers::pi / seconds *
           std::sin(2 * std::numbers::pi * t / seconds);
  }
  /// Angle turned since the start, by Simpson's rule on a fine grid: the mean speed of a window.
  double mean_speed(double a, double b) const {
    return (speed(a) + 4 * speed((a + b) / 2) + speed(b)) / 6;
  }
  std::vector<ImportedReading> rows() const {
    RememberingNoise wander(noise, rho, seed);
    std::vector<ImportedReading> rows;
    const double step = 1 / rows_hz;
    for (double t = step; t < seconds; t += step) {
      ImportedReading row;
      row.time_s = t;
      row.motor_rpm = mean_speed(t - step, t) * kRpm;
      const double then = t - lag_s;
      row.torque_nm =
          torque(speed(then)) - inertia * acceleration(then) + wander() + drift * t / seconds;
      rows.push_back(row);
    }
    return rows;
  }
};

/// Stores rows as a complete run and returns its number.
inline std::int64_t store(Book& book, Run run, const std::vector<ImportedReading>& rows) {
  run.source = RunSource::kFile;
  Book::Transaction transaction(book);
  const std::int64_t id = book.begin_run(run);
  book.append(id, rows);
  book.end_run(id, RunState::kComplete);
  transaction.commit();
  return id;
}

inline Part add_part(Book& book, PartKind kind, const std::string& name) {
  Part part;
  part.kind = kind;
  part.name = name;
  part.id = book.add(part);
  return book.part(kind, part.id);
}

/// Rows of a tachometer that counts reciprocally and repeats its value until a new edge comes; it
/// looks for one at every `renewed`th row.
inline std::vector<ImportedReading> tachometer_rows(const std::function<double(double)>& angle,
                                                    double seconds, double rows_hz, int pulses,
                                                    bool hand_wheel, int renewed = 1) {
  const double pitch = 2 * std::numbers::pi / pulses, fine = 2e-5;
  std::vector<double> edges;
  long long next = static_cast<long long>(std::floor(angle(0) / pitch)) + 1;
  for (double t = fine; t < seconds; t += fine)
    while (angle(t) >= static_cast<double>(next) * pitch) {
      // Linear between two instants 20 µs apart.
      const double before = angle(t - fine),
                   share = (static_cast<double>(next) * pitch - before) / (angle(t) - before);
      edges.push_back(t - fine + share * fine);
      ++next;
    }
  std::vector<ImportedReading> rows;
  std::size_t seen = 0, last = 0;
  double value = std::nan("");
  int number = 0;
  for (double t = 0.2; t < seconds; t += 1 / rows_hz, ++number) {
    const bool looks = number % renewed == 0;
    while (looks && seen < edges.size() && edges[seen] <= t) ++seen;
    if (seen > 0 && last == 0) last = seen;
    if (last > 0 && seen > last) {
      value = static_cast<double>(seen - last) * pitch / (edges[seen - 1] - edges[last - 1]);
      last = seen;
    }
    ImportedReading row;
    row.time_s = t;
    (hand_wheel ? row.handwheel_rpm : row.motor_rpm) = value * kRpm;
    rows.push_back(row);
  }
  return rows;
}

}  // namespace loadline::tests
