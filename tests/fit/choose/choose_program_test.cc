// loadline-fit choose as a person runs it, on books whose curves are straight lines: torque
// Ts(1 − ω/ωn) of the motors, a drag c₀ that does not change with the speed. All that is expected
// follows from these by hand, the chances from draws made here of the formulas themselves.
#include <doctest/doctest.h>

#include <cmath>
#include <functional>
#include <nlohmann/json.hpp>
#include <random>
#include <sstream>

#include "db/basis/units.h"
#include "db/book.h"
#include "tests/support/program.h"
#include "tests/support/straight_lines.h"

using namespace loadline;
using namespace loadline::testing;

namespace {

constexpr double kDrag = 0.45;         // N·m at the hand wheel
constexpr double kPulleySd = 0.002;    // what a pitch diameter is known to, relative
constexpr double kHalfStroke = 0.015;  // m

struct Drawer {
  Scratch scratch;
  int evenings = 0;  // curves that tell of other evenings
  Drawer() {
    Book book = open();
    const auto machine = book.add(part(PartKind::kMachine, "Parlour", {{"stroke-mm", 30.0}}));
    book.add_curve(straight_curve(true, machine, {kDrag, 0, 0}, 0.01, 0, 150));
  }
  Book open() { return Book::open(scratch.path("bench.book"), Book::Mode::kCreate); }
  void motor(const std::string& name, double stall, double free, double relative_sd = 0.01,
             const Fields& fields = {}) {
    Book book = open();
    const auto id = book.add(part(PartKind::kMotor, name, fields));
    if (stall > 0)
      book.add_curve(straight_curve(false, id, {stall, free}, relative_sd, 0.02 * free, free));
  }
  void pulley(const std::string& name, const std::string& role, double mm, Fields fields = {}) {
    fields["role"] = role;
    fields["pitch-mm"] = mm;
    open().add(part(PartKind::kPulley, name, fields));
  }
  void belt(const std::string& name, const Fields& fields = {}) {
    open().add(part(PartKind::kBelt, name, fields));
  }
  Outcome choose(const std::string& words) const {
    return run_program(scratch, LOADLINE_FIT_PROGRAM, "choose --machine Parlour " + words);
  }
};

struct TwoMotors : Drawer {
  TwoMotors() {
    motor("Lathe motor", 0.30, 900);
    motor("Toy motor", 0.20, 900);
    motor("New motor", 0, 0);
    pulley("P18", "motor", 18);
    pulley("P15", "motor", 15);
    pulley("H90", "hand", 90);
  }
};

// i·Ts(1 − ω/ωn) = c₀, at the hand wheel.
double top_rpm(double stall, double free, double ratio, double drag = kDrag) {
  return rpm_from_rad_per_s(free * (1 - drag / (ratio * stall)) / ratio);
}

double number(const nlohmann::json& json, const char* key) {
  return json[key]["value"].get<double>();
}

nlohmann::json find(const nlohmann::json& choices, const std::string& motor,
                    const std::string& pulley) {
  for (const auto& one : choices)
    if (one["motor"] == motor && one["motor_pulley"] == pulley) return one;
  FAIL("no such choice");
  return {};
}

std::string reason_for(const nlohmann::json& json, const std::string& key,
                       const std::string& name) {
  for (const auto& one : json["left_out"])
    if (one.contains(key) && one[key] == name) return one["reason"].get<std::string>();
  return "";
}

// One way that the lathe motor on P18 could be.
struct Drawn {
  double stall, free, drag, ratio;
};

// Share of draws from the book's own limits that `met` holds for.
double share(const std::function<bool(const Drawn&)>& met) {
  constexpr int kDraws = 400000;
  std::mt19937_64 random(7);
  std::normal_distribution<double> normal;
  int count = 0;
  for (int k = 0; k < kDraws; ++k) {
    Drawn drawn{0.30 * (1 + 0.01 * normal(random)), 900 * (1 + 0.01 * normal(random)),
                kDrag * (1 + 0.01 * normal(random)), 5};
    drawn.ratio *= (1 + kPulleySd * normal(random)) / (1 + kPulleySd * normal(random));
    count += met(drawn);
  }
  return static_cast<double>(count) / kDraws;
}

void add_top_speed_run(Drawer& drawer, const std::string& motor, const std::string& belt,
                       const std::string& pulley, double motor_rpm, double wheel_rpm) {
  Book book = drawer.open();
  testing::add_top_speed_run(book, {motor, "Parlour", belt, pulley, "H90"}, motor_rpm, wheel_rpm);
}

}  // namespace

