// Whole answers: their intervals against closed forms, Monte Carlo draws and coverage.
#include "fit/drive/answer.h"

#include <doctest/doctest.h>
#include <nlohmann/json.hpp>

#include <Eigen/LU>

#include <cmath>

#include "db/basis/error.h"
#include "db/basis/units.h"
#include "drive_bench.h"
#include "figure_derivatives.h"
#include "fit/drive/trade_off.h"

using namespace loadline;
using namespace loadline::test;

namespace {

const Estimate& estimate(const DriveAnswer& answer, Figure figure) {
  const AnswerLine* line = answer.find(figure);
  REQUIRE_MESSAGE(line != nullptr, info(figure).key);
  return line->estimate;
}

double value(const DriveAnswer& answer, Figure figure) { return *estimate(answer, figure).value; }
double half_width(const Estimate& e) { return (*e.high - *e.low) / 2; }

const Estimate& change(const DriveAnswer& answer, Figure figure) {
  REQUIRE(answer.what_if.has_value());
  for (const AnswerLine& line : answer.what_if->changes)
    if (line.figure == figure) return line.estimate;
  FAIL("no change of " << info(figure).key);
  std::abort();
}

bool warned(const DriveAnswer& answer, const std::string& words) {
  for (const std::string& warning : answer.warnings)
    if (warning.find(words) != std::string::npos) return true;
  return false;
}

// Everything on: belt loss, slip, pulleys with tolerance, seam, limit, wish, what-if, seen speed.
DriveQuestion rich_question(const Curve& motor, const Curve& machine) {
  DriveQuestion question = question_of(motor, machine, 1);
  question.hand_diameter = Uncertain{0.110, 0.2e-3};
  question.motor_diameter = Uncertain{0.018, 0.1e-3};
  question.what_if_diameter = Uncertain{0.015, 0.1e-3};
  question.slip = {0.02, 0.004};
  question.belt_loss = {0.008, 0.0006, 12};
  question.extra_nm = 0.03;
  question.max_motor_speed = 900;
  question.stroke_m = 0.030;
  question.wanted_speed = 60;
  question.slow_speed = 25;
  question.seam_nm = 0.02;
  question.seen_top_speed = Uncertain{85, 0.5};
  return question;
}

struct Bench {
  Curve motor, machine;
  explicit Bench(double known_to = 0.01)
      : motor(series_motor(4.2e4, 280, 260, 1000, known_to)),
        machine(machine_drag(0.15, 2e-3, 6e-6, 110, 2 * known_to)) {
    motor.supply_v = 230;
    motor.degrees_of_freedom = 40;
    machine.degrees_of_freedom = 25;
  }
};

}  // namespace

TEST_CASE("Doubling the ratio doubles the standstill torque") {
  const Bench bench;
  const auto low = answer(DriveDesk(question_of(bench.motor, bench.machine, 5)));
  const auto high = answer(DriveDesk(question_of(bench.motor, bench.machine, 10)));
  CHECK(value(high, Figure::kStandstillTorque) ==
        doctest::Approx(2 * value(low, Figure::kStandstillTorque)).epsilon(1e-12));
  CHECK(value(low, Figure::kStandstillTorque) == doctest::Approx(5 * bench.motor.torque(0)));
}

TEST_CASE("Needle force is what standstill torque leaves beyond the drag, over half the stroke") {
  const Bench bench;
  DriveQuestion question = question_of(bench.motor, bench.machine, 6);
  question.stroke_m = 0.030;
  const auto found = answer(DriveDesk(question));
  CHECK(value(found, Figure::kNeedleForce) ==
        doctest::Approx((value(found, Figure::kStandstillTorque) - 0.15) / 0.015).epsilon(1e-12));
}

TEST_CASE("A motor somewhat below its peak-power speed gains by a 20 % higher ratio") {
  // Common practice in the trade, and the power balance: 20 % more ratio, 20 % more standstill
  // torque, top speed up by a few per cent.
  std::mt19937_64 random(46);
  int below = 0;
  for (int n = 0; n < 900; ++n) {
    const RandomPair pair = random_pair(random);
    DriveQuestion question = question_of(pair.motor, pair.machine, pair.ratio);
    question.what_if_ratio = Uncertain{1.2 * pair.ratio, 0};
    const auto found = answer(DriveDesk(question));
    if (!found.runs()) continue;
    const double part = value(found, Figure::kMotorSpeed) / value(found, Figure::kPeakPowerSpeed);
    if (part < 0.6 || part > 0.8) continue;
    ++below;
    CHECK(*change(found, Figure::kStandstillTorque).value == doctest::Approx(20).epsilon(1e-9));
    const double gain = *change(found, Figure::kHandwheelSpeed).value;
    CHECK(gain > 0);
    CHECK(gain < 6);
  }
  CHECK(below > 30);
}

