// Rows of different instruments on one shaft whose course has a closed form (check value of
// retardation tests: J ω' = −c₀ − c₁ω, with J 2·10⁻⁴ kg·m², c₀ 0.02 N·m, c₁ 10⁻⁴ N·m·s): what the
// rows are taken for, and what drag they give. No line is shared with the fits or the simulated
// bench.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <nlohmann/json.hpp>
#include <numeric>
#include <random>

#include "db/basis/units.h"
#include "fit/drags/drag_fit.h"
#include "fit/readings/speeds/speed.h"
#include "fit/readings/speeds/speed_rows.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"

using namespace loadline;

namespace {

constexpr double kC0 = 0.02, kC1 = 1e-4, kInertia = 2e-4 * 20, kTop = 150;

struct Shaft {
  double inertia;
  double fall() const { return kTop + kC0 / kC1; }
  double angle(double t) const {
    return fall() * inertia / kC1 * (1 - std::exp(-kC1 * t / inertia)) - kC0 / kC1 * t;
  }
  double speed(double t) const { return fall() * std::exp(-kC1 * t / inertia) - kC0 / kC1; }
  // Where the shaft has turned by `angle`: Newton from below.
  double time_of(double angle_rad) const {
    double t = angle_rad / kTop;
    for (int i = 0; i < 60; ++i) t += (angle_rad - angle(t)) / speed(t);
    return t;
  }
};

using Instrument = std::function<double(const Shaft&, double row, double row_before)>;

double last_edge(const Shaft& shaft, double t, double pulses, double back = 0) {
  return shaft.time_of((std::floor(shaft.angle(t) / (2 * kPi) * pulses) - back) * 2 * kPi / pulses);
}

// As a display writes it, in steps of 0.5 rpm.
double displayed(double speed) {
  const double step = rad_per_s_from_rpm(0.5);
  return step * std::round(speed / step);
}

DragFit fit_rows(const Instrument& tachometer, double rows_hz,
                 std::optional<Tachometer> stated = std::nullopt, double inertia = kInertia,
                 double lowest = 8) {
  tests::ScratchBook scratch;
  const Part machine = tests::add_part(scratch.book(), PartKind::kMachine, "K");
  for (const double added : {0.0, inertia / 2}) {
    const Shaft shaft{inertia + added};
    Run run;
    run.kind = RunKind::kCoastDown;
    run.machine = machine.id;
    run.tachometer = stated;
    if (added > 0) run.added_inertia_kgm2 = added;
    std::vector<ImportedReading> rows;
    for (double t = 0.3137; shaft.speed(t) > lowest; t += 1 / rows_hz) {
      ImportedReading row;
      row.time_s = t;
      row.handwheel_rpm = rpm_from_rad_per_s(tachometer(shaft, t, t - 1 / rows_hz));
      rows.push_back(row);
    }
    tests::store(scratch.book(), run, rows);
  }
  return fit_drag(scratch.book(), machine, {});
}

// The speeds of the last `count` whole turns, the newest first, as a display with one mark sees
// them.
std::vector<double> last_turns(const Shaft& shaft, double row, int count) {
  std::vector<double> speeds;
  speeds.reserve(static_cast<std::size_t>(count));
  for (int back = 0; back < count; ++back)
    speeds.push_back(2 * kPi /
                     (last_edge(shaft, row, 1, back) - last_edge(shaft, row, 1, back + 1)));
  return speeds;
}

void check_truth(const DragFit& fit, double share, double inertia = kInertia) {
  const auto near = [&](const Estimate& estimate, double truth) {
    CAPTURE(truth);
    REQUIRE(estimate.low.has_value());
    CHECK(*estimate.low <= truth);
    CHECK(truth <= *estimate.high);
    CHECK(*estimate.value == doctest::Approx(truth).epsilon(share));
  };
  near(fit.c0, kC0);
  near(fit.c1, kC1);
  near(fit.inertia, inertia);
  CHECK(fit.not_described.empty());
}

}  // namespace