TEST_CASE("The drawer is ranked by where straight lines cross, and says what is left out") {
  const TwoMotors drawer;
  const auto outcome = drawer.choose("--json");
  REQUIRE(outcome.status == 0);
  const auto json = outcome.json();
  REQUIRE(json["choices"].size() == 4);
  const auto& best = json["choices"][0];
  // 0.30 N·m at ratio 5 gives 1,203 rpm, at 6 1,074; 0.20 N·m gives 945 and 895.
  CHECK(best["motor"] == "Lathe motor");
  CHECK(best["motor_pulley"] == "P18");
  CHECK(best["hand_pulley"] == "H90");
  CHECK(best["belt"].is_null());
  CHECK(number(best, "handwheel_speed") == doctest::Approx(top_rpm(0.30, 900, 5)).epsilon(1e-9));
  CHECK(number(best, "motor_speed") == doctest::Approx(5 * top_rpm(0.30, 900, 5)).epsilon(1e-9));
  CHECK(number(best, "needle_force") ==
        doctest::Approx((5 * 0.30 - kDrag) / kHalfStroke).epsilon(1e-9));
  CHECK(best["slow_drop_percent"]["value"].is_null());
  CHECK(json["choices"][1]["motor_pulley"] == "P15");
  CHECK(json["choices"][3]["motor"] == "Toy motor");
  CHECK(json["settled"] == true);
  CHECK(json["next"].empty());
  CHECK(reason_for(json, "motor", "New motor").find("has no curve yet") != std::string::npos);
  // First order by hand: ∂ω_h/∂… of ωn(1 − c₀/(i·Ts))/i.
  const double ratio = 5, free = 900, part = kDrag / (ratio * 0.30),
               top = free * (1 - part) / ratio;
  const double u =
      std::hypot(std::hypot(0.01 * top, 0.01 * free * part / ratio),
                 std::hypot(0.01 * free * part / ratio,
                            std::sqrt(2.0) * kPulleySd * free * (2 * part - 1) / ratio));
  const double half =
      best["handwheel_speed"]["high"].get<double>() - number(best, "handwheel_speed");
  CHECK(half == doctest::Approx(1.96 * rpm_from_rad_per_s(u)).epsilon(1e-3));
}

TEST_CASE("What another evening may be is in the answer where the book tells") {
  TwoMotors drawer;
  const auto half = [&] {
    const auto json = drawer.choose("--json").json();
    CHECK(json["another_evening"] == (drawer.evenings > 0));
    const auto best = find(json["choices"], "Lathe motor", "P18")["handwheel_speed"];
    return best["high"].get<double>() - best["value"].get<double>();
  };
  const double one = half();
  const auto tell = [&](bool of_machine, PartKind kind, const std::string& name) {
    Book book = drawer.open();
    StoredCurve curve = *book.latest_curve(of_machine, book.get(kind, name).id);
    curve.uuid.clear();
    curve.details_json = R"({"another_evening":
        {"level": {"relative_sd": 0.03, "degrees_of_freedom": 1e9, "sessions": 9}}})";
    book.add_curve(curve);
    ++drawer.evenings;
  };
  tell(false, PartKind::kMotor, "Lathe motor");
  tell(true, PartKind::kMachine, "Parlour");
  // Ts and c₀ by 3 % each: both move ωn(1 − c₀/(i·Ts))/i by ωn·c₀/(i²·Ts) per part of themselves.
  const double move = rpm_from_rad_per_s(0.03 * 900 * kDrag / (25 * 0.30));
  CHECK(half() == doctest::Approx(std::hypot(one, 1.96 * std::sqrt(2.0) * move)).epsilon(1e-3));
}