TEST_CASE("The interval of a straight-line crossing is the one worked by hand") {
  // ω = ωn(1 − c0/(i·Ts)): ∂ω/∂Ts = ωn·c0/(i·Ts²), ∂ω/∂ωn = ω/ωn, ∂ω/∂c0 = −ωn/(i·Ts),
  // ∂ω/∂i = ωn·c0/(i²·Ts); hand wheel ω/i.
  const double ts = 0.3, wn = 800, c0 = 0.5, i = 6, part = 0.02, ui = 0.05;
  const Curve motor = magnet_motor(ts, wn, part), machine = machine_drag(c0, 0, 0, 120, part);
  DriveQuestion question = question_of(motor, machine, i);
  question.ratio.sd = ui;
  const auto found = answer(DriveDesk(question));
  const double w = wn * (1 - c0 / (i * ts));
  const double by_ts = wn * c0 / (i * ts * ts) * part * ts, by_wn = w / wn * part * wn;
  const double by_c0 = wn / (i * ts) * part * c0, by_i = wn * c0 / (i * i * ts) * ui;
  const double u = std::sqrt(by_ts * by_ts + by_wn * by_wn + by_c0 * by_c0 + by_i * by_i);
  CHECK(value(found, Figure::kMotorSpeed) == doctest::Approx(rpm_from_rad_per_s(w)).epsilon(1e-10));
  CHECK(half_width(estimate(found, Figure::kMotorSpeed)) ==
        doctest::Approx(1.959964 * rpm_from_rad_per_s(u)).epsilon(1e-6));
  // i·Ts = 2·c0 at best, u(i)/i = part·√2; the machine's speed there Ts·ωn/(4·c0): part·√3.
  CHECK(half_width(estimate(found, Figure::kBestRatio)) ==
        doctest::Approx(1.959964 * 2 * c0 / ts * part * std::sqrt(2.0)).epsilon(1e-5));
  CHECK(half_width(estimate(found, Figure::kBestHandwheelSpeed)) ==
        doctest::Approx(1.959964 * rpm_from_rad_per_s(ts * wn / (4 * c0)) * part * std::sqrt(3.0))
            .epsilon(1e-5));
}

TEST_CASE("Derivatives of every figure agree with finite differences") {
  const Bench bench;
  const DriveQuestion question = rich_question(bench.motor, bench.machine);
  CHECK(check_derivatives_of_figures(question, 2e-4, 1e-5) > 250);
}

TEST_CASE("Monte Carlo draws agree with the analytic limits of every figure") {
  // JCGM 101:2008: both ways must agree where the model is nearly linear within its uncertainty.
  const Bench bench(0.003);
  const DriveDesk desk(rich_question(bench.motor, bench.machine));
  const auto analytic = answer(desk);
  const auto drawn = answer_by_draws(desk, 6000, 11);
  CHECK(drawn.draws_without_point == 0);
  REQUIRE(analytic.lines.size() == drawn.lines.size());
  const auto compare = [](const std::vector<AnswerLine>& a, const std::vector<AnswerLine>& b) {
    for (std::size_t k = 0; k < a.size(); ++k) {
      INFO(std::string(info(a[k].figure).key));
      const double half = half_width(a[k].estimate);
      // 6,000 draws know a 2.5 % quantile to about 2.7 % of the half width; ten figures' worth of
      // room, and some for the bend within the interval.
      CHECK(std::fabs(*a[k].estimate.low - *b[k].estimate.low) <= 0.12 * half + 1e-12);
      CHECK(std::fabs(*a[k].estimate.high - *b[k].estimate.high) <= 0.12 * half + 1e-12);
    }
  };
  compare(analytic.lines, drawn.lines);
  REQUIRE(analytic.what_if.has_value());
  compare(analytic.what_if->lines, drawn.what_if->lines);
  compare(analytic.what_if->changes, drawn.what_if->changes);
}

