// What half and double of each chosen number do: the fits of fit/curves built with numbers that
// move (db/basis/chosen.h), a few simulated sessions and a few imported runs, one number at a
// time.
//
//   sensitivity brake|spin-up|motor [NAME…]
//
// Printed for each number: by how much the result that moves most moves, over half of its interval
// (1: to the edge of what was said); the width that changes most over that before; runs that are
// refused, results that become unknown.
// The table is in README.md. Sessions from seed 72001 on.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <deque>
#include <functional>
#include <iostream>
#include <string>
#include <vector>

#include "fit/brake_runs/sweeps/brake_constants.h"
#include "fit/equations/motor_constants.h"
#include "fit/motors/motor_fit.h"
#include "fit/spin_ups/spin_up_constants.h"
#include "tests/study/session.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"
#include "tests/support/series_motor.h"

namespace loadline {
namespace {

struct Movable {
  std::string name;
  double value, usual;
};

// References into it stay: the constants are such.
std::deque<Movable>& movables() {
  static std::deque<Movable> all;
  return all;
}

}  // namespace

double& chosen(const char* name, double value) {
  movables().push_back({name, value, value});
  return movables().back().value;
}

namespace {

using study::Kind;
using study::Session;

struct Case {
  std::string name;
  std::function<MotorFit()> fit;
};

struct Answer {
  std::vector<Estimate> results;  ///< empty: refused
};

Answer answer_of(const Case& one) {
  try {
    const MotorFit fit = one.fit();
    if (!fit.not_described.empty()) return {};
    return {{fit.stall_torque, fit.no_load_speed, fit.peak_power, fit.peak_power_speed}};
  } catch (const Error&) {
    return {};
  }
}

std::vector<Answer> answers_of(const std::vector<Case>& cases) {
  std::vector<Answer> answers;
  for (const Case& one : cases) answers.push_back(answer_of(one));
  return answers;
}

struct Change {
  double moved = 0;
  std::vector<double> widths;
  int refused = 0, unknown = 0;