TEST_CASE("The chance of an aim is the share of draws of the formulas that meet it") {
  TwoMotors drawer;
  const double rpm = rpm_from_rad_per_s(1);
  const auto top = [&](const Drawn& d) { return top_rpm(d.stall, d.free, d.ratio, d.drag); };
  const auto chance = [&](const std::string& words) {
    return find(drawer.choose(words + " --json").json()["choices"], "Lathe motor", "P18")["chance"]
        .get<double>();
  };
  const auto with_motor_limit = [&](const Drawn& d) { return top(d) * d.ratio <= 6050; };
  const auto force = [&](const Drawn& d) { return (d.ratio * d.stall - d.drag) / kHalfStroke; };
  for (const double wanted : {1150.0, 1200.0, 1230.0})
    CHECK(chance("--least-rpm " + std::to_string(wanted)) ==
          doctest::Approx(share([&](const Drawn& d) { return top(d) >= wanted; })).epsilon(0.02));
  CHECK(chance("--most-motor-rpm 6050") == doctest::Approx(share(with_motor_limit)).epsilon(0.02));
  CHECK(chance("--least-needle-n 69") ==
        doctest::Approx(share([&](const Drawn& d) { return force(d) >= 69; })).epsilon(0.02));
  // All at once, not the product of the three.
  const double all = share(
      [&](const Drawn& d) { return top(d) >= 1195 && with_motor_limit(d) && force(d) >= 69; });
  CHECK(chance("--least-rpm 1195 --most-motor-rpm 6050 --least-needle-n 69") ==
        doctest::Approx(all).epsilon(0.03));
  // The cloth takes 0.1 N·m more.
  const auto loaded = [&](const Drawn& d) {
    return top_rpm(d.stall, d.free, d.ratio, d.drag + 0.1) >= 1080;
  };
  CHECK(chance("--least-rpm 1080 --extra-nm 0.1") == doctest::Approx(share(loaded)).epsilon(0.02));
  CHECK(rpm > 0);
}

TEST_CASE("The drop in slow stitching is the slope of the line that the pedal has moved") {
  const TwoMotors drawer;
  // At any voltage T = Ts·v − Ts·ω/ωn, so a seam of S at the hand wheel takes S·ωn/(i²·Ts).
  const double slow = rad_per_s_from_rpm(200), seam = 0.02;
  const auto drop = [&](double stall, double ratio) {
    return 100 * seam * 900 / (ratio * ratio * stall) / slow;
  };
  const auto outcome =
      drawer.choose("--slow-spm 200 --most-drop-percent 10.5 --extra-nm 0.02 --json");
  const auto choices = outcome.json()["choices"];
  const auto best = find(choices, "Lathe motor", "P18");
  CHECK(number(best, "slow_drop_percent") == doctest::Approx(drop(0.30, 5)).epsilon(1e-6));
  CHECK(number(find(choices, "Toy motor", "P15"), "slow_drop_percent") ==
        doctest::Approx(drop(0.20, 6)).epsilon(1e-6));
  // Near a stall the limits stay what can be, and still those of a straight line below it.
  const auto stalling = drawer.choose("--slow-spm 200 --extra-nm 0.17 --json").json();
  const auto near = find(stalling["choices"], "Lathe motor", "P18")["slow_drop_percent"];
  CHECK(near["value"].get<double>() == doctest::Approx(8.5 * drop(0.30, 5)).epsilon(1e-6));
  CHECK(near["high"] <= 100);
  const auto& plain = best["slow_drop_percent"];
  CHECK(near["value"].get<double>() - near["low"].get<double>() ==
        doctest::Approx(8.5 * (plain["value"].get<double>() - plain["low"].get<double>()))
            .epsilon(0.05));
  // 11.5 % on P18, 8.0 % on P15: only there the lathe motor is steady enough.
  CHECK(best["chance"].get<double>() < 0.01);
  CHECK(choices[0]["motor_pulley"] == "P15");
  CHECK(choices[0]["motor"] == "Lathe motor");
  CHECK(choices[0]["chance"].get<double>() > 0.99);
  CHECK(outcome.status == 0);
  const auto met = [&](const Drawn& d) {
    return 100 * seam * d.free / (d.ratio * d.ratio * d.stall) / slow <= 11.5;
  };
  const auto close =
      drawer.choose("--slow-spm 200 --most-drop-percent 11.5 --extra-nm 0.02 --json");
  CHECK(find(close.json()["choices"], "Lathe motor", "P18")["chance"].get<double>() ==
        doctest::Approx(share(met)).epsilon(0.03));
}