TEST_CASE("Draws know a curve well whose single parameters are all but unknown") {
  // Thirty torques, each known to 1 %, over the upper nine tenths of the speeds: as after a fit,
  // the covariance is the inverse of Σ gᵀg/u². Six parameters share what the points say, so each
  // alone is loose, and some combinations bend the equation within their spread; the torque is
  // known to about 1 % everywhere, and so must be what follows from it.
  Bench bench;
  Curve& motor = bench.motor;
  Eigen::MatrixXd information =
      Eigen::MatrixXd::Zero(motor.parameters.size(), motor.parameters.size());
  for (int k = 0; k < 30; ++k) {
    const double speed = motor.speed_high * (0.1 + 0.9 * k / 29);
    const Eigen::VectorXd g = motor.gradient(speed);
    const double u = 0.01 * motor.torque(0.1 * motor.speed_high);
    information += g * g.transpose() / (u * u);
  }
  const Eigen::VectorXd scale = information.diagonal().cwiseSqrt().cwiseInverse();
  Eigen::MatrixXd scaled = scale.asDiagonal() * information * scale.asDiagonal();
  scaled.diagonal().array() += 1e-12;
  motor.covariance = scale.asDiagonal() * scaled.inverse() * scale.asDiagonal();
  const DriveDesk desk(question_of(bench.motor, bench.machine, 6));
  const auto analytic = answer(desk);
  const auto drawn = answer_by_draws(desk, 3000, 7);
  for (const Figure figure : {Figure::kMotorSpeed, Figure::kHandwheelSpeed, Figure::kShaftPower}) {
    INFO(std::string(info(figure).key));
    const Estimate& by_draws = estimate(drawn, figure);
    CHECK(*by_draws.low < *by_draws.value);
    CHECK(*by_draws.value < *by_draws.high);
    CHECK(half_width(by_draws) ==
          doctest::Approx(half_width(estimate(analytic, figure))).epsilon(0.15));
  }
}

TEST_CASE("The same seed gives the same limits, another seed others") {
  const Bench bench;
  const DriveDesk desk(rich_question(bench.motor, bench.machine));
  const Json first = to_json(answer_by_draws(desk, 200, 5));
  CHECK(first == to_json(answer_by_draws(desk, 200, 5)));
  CHECK(first != to_json(answer_by_draws(desk, 200, 6)));
  CHECK_THROWS_AS(answer_by_draws(desk, 10, 5), Error);
}

TEST_CASE("Intervals hold the truth in 95 of 100 simulated sessions") {
  const Bench truth;
  const DriveDesk true_desk(question_of(truth.motor, truth.machine, 6));
  const auto true_answer = answer(true_desk);
  const SourceDraws draws(true_desk.sources());
  std::mt19937_64 random(12);
  const std::vector<Figure> figures = {Figure::kMotorSpeed,     Figure::kHandwheelSpeed,
                                       Figure::kShaftPower,     Figure::kStandstillTorque,
                                       Figure::kBestRatio,      Figure::kBestHandwheelSpeed,
                                       Figure::kPeakPowerSpeed, Figure::kBestGain};
  std::vector<int> held(figures.size(), 0);
  const int sessions = 1500;
  for (int n = 0; n < sessions; ++n) {
    // A session sees parameters that are off by their uncertainty.
    const Eigen::VectorXd off = draws.draw(random);
    Bench seen;
    seen.motor.parameters += off.segment(0, seen.motor.parameters.size());
    seen.machine.parameters +=
        off.segment(seen.motor.parameters.size(), seen.machine.parameters.size());
    const auto found = answer(DriveDesk(question_of(seen.motor, seen.machine, 6)));
    for (std::size_t k = 0; k < figures.size(); ++k) {
      const Estimate& e = estimate(found, figures[k]);
      const double true_value = value(true_answer, figures[k]);
      held[k] += *e.low <= true_value && true_value <= *e.high;
    }
  }
  // Binomial standard error 0.56 %; four of them, and half a per cent for curvature.
  for (std::size_t k = 0; k < figures.size(); ++k) {
    INFO(std::string(info(figures[k]).key));
    CHECK(static_cast<double>(held[k]) / sessions == doctest::Approx(0.95).epsilon(0.03));
  }
}