  // The one that changed most.
  double width() const {
    double most = 1;
    for (const double width : widths)
      if (std::fabs(std::log(width)) > std::fabs(std::log(most))) most = width;
    return most;
  }
};

bool known(const Estimate& estimate) {
  return estimate.value && estimate.low && estimate.high && *estimate.high > *estimate.low;
}

Change change_between(const std::vector<Answer>& usual, const std::vector<Answer>& moved) {
  Change change;
  for (std::size_t i = 0; i < usual.size(); ++i) {
    if (usual[i].results.empty()) continue;
    if (moved[i].results.empty()) ++change.refused;
    for (std::size_t k = 0; k < moved[i].results.size(); ++k) {
      const Estimate &before = usual[i].results[k], &after = moved[i].results[k];
      if (!known(before)) continue;
      if (!known(after)) {
        ++change.unknown;
        continue;
      }
      const double half = (*before.high - *before.low) / 2;
      change.moved = std::max(change.moved, std::fabs(*after.value - *before.value) / half);
      change.widths.push_back((*after.high - *after.low) / (2 * half));
    }
  }
  return change;
}

std::string words(const Change& change) {
  std::string text = fmt::format("{:.2f}, × {:.2f}", change.moved, change.width());
  if (change.refused) text += fmt::format(", {} refused", change.refused);
  if (change.unknown) text += fmt::format(", {} unknown", change.unknown);
  return text;
}

// A book for each case, kept for all of its fits.
struct Books {
  std::deque<Session> sessions;
  std::deque<tests::ScratchBook> scratch;
};

Case recorded(Books& books, Kind kind, std::uint64_t seed) {
  Session& session = books.sessions.emplace_back(kind, seed);
  return {fmt::format("{} {}", study::kind_name(kind), seed),
          [&] { return fit_motor(session.book(), session.motor()); }};
}

Case imported(Books& books, Run run, const std::vector<ImportedReading>& rows) {
  Book& book = books.scratch.emplace_back().book();
  const Part motor = tests::add_part(book, PartKind::kMotor, "M");
  run.motor = motor.id;
  tests::store(book, run, rows);
  return {"imported", [&book, motor] { return fit_motor(book, motor); }};
}

// Domestic series motors: stall torque, ω₀, ωₓ, friction, fan.
const tests::SeriesMotor kMotors[] = {{0.25, 300, 250, 0.004, 8e-9}, {0.15, 220, 350, 0.003, 6e-9}};

Case imported_brake(Books& books, unsigned seed) {
  tests::BrakeBench bench;
  bench.torque = kMotors[seed % 2];
  bench.noise = 0.003;
  bench.drift = 0.001;
  bench.seed = seed;
  Run run;
  run.kind = RunKind::kBrake;
  run.inertia_kgm2 = bench.inertia;
  return imported(books, run, bench.rows());
}

// Rows of a tachometer with few pulses while a flywheel is brought up.
Case imported_spin_up(Books& books, unsigned seed, int pulses) {
  constexpr double kStep = 1e-3, kSeconds = 6;
  Run run;
  run.kind = RunKind::kSpinUp;
  run.inertia_kgm2 = 4e-4;
  std::vector<double> angle{0};
  double speed = 0;
  for (double t = 0; t < kSeconds; t += kStep) {
    speed += kMotors[seed % 2](speed) / *run.inertia_kgm2 * kStep;
    angle.push_back(angle.back() + speed * kStep);
  }
  const auto angle_at = [&](double t) {
    if (t < 0.5) return 0.0;
    const double place = (t - 0.5) / kStep;
    const auto below = std::min(static_cast<std::size_t>(place), angle.size() - 2);
    return std::lerp(angle[below], angle[below + 1], place - static_cast<double>(below));
  };
  return imported(books, run, tests::tachometer_rows(angle_at, kSeconds, 50, pulses, false));
}

std::vector<Case> cases_of(const std::string& subject, Books& books) {
  std::vector<Case> cases;
  if (subject != "spin-up") {
    for (std::uint64_t seed = 72001; seed <= 72002; ++seed)
      cases.push_back(recorded(books, Kind::kBrake, seed));
    cases.push_back(imported_brake(books, 1));
  }
  if (subject != "brake") {
    cases.push_back(recorded(books, Kind::kSpinUp, 72001));
    cases.push_back(imported_spin_up(books, 1, 4));
  }
  return cases;
}

bool belongs(const Movable& one, const std::string& subject) {
  return one.name.rfind(subject + ".", 0) == 0;
}

}  // namespace
}  // namespace loadline

int main(int argc, char** argv) {
  using namespace loadline;
  const std::string subject = argc > 1 ? argv[1] : "";
  if (subject != "brake" && subject != "spin-up" && subject != "motor")
    return std::cerr << "sensitivity brake|spin-up|motor [NAME...]\n", 2;
  const std::vector<std::string> names(argv + 2, argv + argc);
  const auto wanted = [&](const std::string& name) {
    return names.empty() || std::find(names.begin(), names.end(), name) != names.end();
  };
  Books books;
  const std::vector<Case> cases = cases_of(subject, books);
  const std::vector<Answer> usual = answers_of(cases);
  for (std::size_t i = 0; i < cases.size(); ++i)
    if (usual[i].results.empty()) std::cerr << cases[i].name << ": refused as it is\n";
  fmt::print("| number | value | half | double |\n| --- | --- | --- | --- |\n");
  for (Movable& one : movables()) {
    if (!belongs(one, subject) || !wanted(one.name.substr(subject.size() + 1))) continue;
    std::string half_and_double[2];
    for (const int side : {0, 1}) {
      one.value = one.usual * (side == 0 ? 0.5 : 2);
      half_and_double[side] = words(change_between(usual, answers_of(cases)));
    }
    one.value = one.usual;
    fmt::print("| {} | {:.3g} | {} | {} |\n", one.name.substr(subject.size() + 1), one.usual,
               half_and_double[0], half_and_double[1]);
    std::fflush(stdout);
  }
}