TEST_CASE("What two candidates share cancels: the same motor on two pulleys is told apart") {
  TwoMotors drawer;
  // The two top speeds are each known to some 45 rpm, their difference of 129 rpm to about ten:
  // motor and drag move both.
  const auto json = drawer.choose("--json").json();
  const auto& lead = json["lead"];
  CHECK(number(json, "lead") ==
        doctest::Approx(top_rpm(0.30, 900, 5) - top_rpm(0.30, 900, 6)).epsilon(1e-9));
  const auto& speed = json["choices"][0]["handwheel_speed"];
  CHECK(lead["high"].get<double>() - lead["low"].get<double>() <
        0.5 * (speed["high"].get<double>() - speed["low"].get<double>()));
}

TEST_CASE("Two motors that may be either first are not settled, and a run is proposed") {
  Drawer drawer;
  drawer.motor("One", 0.30, 900, 0.02);
  drawer.motor("Other", 0.305, 900, 0.02);
  drawer.pulley("P18", "motor", 18);
  drawer.pulley("H90", "hand", 90);
  const auto outcome = drawer.choose("--json");
  const auto json = outcome.json();
  CHECK(outcome.status == 0);
  CHECK(json["settled"] == false);
  CHECK(json["choices"][0]["motor"] == "Other");
  const double right = json["choices"][0]["right"].get<double>();
  CHECK(right > 0.5);
  CHECK(right < 0.95);
  REQUIRE(!json["next"].empty());
  for (const auto& run : json["next"]) {
    CHECK(run["kind"] == "brake");
    CHECK(run["minutes"].get<double>() > 0);
    CHECK(run["settles"].get<double>() >= 0);
    CHECK(run["settles"].get<double>() <= 1);
    CHECK((run["motor"] == "One" || run["motor"] == "Other"));
  }
  // The drag moves both alike: to measure it again says nothing of which is faster.
  CHECK(drawer.choose("").out.find("coast-down") == std::string::npos);

  Drawer sure;
  sure.motor("One", 0.30, 900, 0.0005);
  sure.motor("Other", 0.315, 900, 0.0005);
  sure.pulley("P18", "motor", 18);
  sure.pulley("H90", "hand", 90);
  const auto settled = sure.choose("");
  CHECK(settled.status == 0);
  CHECK(settled.out.find("Enough: another run would not change the choice.") != std::string::npos);
  CHECK(settled.out.find("slower for certain") != std::string::npos);
}

TEST_CASE("Speeds that differ by less than anybody hears are as good as each other") {
  Drawer drawer;
  drawer.motor("One", 0.30, 900, 0.0003);
  drawer.motor("Other", 0.3005, 900, 0.0003);
  drawer.pulley("P18", "motor", 18);
  drawer.pulley("H90", "hand", 90);
  CHECK(drawer.choose("--json").json()["settled"] == true);
}

TEST_CASE("Limits in the book are aims without being asked for") {
  Drawer drawer;
  drawer.motor("Fast", 0.30, 900, 0.001, {{"max-rpm", 5000.0}});
  drawer.motor("Slow", 0.20, 900, 0.001);
  drawer.pulley("P18", "motor", 18);
  drawer.pulley("H90", "hand", 90);
  const auto json = drawer.choose("--json").json();
  CHECK(json["choices"][0]["motor"] == "Slow");
  CHECK(json["choices"][1]["chance"] == 0);
  CHECK(json["choices"][1]["misses"] == "most_motor_rpm");
}

TEST_CASE("What does not fit is left out with its reason") {
  Drawer drawer;
  drawer.motor("Thin", 0.30, 900, 0.01, {{"shaft-mm", 6.0}});
  drawer.motor("Thick", 0.30, 900, 0.01, {{"shaft-mm", 8.0}});
  drawer.pulley("P18", "motor", 18, {{"bore-mm", 6.0}});
  const Fields groove{{"groove-top-mm", 6.3}, {"groove-depth-mm", 6.5}, {"groove-angle-deg", 38.0}};
  Fields narrow = groove;
  narrow["groove-top-mm"] = 5.2;
  narrow["bore-mm"] = 6.0;
  drawer.pulley("narrow", "motor", 15, narrow);
  drawer.pulley("H90", "hand", 90);
  drawer.open().add(part(PartKind::kPulley, "Bare", {{"role", std::string("motor")}}));
  drawer.belt("Wide", {{"section", std::string("v")},
                       {"width-mm", 10.0},
                       {"height-mm", 6.0},
                       {"angle-deg", 38.0},
                       {"length-mm", 700.0}});
  const auto json = drawer.choose("--centre-mm 200,280 --json").json();
  REQUIRE(json["choices"].size() == 1);
  CHECK(json["choices"][0]["motor"] == "Thin");
  CHECK(json["choices"][0]["motor_pulley"] == "P18");
  CHECK(json["choices"][0]["belt"] == "Wide");
  CHECK(reason_for(json, "motor", "Thick").find("does not go on the 8") != std::string::npos);
  CHECK(reason_for(json, "belt", "Wide").find("does not fit pulley narrow") != std::string::npos);
  CHECK(reason_for(json, "motor_pulley", "Bare").find("has no diameter") != std::string::npos);
  // Two half circles of 18 and 90 mm and twice 250 mm are 674 mm, so that 700 mm outside (13 mm
  // more than along the tension line) need 256 mm; from 100 to 150 mm the motor cannot stand.
  const auto far = drawer.choose("--centre-mm 100,150 --json");
  CHECK(far.status == 1);
  CHECK(far.json()["choices"].empty());
  CHECK(reason_for(far.json(), "motor_pulley", "P18").find("wants the motor at 25") !=
        std::string::npos);
}

