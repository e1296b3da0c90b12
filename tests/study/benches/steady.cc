// Tables typed from a notebook: a hand tachometer, a spring balance on the brake's arm, no times.
#include <algorithm>
#include <cmath>

#include "bench.h"
#include "motion.h"
#include "motor.h"

namespace benches {

namespace {

constexpr double kGravity = 9.80665;

struct Notebook {
  int points = 10;
  int repeats = 1;           // readings of each setting
  bool says_sd = false;      // columns with standard uncertainties
  bool with_free = true;     // the first point is without brake
  double arm = 0.1;          // m
  double balance_digit = 5;  // g, last digit of the spring balance
  double balance_sd = 2;     // g, error of reading it
  double balance_share = 0;  // and of the force itself, share (it is never quite still)
  double rpm_digit = 1;      // rpm, last digit of the hand tachometer
  double rpm_share = 0;      // scatter of the speed, share
};

Notebook draw_notebook(const std::string& kind, double most_torque, Dice& dice) {
  Notebook book;
  book.points = 6 + dice.below(15);
  if (kind == "typed-repeats") book.repeats = 2 + dice.below(2), book.points = 5 + dice.below(6);
  book.says_sd = kind == "typed-sd";
  book.with_free = dice.chance(0.7);
  book.arm = dice.of({0.05, 0.08, 0.1, 0.12, 0.15});
  const double most_grams = most_torque / (book.arm * kGravity) * 1000.0;
  for (const double digit : {0.5, 1.0, 2.0, 5.0, 10.0})  // up to 1 % of the most
    if (digit <= 0.01 * most_grams) book.balance_digit = digit;
  if (0.5 > 0.01 * most_grams) book.balance_digit = 0.5;
  book.balance_sd = book.balance_digit * dice.uniform(0.3, 1.0);
  book.balance_share = dice.of({0.0, 0.003, 0.01});
  book.rpm_digit = dice.of({1.0, 1.0, 5.0, 10.0});
  book.rpm_share = dice.of({0.0005, 0.002, 0.004});
  return book;
}

double to_digit(double x, double digit) { return std::round(x / digit) * digit; }

struct Typed {
  double rpm, rpm_sd, torque, torque_sd;
};

// Both readings of one point, and their standard uncertainties with the last digits.
Typed typed(const Notebook& book, double speed, double torque, Dice& dice) {
  const double newton_metres = book.arm * kGravity / 1000.0;  // a gram
  const double grams = torque / newton_metres, rpm = speed * kRpm;
  const double grams_sd = std::hypot(book.balance_sd, book.balance_share * grams);
  Typed t{};
  t.rpm = to_digit(rpm + dice.normal(book.rpm_share * rpm), book.rpm_digit);
  t.rpm_sd = std::hypot(book.rpm_share * rpm, book.rpm_digit / std::sqrt(12.0));
  const double read = torque <= 0.0 ? 0.0 : grams + dice.normal(grams_sd);
  t.torque = to_digit(std::max(0.0, read), book.balance_digit) * newton_metres;
  t.torque_sd = std::hypot(grams_sd, book.balance_digit / std::sqrt(12.0)) * newton_metres;
  return t;
}

// Speeds at which the motor was held, in the order taken.
std::vector<double> settings(const Motor& motor, const Notebook& book, double low, Dice& dice) {
  std::vector<double> speeds;
  const double first = book.with_free ? 1.0 : dice.uniform(0.85, 0.95);
  for (int i = 0; i < book.points; ++i) {
    const double x = static_cast<double>(i) / (book.points - 1);
    const double share = first + x * (low - first);
    const bool free = book.with_free && i == 0;
    speeds.push_back(motor.top * (free ? 1.0 : share * dice.uniform(0.97, 1.03)));
    speeds.back() = std::min(speeds.back(), motor.top);
  }
  if (dice.chance(0.2)) std::reverse(speeds.begin(), speeds.end());
  return speeds;
}

}  // namespace

Bench make_steady(const std::string& kind, Dice& dice) {
  Motor motor = draw_motor(dice);
  // By hand and without a rig nobody holds an induction motor below its pull-out.
  while (motor.kind == "induction" || motor.kind == "capacitor") motor = draw_motor(dice);
  const double low = dice.uniform(0.08, 0.4);
  const Notebook book = draw_notebook(kind, motor.torque(low * motor.top), dice);
  Bench bench;
  std::string text =
      std::string("motor_rpm,torque_nm") + (book.says_sd ? ",motor_rpm_sd,torque_nm_sd\n" : "\n");
  for (const double speed : settings(motor, book, low, dice)) {
    for (int i = 0; i < book.repeats; ++i) {
      const Typed t = typed(book, speed, motor.torque(speed), dice);
      text += shown(t.rpm, 1.0) + ',' + shown(t.torque, 1e-4);
      if (book.says_sd) text += ',' + shown(t.rpm_sd, 0.1) + ',' + shown(t.torque_sd, 1e-5);
      text += '\n';
    }
  }
  bench.tables.push_back(text);
  bench.added.push_back(0.0);
  bench.truth = motor.truth();
  bench.known.add("supply_v", 230.0);
  bench.o.add("points", book.points);
  bench.o.add("repeats", book.repeats);
  bench.o.add("balance_digit_g", book.balance_digit);
  bench.o.add("balance_sd_g", book.balance_sd);
  bench.o.add("balance_share", book.balance_share);
  bench.o.add("arm", book.arm);
  bench.o.add("rpm_digit", book.rpm_digit);
  bench.o.add("rpm_share", book.rpm_share);
  bench.info.add("motor", motor.kind);
  bench.info.add("low", low);
  bench.info.add("free", book.with_free ? 1 : 0);
  return bench;
}

}  // namespace benches