TEST_CASE("means between the last edges before two rows, many pulses a turn") {
  const DragFit fit = fit_rows(
      [](const Shaft& shaft, double row, double before) {
        const double from = last_edge(shaft, before, 20), to = last_edge(shaft, row, 20);
        return to > from ? (shaft.angle(to) - shaft.angle(from)) / (to - from)
                         : std::nan("");  // no new edge, no new value
      },
      50);
  check_truth(fit, 0.02);
}

TEST_CASE("means between edges, of marks that are out of place twice a turn") {
  constexpr int kMarks = 12;
  const auto place = [](long long mark) {
    const double turn = 2 * kPi * static_cast<double>(mark) / kMarks;
    return turn + 0.005 * std::cos(2 * turn + 1);
  };
  const auto last_mark = [&](const Shaft& shaft, double t) {
    auto mark = static_cast<long long>(shaft.angle(t) / (2 * kPi) * kMarks) + 1;
    while (place(mark) > shaft.angle(t)) --mark;
    return mark;
  };
  const DragFit fit = fit_rows(
      [&](const Shaft& shaft, double row, double before) {
        const long long from = last_mark(shaft, before), to = last_mark(shaft, row);
        const double took = shaft.time_of(place(to)) - shaft.time_of(place(from));
        return to > from ? 2 * kPi / kMarks * static_cast<double>(to - from) / took : std::nan("");
      },
      100);
  check_truth(fit, 0.002);
  // Without its ripple the better way lay far behind others with theirs.
  CHECK(fit.rows_read_as == "the time between two edges, which the rows tell");
}

TEST_CASE("the period of the last whole turn") {
  const DragFit fit = fit_rows(
      [](const Shaft& shaft, double row, double) {
        const double to = last_edge(shaft, row, 12), from = last_edge(shaft, row, 12, 12);
        return 2 * kPi / (to - from);
      },
      50);
  check_truth(fit, 0.02);
  CHECK(fit.rows_read_as == "the mean over the last turn");
}

TEST_CASE("the period of the last whole turn, in which the shaft loses much of its speed") {
  const double inertia = kInertia / 2;
  const DragFit fit = fit_rows(
      [](const Shaft& shaft, double row, double) {
        const double to = last_edge(shaft, row, 12), from = last_edge(shaft, row, 12, 12);
        return 2 * kPi / (to - from);
      },
      50, std::nullopt, inertia, 5);
  check_truth(fit, 0.01, inertia);
  // Nothing but the place of the last edge is open in such rows: limits of half a per cent came
  // from a turn that was placed by its mean speed instead of the shaft's.
  CHECK((*fit.c0.high - *fit.c0.low) / 2 < 0.0035 * kC0);
}

TEST_CASE("the period of the last whole turn, which ends at one of two marks") {
  const double inertia = kInertia / 2;
  const DragFit fit = fit_rows(
      [](const Shaft& shaft, double row, double) {
        return 2 * kPi / (last_edge(shaft, row, 2) - last_edge(shaft, row, 2, 2));
      },
      100, std::nullopt, inertia, 5);
  check_truth(fit, 1e-3, inertia);
  CHECK(fit.rows_read_as == "the mean over the last turn");
  // How long ago a turn ended is no noise here; taken for such, it left 2 % open.
  CHECK(*fit.c0.high - *fit.c0.low < 0.01 * kC0);
}

TEST_CASE("when the values of a display came up that is renewed between the rows") {
  const Shaft shaft{kInertia};
  constexpr double kRenewed = 0.27, kRow = 0.1, kFirst = 0.0431;
  std::vector<double> time_s, rpm;
  for (double t = 0.3; shaft.speed(t) > 20; t += kRow) {
    const double at = kFirst + kRenewed * std::floor((t - kFirst) / kRenewed);
    time_s.push_back(t);
    rpm.push_back(rpm_from_rad_per_s(displayed(shaft.speed(at - kRenewed / 2))));
  }
  const SpeedRows rows = speed_rows(time_s, rpm);
  CHECK(rows.look_s == doctest::Approx(kRenewed).epsilon(0.003));
  REQUIRE(rows.came_s.size() == rows.size());
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const double at = kFirst + kRenewed * std::floor((time_s[i] - kFirst) / kRenewed);
    CHECK(std::fabs(rows.came_at(i) - at) < 0.2 * kRow);  // a row tells it to half of itself
  }
  SUBCASE("not of edges that become slower with the shaft") {
    std::vector<double> slowing;
    slowing.reserve(time_s.size());
    for (const double t : time_s)
      slowing.push_back(rpm_from_rad_per_s(shaft.speed(last_edge(shaft, t, 1))));
    CHECK(speed_rows(time_s, slowing).came_s.empty());
  }
}