TEST_CASE("The gain against today's pulley is known better than the speeds themselves") {
  // Both stand on the same curves, so most of their uncertainty cancels in the quotient.
  const Bench bench;
  DriveQuestion question = question_of(bench.motor, bench.machine, 5);
  question.what_if_ratio = Uncertain{6, 0};
  const auto found = answer(DriveDesk(question));
  const Estimate& speed = estimate(found, Figure::kHandwheelSpeed);
  CHECK(half_width(change(found, Figure::kHandwheelSpeed)) <
        0.5 * 100 * half_width(speed) / *speed.value);
}

TEST_CASE("A crossing beyond the measured range is marked, and so is the best ratio") {
  Bench bench;
  CHECK_FALSE(answer(DriveDesk(question_of(bench.motor, bench.machine, 6))).extrapolated);
  bench.motor.speed_high = 300;
  const auto beyond = answer(DriveDesk(question_of(bench.motor, bench.machine, 6)));
  CHECK(beyond.extrapolated);
  CHECK(beyond.find(Figure::kMotorSpeed)->extrapolated.find("motor curve above 2,865 rpm") == 0);
  CHECK(warned(beyond, "the operating point leans on the motor curve above"));

  Bench short_machine;
  short_machine.machine.speed_high = 20;
  const auto best = answer(DriveDesk(question_of(short_machine.motor, short_machine.machine, 6)));
  CHECK(best.find(Figure::kBestRatio)->extrapolated.find("machine curve above 191 rpm") !=
        std::string::npos);
  CHECK(warned(best, "the best ratio leans on the machine curve"));
}

TEST_CASE("Standstill torque of a motor never braked far down is marked") {
  Bench bench;
  bench.motor.speed_low = 300;
  const auto found = answer(DriveDesk(question_of(bench.motor, bench.machine, 6)));
  CHECK_FALSE(found.find(Figure::kStandstillTorque)->extrapolated.empty());
  CHECK(warned(found, "brake the motor further down"));
}

TEST_CASE("Without an operating point the answer says why and keeps what it knows") {
  const Curve motor = magnet_motor(0.1, 800), heavy = machine_drag(3, 0, 0, 100);
  const auto stalls = answer(DriveDesk(question_of(motor, heavy, 6)));
  CHECK_FALSE(stalls.runs());
  CHECK(why_not_running(stalls).find("stalls") != std::string::npos);
  CHECK(value(stalls, Figure::kStandstillTorque) == doctest::Approx(0.6));
  const Json json = to_json(stalls);
  CHECK(json["handwheel_speed"]["value"].is_null());
  CHECK(json["handwheel_speed"]["unit"] == "rpm");
  CHECK(json["settling"] == "too-weak");

  const Curve series = series_motor(3e4, 200, 300, 900), free = machine_drag(0, 0, 0, 100);
  const auto pulls = answer(DriveDesk(question_of(series, free, 6)));
  CHECK_FALSE(pulls.runs());
  CHECK(why_not_running(pulls).find("out-pulls") != std::string::npos);
}

TEST_CASE("A drive that needs a push says so") {
  const Curve motor = induction_motor(2, 0.2, 157), machine = machine_drag(1.2, 0, 0, 150);
  const auto found = answer(DriveDesk(question_of(motor, machine, 1)));
  CHECK(found.runs());
  CHECK(warned(found, "does not start by itself"));
  CHECK(to_json(found)["crossings"].size() == 2);
}

TEST_CASE("A motor above its limit is warned of and given the ratio that keeps it") {
  const Bench bench;
  DriveQuestion question = question_of(bench.motor, bench.machine, 9);
  question.max_motor_speed = 350;
  const auto found = answer(DriveDesk(question));
  CHECK(value(found, Figure::kLimitShare) > 100);
  CHECK(warned(found, "exceeds its highest permitted speed of 3,342 rpm"));
  question.ratio.value = value(found, Figure::kLimitedBestRatio);
  const auto within = answer(DriveDesk(question));
  CHECK(value(within, Figure::kMotorSpeed) ==
        doctest::Approx(rpm_from_rad_per_s(350)).epsilon(1e-9));
  CHECK(value(within, Figure::kHandwheelSpeed) ==
        doctest::Approx(value(found, Figure::kLimitedBestHandwheelSpeed)).epsilon(1e-9));
  // The plate's power, just below and just above what the shaft gives.
  const double power = value(within, Figure::kShaftPower);
  question.rated_power = 1.01 * power;
  CHECK_FALSE(warned(answer(DriveDesk(question)), "of its plate"));
  question.rated_power = 0.99 * power;
  CHECK(warned(answer(DriveDesk(question)), "of its plate"));
}