TEST_CASE("A belt that was not measured is never ranked among those that were") {
  TwoMotors drawer;
  drawer.belt("Red");
  drawer.belt("Blue");
  const auto none = drawer.choose("--json");
  CHECK(none.json()["belts_measured"] == false);
  CHECK(none.json()["choices"].size() == 8);
  CHECK(none.json()["choices"][0]["belt_measured"] == false);
  CHECK(none.err.find("No belt has a top-speed run") != std::string::npos);
  CHECK(drawer.choose("").out.find("is as fast.") != std::string::npos);  // they are all alike

  // 3 % slip and 0.01 N·m lost at the motor shaft: i(Ts(1 − ω/ωn) − τ) = c₀.
  const double motor = 900 * (1 - (kDrag / 5 + 0.01) / 0.30);
  for (int repeat = 0; repeat < 3; ++repeat)
    add_top_speed_run(drawer, "Lathe motor", "Red", "P18", rpm_from_rad_per_s(motor),
                      rpm_from_rad_per_s(motor * 0.97 / 5));
  const auto json = drawer.choose("--json").json();
  CHECK(json["belts_measured"] == true);
  CHECK(reason_for(json, "belt", "Blue").find("no top-speed run") != std::string::npos);
  REQUIRE(json["choices"].size() == 4);
  for (const auto& one : json["choices"]) CHECK(one["belt"] == "Red");
  const auto here = find(json["choices"], "Lathe motor", "P18");
  CHECK(here["belt_seen"] == "here");
  CHECK(number(here, "handwheel_speed") ==
        doctest::Approx(rpm_from_rad_per_s(motor * 0.97 / 5)).epsilon(1e-4));
  // Where it was measured the curves' doubt is out of it: the run says what the speed is.
  CHECK(here["handwheel_speed"]["high"].get<double>() - number(here, "handwheel_speed") <
        0.003 * number(here, "handwheel_speed"));
  // The other motor loses the same torque in it.
  const auto other = find(json["choices"], "Toy motor", "P18");
  CHECK(other["belt_seen"] == "other motor");
  const double toy = 900 * (1 - (kDrag / 5 + 0.01) / 0.20);
  CHECK(number(other, "handwheel_speed") ==
        doctest::Approx(rpm_from_rad_per_s(toy * 0.97 / 5)).epsilon(1e-4));
}

TEST_CASE("A motor that cannot be moved to the supply asked for is left out") {
  TwoMotors drawer;
  {
    Book book = drawer.open();
    StoredCurve curve = *book.latest_curve(false, book.get(PartKind::kMotor, "Toy motor").id);
    curve.uuid.clear();
    curve.supply_v.reset();
    book.add_curve(curve);
  }
  const auto json = drawer.choose("--supply-v 207 --json").json();
  CHECK(json["choices"].size() == 2);
  CHECK(reason_for(json, "motor", "Toy motor").find("supply voltage") != std::string::npos);
  // Nine tenths of the voltage: both ends of the line move by that, less what brushes (1.5 V of
  // 230) and friction (5 %) keep of it.
  const double left = 0.9 - 0.1 * (1.5 / 230 + 0.05);
  CHECK(number(json["choices"][0], "handwheel_speed") ==
        doctest::Approx(top_rpm(0.30 * left, 900 * left, 5)).epsilon(1e-9));
}