TEST_CASE("a display that shows the middle one of the last five turns") {
  const DragFit fit = fit_rows(
      [](const Shaft& shaft, double row, double) {
        std::vector<double> turns = last_turns(shaft, row, 5);
        std::sort(turns.begin(), turns.end());
        return displayed(turns[2]);
      },
      25);
  check_truth(fit, 0.03);
}

TEST_CASE("a display that shows the mean of the last eight turns") {
  const DragFit fit = fit_rows(
      [](const Shaft& shaft, double row, double) {
        const std::vector<double> turns = last_turns(shaft, row, 8);
        return displayed(std::accumulate(turns.begin(), turns.end(), 0.0) / 8);
      },
      25);
  check_truth(fit, 0.03);
}

TEST_CASE("a display to which each new turn adds a quarter of what it differs by") {
  const DragFit fit = fit_rows(
      [](const Shaft& shaft, double row, double) {
        double shown = 0, share = 0.25;
        for (const double turn : last_turns(shaft, row, 40)) {
          shown += share * turn;
          share *= 0.75;
        }
        return displayed(shown / (1 - std::pow(0.75, 40)));
      },
      25);
  check_truth(fit, 0.05);
}

namespace {

// What a display with `pulses` a turn takes in at each look up to `row`, the newest last: the mean
// between the last pulses of two looks; the same once more where none came in between.
std::vector<double> looks(const Shaft& shaft, double row, double every_s, double pulses) {
  std::vector<double> taken_in;
  double before = last_edge(shaft, 0.04, pulses), value = kTop;
  for (double t = 0.04 + every_s; t <= row; t += every_s) {
    const double last = last_edge(shaft, t, pulses);
    if (last > before) value = (shaft.angle(last) - shaft.angle(before)) / (last - before);
    before = last;
    taken_in.push_back(value);
  }
  return taken_in;
}

}  // namespace

TEST_CASE("a display to which each look adds a quarter of what it differs by") {
  const DragFit fit = fit_rows(
      [](const Shaft& shaft, double row, double) {
        double shown = kTop;
        for (const double look : looks(shaft, row, 0.15, 12)) shown += 0.25 * (look - shown);
        return displayed(shown);
      },
      20);
  check_truth(fit, 0.02);
  CHECK(fit.rows_read_as == "a display that smooths over its last looks");
}

TEST_CASE("a display that shows the mean of the last six looks at a single pulse a turn") {
  const double inertia = 3 * kInertia;
  const DragFit fit = fit_rows(
      [](const Shaft& shaft, double row, double) {
        std::vector<double> all = looks(shaft, row, 0.1, 1);
        const std::size_t count = std::min<std::size_t>(6, all.size());
        return displayed(
            std::accumulate(all.end() - static_cast<std::ptrdiff_t>(count), all.end(), 0.0) /
            static_cast<double>(count));
      },
      20, std::nullopt, inertia, 15);
  check_truth(fit, 0.03, inertia);
  CHECK(fit.rows_read_as == "the mean of the last looks of a display");
}

TEST_CASE("the time between the last two of four pulses a turn") {
  const double inertia = kInertia / 2;
  const DragFit fit = fit_rows(
      [](const Shaft& shaft, double row, double) {
        return kPi / 2 / (last_edge(shaft, row, 4) - last_edge(shaft, row, 4, 1));
      },
      20, std::nullopt, inertia, 5);
  check_truth(fit, 0.01, inertia);
}