TEST_CASE("A speed seen is explained by the drag, belt loss or slip that would give it") {
  const Bench bench;
  DriveQuestion question = question_of(bench.motor, bench.machine, 6);
  const double expected =
      rad_per_s_from_rpm(value(answer(DriveDesk(question)), Figure::kHandwheelSpeed));
  question.seen_top_speed = Uncertain{0.93 * expected, 0};
  const auto found = answer(DriveDesk(question));
  CHECK(value(found, Figure::kSeenDifference) == doctest::Approx(-7).epsilon(1e-9));
  CHECK(value(found, Figure::kSeenDragScale) > 1);

  // Put each explanation into the drive: the speed seen must come out.
  Bench heavier;
  heavier.machine.parameters *= value(found, Figure::kSeenDragScale);
  CHECK(value(answer(DriveDesk(question_of(heavier.motor, heavier.machine, 6))),
              Figure::kHandwheelSpeed) ==
        doctest::Approx(rpm_from_rad_per_s(0.93 * expected)).epsilon(1e-9));
  DriveQuestion lossy = question_of(bench.motor, bench.machine, 6);
  lossy.belt_loss = {value(found, Figure::kSeenBeltLoss), 0};
  CHECK(value(answer(DriveDesk(lossy)), Figure::kHandwheelSpeed) ==
        doctest::Approx(rpm_from_rad_per_s(0.93 * expected)).epsilon(1e-9));
  DriveQuestion slipping = question_of(bench.motor, bench.machine, 6);
  slipping.slip = {value(found, Figure::kSeenSlip) / 100, 0};
  CHECK(value(answer(DriveDesk(slipping)), Figure::kHandwheelSpeed) ==
        doctest::Approx(rpm_from_rad_per_s(0.93 * expected)).epsilon(1e-9));
}

TEST_CASE("A light sewing load costs a few per cent of speed") {
  // About 5 % by light fabric (common practice) is what a few hundredths of a N·m do here.
  const Bench bench;
  DriveQuestion question = question_of(bench.motor, bench.machine, 6);
  question.extra_nm = 0.03;
  const auto found = answer(DriveDesk(question));
  const double loss = value(found, Figure::kSpeedLoss);
  CHECK(loss > 1);
  CHECK(loss < 10);
  // The speed lost must be the one of a machine whose constant drag is that much larger.
  Bench loaded;
  loaded.machine.parameters[0] += 0.03;
  CHECK(value(found, Figure::kLoadedHandwheelSpeed) ==
        doctest::Approx(value(answer(DriveDesk(question_of(loaded.motor, loaded.machine, 6))),
                              Figure::kHandwheelSpeed))
            .epsilon(1e-10));
}

TEST_CASE("Rows of a trade-off are the answers at their ratios, and peak at the best ratio") {
  const Bench bench;
  DriveQuestion question = question_of(bench.motor, bench.machine, 6);
  question.slow_speed = 25;
  question.seam_nm = 0.02;
  const DriveDesk desk(question);
  const auto rows = trade_off(desk, 2, 14, 25);
  REQUIRE(rows.size() == 25);
  std::size_t best = 0;
  for (std::size_t k = 0; k < rows.size(); ++k) {
    CHECK(rows[k].ratio == doctest::Approx(2 + 0.5 * static_cast<double>(k)));
    DriveQuestion at = question;
    at.ratio.value = rows[k].ratio;
    const auto single = answer(DriveDesk(at));
    for (const Figure figure : trade_off_figures(desk)) {
      const AnswerLine* line = single.find(figure);
      const Estimate row = rows[k].estimate(figure);
      CHECK(row.value.has_value() == (line != nullptr));
      if (!line) continue;
      CHECK(*row.value == doctest::Approx(*line->estimate.value).epsilon(1e-12));
      CHECK(half_width(row) == doctest::Approx(half_width(line->estimate)).epsilon(1e-9));
    }
    if (*rows[k].estimate(Figure::kHandwheelSpeed).value >
        *rows[best].estimate(Figure::kHandwheelSpeed).value)
      best = k;
  }
  CHECK(std::fabs(rows[best].ratio - value(answer(desk), Figure::kBestRatio)) <= 0.5);
  CHECK_THROWS_AS(trade_off(desk, 12, 4, 5), Error);
  CHECK_THROWS_AS(trade_off(desk, 4, 12, 1), Error);
}