TEST_CASE("A page for people opens with the sentence and is no wider than it") {
  TwoMotors drawer;
  const auto met = drawer.choose("--least-rpm 900 --slow-spm 200 --least-needle-n 50");
  CHECK(met.status == 0);
  CHECK(met.out.rfind("Put motor Lathe motor with pulley P18 on Parlour: 1,203 (", 0) == 0);
  CHECK(widest_line(met.out) <= 80);
  CHECK(met.out.find("No belt is in the book") != std::string::npos);
  const auto missed = drawer.choose("--least-rpm 5000");
  CHECK(missed.status == 1);
  CHECK(missed.out.rfind("Nothing in the drawer meets what is asked of Parlour.", 0) == 0);
  CHECK(missed.out.find("are too slow") != std::string::npos);
  CHECK(widest_line(missed.out) <= 80);
  // The motor without a curve may be faster than any of these.
  CHECK(missed.out.find("Enough for what was measured") != std::string::npos);
}

TEST_CASE("The picture shows the candidates with their intervals and the aim as a line") {
  const TwoMotors drawer;
  CHECK(drawer.choose("--least-rpm 1100 --svg choice.svg").status == 0);
  const std::string svg = bytes_of(drawer.scratch.path("choice.svg"));
  const auto count = [&](const std::string& words) {
    std::size_t found = 0;
    for (std::size_t at = svg.find(words); at != std::string::npos; at = svg.find(words, at + 1))
      ++found;
    return found;
  };
  // The lathe motor on both pulleys; the toy motor reaches 945 rpm at most.
  CHECK(svg.find("Lathe motor, P18") != std::string::npos);
  CHECK(svg.find("Lathe motor, P15") != std::string::npos);
  CHECK(svg.find("Toy motor") == std::string::npos);
  CHECK(svg.find("asked for at least") != std::string::npos);
  CHECK(count("class=\"whisker c1\" d=\"M") == 1);  // sure of it is P18 alone
}

TEST_CASE("The report says first what to put on each machine") {
  const TwoMotors drawer;
  CHECK(run_program(drawer.scratch, LOADLINE_FIT_PROGRAM, "report -o page.html").status == 0);
  const std::string page = bytes_of(drawer.scratch.path("page.html"));
  const auto verdict = page.find("Put motor Lathe motor with pulley P18 on Parlour");
  REQUIRE(verdict != std::string::npos);
  const auto motors = page.find("Motors</h2>");
  REQUIRE(motors != std::string::npos);
  CHECK(verdict < motors);
}

TEST_CASE("A curve that does not describe its runs is named, not used") {
  TwoMotors drawer;
  const auto spoil = [&](bool of_machine, PartKind kind, const std::string& name) {
    Book book = drawer.open();
    StoredCurve curve = *book.latest_curve(of_machine, book.get(kind, name).id);
    curve.uuid.clear();
    curve.details_json = R"({"described": false, "not_described": "the speeds rise"})";
    book.add_curve(curve);
  };
  spoil(false, PartKind::kMotor, "Toy motor");
  const auto motor = drawer.choose("--json");
  CHECK(motor.status == 0);
  CHECK(motor.json()["choices"].size() == 2);
  CHECK(reason_for(motor.json(), "motor", "Toy motor").find("does not describe its runs") !=
        std::string::npos);
  spoil(true, PartKind::kMachine, "Parlour");
  const auto machine = drawer.choose("--json");
  CHECK(machine.status == 1);
  CHECK(machine.out.empty());
  CHECK(machine.err.find("machine 'Parlour'") != std::string::npos);
}

TEST_CASE("What cannot be asked is refused in a sentence") {
  TwoMotors drawer;
  CHECK(drawer.choose("--most-drop-percent 10").status == 2);
  CHECK(drawer.choose("--least-rpm -5").status == 2);
  CHECK(drawer.choose("--centre-mm 0,5").status == 2);
  const auto nameless = run_program(drawer.scratch, LOADLINE_FIT_PROGRAM, "choose");
  CHECK(nameless.status == 2);
  CHECK(nameless.err.find("--machine") != std::string::npos);
  {
    Book book = drawer.open();
    Part machine = book.get(PartKind::kMachine, "Parlour");
    machine.fields.clear();
    book.update(machine);
  }
  const auto force = drawer.choose("--least-needle-n 50");
  CHECK(force.status == 2);
  CHECK(force.err.find("--stroke-mm") != std::string::npos);
}