TEST_CASE("the mean over the last two turns") {
  const DragFit fit = fit_rows(
      [](const Shaft& shaft, double row, double) {
        return 4 * kPi / (last_edge(shaft, row, 48) - last_edge(shaft, row, 48, 96));
      },
      10);
  check_truth(fit, 0.005);
  CHECK(fit.rows_read_as == "the mean over the last two turns");
}

TEST_CASE("what no reading knows: all pulses of the last 0.4 s, fewer and fewer of four a turn") {
  // It passes for another one; that the two differ where the shaft is slow is to be in the limits.
  const DragFit fit = fit_rows(
      [](const Shaft& shaft, double row, double) {
        const double pulse = kPi / 2, since = std::max(0.0, row - 0.4);
        const double last = std::floor(shaft.angle(row) / pulse);
        const double first = std::min(std::ceil(shaft.angle(since) / pulse), last - 1);
        return displayed((last - first) * pulse /
                         (shaft.time_of(last * pulse) - shaft.time_of(first * pulse)));
      },
      50);
  check_truth(fit, 0.03);
}

TEST_CASE("what the owner says of a tachometer is taken") {
  const Instrument period = [](const Shaft& shaft, double row, double) {
    const double to = last_edge(shaft, row, 12), from = last_edge(shaft, row, 12, 12);
    return 2 * kPi / (to - from);
  };
  check_truth(fit_rows(period, 50, Tachometer::kPeriod), 0.02);
  // Told wrong it is read as told, and what that leaves over goes into the limits.
  const DragFit wrong = fit_rows(period, 50, Tachometer::kReciprocal);
  CHECK((wrong.rows_read_as == "the mean since the value before" ||
         wrong.rows_read_as == "the time between two edges, which the rows tell"));
}

namespace {

constexpr double kGateHz = 20;

Instrument counts_of(double pulses) {
  return [pulses](const Shaft& shaft, double row, double before) {
    const auto count = [&](double t) { return std::floor(shaft.angle(t) / (2 * kPi) * pulses); };
    return (count(row) - count(before)) / pulses * 2 * kPi * kGateHz;
  };
}

}  // namespace

TEST_CASE("pulses counted in a gate") {
  // Fisher's information of these runs, each end of a gate known to a count, all four numbers and
  // both speeds at the start unknown, allows 0.07 and 0.04 % of c₀ (95 %); the fit leaves 0.2 %
  // open in any case.
  for (const double pulses : {36.0, 60.0}) {
    CAPTURE(pulses);
    const DragFit fit = fit_rows(counts_of(pulses), kGateHz);
    check_truth(fit, 0.004);
    CHECK(fit.rows_read_as == "counts in a gate as long as the rows are apart");
    CHECK((*fit.c0.high - *fit.c0.low) / 2 < 0.003 * kC0);
  }
}

TEST_CASE("speeds rounded as coarsely as counts in a gate are not taken for such") {
  const double step = rad_per_s_from_rpm(20);  // of 60 pulses
  const DragFit fit = fit_rows([&](const Shaft& shaft, double row,
                                   double) { return step * std::round(shaft.speed(row) / step); },
                               kGateHz);
  check_truth(fit, 0.1);
  CHECK(fit.rows_read_as != "counts in a gate as long as the rows are apart");
}

TEST_CASE("a voltage that follows late and is read in coarse steps") {
  const DragFit fit = fit_rows(
      [](const Shaft& shaft, double row, double) { return displayed(shaft.speed(row - 0.03)); },
      50);
  check_truth(fit, 0.02);
}

// Alone the shaft shows eight values on its way down, with what was added eleven: none of both is
// enough by itself.
constexpr double kFewHz = 0.75;

TEST_CASE("run-downs of few values count together, with limits as wide as few values leave them") {
  const DragFit fit =
      fit_rows([](const Shaft& shaft, double row, double) { return displayed(shaft.speed(row)); },
               kFewHz, std::nullopt, kInertia / 2);
  CHECK(fit.warnings.empty());
  check_truth(fit, 0.1, kInertia / 2);
  CHECK(fit.curve.degrees_of_freedom < 19 - 7);  // values less unknowns
}