TEST_CASE("The picture's two lines meet at the crossing") {
  const Bench bench;
  DriveQuestion question = rich_question(bench.motor, bench.machine);
  question.extra_nm = 0;
  const DriveDesk desk(question);
  const CrossingPicture picture = crossing_picture(desk, 400);
  REQUIRE(picture.crossing_speed.has_value());
  for (std::size_t k = 1; k < picture.motor.speed.size(); ++k) {
    const double before = picture.motor.torque[k - 1] - picture.load.torque[k - 1];
    const double now = picture.motor.torque[k] - picture.load.torque[k];
    if (before > 0 && now <= 0) {
      CHECK(picture.motor.speed[k - 1] <= *picture.crossing_speed);
      CHECK(picture.motor.speed[k] >= *picture.crossing_speed);
    }
    CHECK(picture.motor.low[k] < picture.motor.torque[k]);
    CHECK(picture.load.high[k] > picture.load.torque[k]);
  }
  CHECK(picture.motor.speed.back() >= *picture.crossing_speed);
}

TEST_CASE("A question that cannot be asked says what is wrong with it") {
  const Bench bench;
  DriveQuestion question = question_of(bench.motor, bench.machine, 0);
  CHECK_THROWS_AS(DriveDesk{question}, Error);
  question.ratio.value = 6;
  CHECK(question.fault().empty());
  question.slip.value = 1;
  CHECK_THROWS_AS(DriveDesk{question}, Error);
  question.slip.value = 0;
  question.what_if_diameter = Uncertain{0.015, 0};
  CHECK_THROWS_AS(DriveDesk{question}, Error);
}

TEST_CASE("A belt's slip and loss are read from its runs, and predict these runs exactly") {
  const Bench bench;
  DriveQuestion truth = question_of(bench.motor, bench.machine, 6);
  truth.slip = {0.03, 0};
  truth.belt_loss = {0.012, 0};
  const auto runs = answer(DriveDesk(truth));
  const double motor_speed = rad_per_s_from_rpm(value(runs, Figure::kMotorSpeed));
  const double wheel_speed = rad_per_s_from_rpm(value(runs, Figure::kHandwheelSpeed));

  DriveQuestion question = question_of(bench.motor, bench.machine, 6);
  question.ratio.sd = 0.05;
  BeltSeen seen;
  seen.motor_speed = {motor_speed, 0.001 * motor_speed};
  seen.speed_quotient = {wheel_speed / motor_speed, 0};
  seen.with_loss = true;
  question.belt_seen = seen;
  const auto found = answer(DriveDesk(question));
  CHECK(value(found, Figure::kBeltSlip) == doctest::Approx(3).epsilon(1e-9));
  CHECK(value(found, Figure::kBeltLoss) == doctest::Approx(0.012).epsilon(1e-9));
  // Curves and ratio were wrong in the runs as they are now, so what is predicted for the same
  // pulleys is known as well as the runs themselves.
  const Estimate& speed = estimate(found, Figure::kMotorSpeed);
  CHECK(*speed.value == doctest::Approx(rpm_from_rad_per_s(motor_speed)).epsilon(1e-9));
  CHECK(half_width(speed) == doctest::Approx(1.96 * 0.001 * *speed.value).epsilon(0.01));
  // On other pulleys that does not hold.
  question.belt_seen->ratio = Uncertain{6, 0.05};
  CHECK(half_width(estimate(answer(DriveDesk(question)), Figure::kHandwheelSpeed)) >
        2 * half_width(estimate(found, Figure::kHandwheelSpeed)));
}

TEST_CASE("A belt that seems to give power away is told of") {
  const Bench bench(0.001);
  DriveQuestion question = question_of(bench.motor, bench.machine, 6);
  const auto plain = answer(DriveDesk(question));
  BeltSeen seen;
  seen.motor_speed = {1.1 * rad_per_s_from_rpm(value(plain, Figure::kMotorSpeed)), 0};
  seen.speed_quotient = {1 / 5.8, 0};
  seen.with_loss = true;
  question.belt_seen = seen;
  const auto found = answer(DriveDesk(question));
  CHECK(warned(found, "faster than the pulleys' ratio allows"));
  CHECK(warned(found, "faster than the curves allow"));
}