TEST_CASE("run-downs of too few values are said to be such") {
  CHECK_THROWS_WITH(
      fit_rows([](const Shaft& shaft, double row, double) { return shaft.speed(row); }, kFewHz / 2,
               std::nullopt, kInertia / 2),
      doctest::Contains("no usable coast-down"));
}

TEST_CASE("a run-down of which rows were lost goes on after them") {
  const DragFit fit = fit_rows(
      [](const Shaft& shaft, double row, double) {
        return row > 7 && row < 8.2 ? std::nan("") : displayed(shaft.speed(row));
      },
      20);
  check_truth(fit, 0.02);
  CHECK(fit.speed_low < 15);  // of 150 rad/s; 90 where the rows are lost
}

TEST_CASE("a curve that does not describe its rows is no answer") {
  // The same shaft held up half-way: no drag of this form does that.
  const DragFit fit = fit_rows(
      [](const Shaft& shaft, double row, double) {
        const double w = shaft.speed(row);
        return w + 12 * std::exp(-std::pow((w - 70) / 15, 2));
      },
      50);
  CHECK(!fit.not_described.empty());
  CHECK(!fit.c0.low.has_value());
  CHECK(to_json(fit)["described"] == false);
}

namespace {

// Rows of a shaft whose friction is not even: the drag times 1 + n, n an Ornstein-Uhlenbeck process
// of this standard deviation and memory (s), in steps of a millisecond (Euler).
constexpr double kUneven = 0.02, kUnevenFor = 0.2;

std::vector<ImportedReading> rows_of_uneven_friction(double inertia, std::mt19937_64& random) {
  constexpr double kStep = 1e-3, kFade = 1 - kStep / kUnevenFor;
  std::normal_distribution<double> normal;
  std::vector<ImportedReading> rows;
  double speed = kTop, uneven = kUneven * normal(random);
  for (int i = 0; speed > 8; ++i) {
    if (i % 50 == 0)
      rows.push_back({.time_s = i * kStep,
                      .handwheel_rpm = rpm_from_rad_per_s(speed + 0.02 * normal(random))});
    speed -= (kC0 + kC1 * speed) * (1 + uneven) / inertia * kStep;
    uneven = kFade * uneven + kUneven * std::sqrt(1 - kFade * kFade) * normal(random);
  }
  return rows;
}

}  // namespace

TEST_CASE("limits are no narrower than uneven friction makes what two runs tell of an inertia") {
  // The mean of such a process over a time T has the variance 2·sd²·memory/T (Priestley, Spectral
  // Analysis and Time Series, 1981; from memory). A drag that is higher in the one run than in the
  // other is inertia to a pair, (J + D)/D times as much of it with an added inertia D. How uneven
  // friction is shows in how the speed wanders within each run, about.
  std::mt19937_64 random(20261130);
  constexpr int kPairs = 4;
  double half_widths = 0, uneven = 0;
  for (int pair = 0; pair < kPairs; ++pair) {
    tests::ScratchBook scratch;
    const Part machine = tests::add_part(scratch.book(), PartKind::kMachine, "K");
    double variance = 0;
    for (const double added : {0.0, kInertia / 2}) {
      Run run;
      run.kind = RunKind::kCoastDown;
      run.machine = machine.id;
      if (added > 0) run.added_inertia_kgm2 = added;
      const auto rows = rows_of_uneven_friction(kInertia + added, random);
      tests::store(scratch.book(), run, rows);
      variance += 2 * kUneven * kUneven * kUnevenFor / rows.back().time_s;
    }
    const DragFit fit = fit_drag(scratch.book(), machine, {});
    REQUIRE(fit.inertia.low.has_value());
    half_widths += (*fit.inertia.high - *fit.inertia.low) / 2 / kInertia / kPairs;
    uneven += 3 * std::sqrt(variance) / kPairs;
  }
  CHECK(half_widths > 0.6 * 1.96 * uneven);
  // What moves when an end is left out is doubt besides, though uneven friction moves it, too.
  CHECK(half_widths < 2.5 * 1.96 * uneven);
}
