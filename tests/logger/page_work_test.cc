// What the page does to the book and how sure the run under way is: numbers as they are typed, the
// calibration that grows point by point, what is asked about once more, the interval that narrows.
#include <doctest/doctest.h>
#include <sys/stat.h>

#include <cmath>
#include <cstdlib>
#include <fstream>
#include <nlohmann/json.hpp>
#include <thread>

#include "db/basis/error.h"
#include "fit/readings/load_cell.h"
#include "logger/live/bench_task.h"
#include "logger/live/desk.h"
#include "logger/live/narrowing.h"
#include "logger/live/typed_number.h"
#include "tests/logger/support/bench_book.h"

using namespace loadline;

namespace {

double typed(const std::string& text, const std::string& unit) {
  return typed_number({{"n", text}}, "n", unit).value_or(std::nan(""));
}

/// The locale as long as this lives.
struct In {
  explicit In(const char* locale) { setenv("LC_ALL", locale, 1); }
  ~In() { setenv("LC_ALL", "C.UTF-8", 1); }
};

/// A cell of 2·10⁵ counts a newton and 1000 without a load, under standard gravity (9.80665 m/s²,
/// ISO 80000-3).
RestMean cell_under(double mass_g) { return {1000 + 2e5 * mass_g * 1e-3 * 9.80665, 50, 300, 0}; }

Part rig_in(const Book& book) { return book.get(PartKind::kRig, "bench"); }

}  // namespace

TEST_CASE("A number is read with its unit, and with the decimal mark of the locale") {
  const In english("C.UTF-8");
  CHECK(typed("100", "g") == 100);
  CHECK(typed(" 0.1 kg ", "g") == doctest::Approx(100));
  CHECK(typed("1/4in", "mm") == doctest::Approx(6.35));  // the inch is 25.4 mm
  CHECK(typed("21 kg·cm²", "kgm2") == doctest::Approx(0.0021));
  CHECK_FALSE(typed_number({{"n", "  "}}, "n", "g").has_value());
  CHECK_FALSE(typed_number({{"m", "1"}}, "n", "g").has_value());
  CHECK(typed_number({{"n", 7.5}}, "n", "g") == 7.5);
  for (const char* wrong : {"ten", "0,1 kg", "5 furlongs", "1 2", "--5"})
    CHECK_THROWS_AS(typed(wrong, "g"), const Error&);
  CHECK_THROWS_AS(typed_number({{"n", true}}, "n", "g"), const Error&);
  const In german("de_DE.UTF-8");
  CHECK(typed("0,1 kg", "g") == doctest::Approx(100));
  CHECK(typed("0.125", "g") == doctest::Approx(0.125));
  CHECK(typed("12.5", "g") == doctest::Approx(12.5));
  CHECK_THROWS_AS(typed("1.500", "g"), const Error&);  // a thousand and a half, or one and a half
}

TEST_CASE("A calibration grows by points; the line through them is the cell's") {
  testing::Scratch folder;
  const Book book = bench_book(folder);
  PageCalibration points;
  for (const double mass : {0.0, 100.0}) points.add(mass, cell_under(mass));
  CHECK(points.json(rig_in(book)).value("few", false));
  CHECK(points.direction_of(200) == LoadDirection::kUp);
  for (const double mass : {200.0, 400.0}) points.add(mass, cell_under(mass));
  points.add(300, cell_under(900));  // the wrong mass was hung on
  CHECK(points.direction_of(200) == LoadDirection::kDown);
  points.drop(4);
  for (const double mass : {200.0, 100.0, 0.0}) points.add(mass, cell_under(mass));
  CHECK_THROWS_AS(points.drop(7), const Error&);
  const Json json = points.json(rig_in(book));
  CHECK(json["slope"]["value"].get<double>() == doctest::Approx(1 / 2e5).epsilon(1e-9));
  CHECK(json["zero"]["value"].get<double>() == doctest::Approx(1000).epsilon(1e-6));
  // Gravity is not given: its spread over the Earth, 0.15 %, twice, is the interval.
  const double half =
      (json["slope"]["high"].get<double>() - json["slope"]["low"].get<double>()) / 2;
  CHECK(half == doctest::Approx(2 * 0.0015 / 2e5).epsilon(0.25));
  REQUIRE(json["points"].size() == 7);
  CHECK(json["points"][3]["up"] == true);
  CHECK(json["points"][4]["up"] == false);
  Part without_arm = rig_in(book);
  without_arm.fields.erase("arm-mm");
  CHECK(points.json(without_arm)["why"].get<std::string>().find("arm") != std::string::npos);
}

TEST_CASE("A calibration that looks odd is asked about, and kept when it is meant") {
  testing::Scratch folder;
  Book book = bench_book(folder);
  const auto before = book.latest_calibration(rig_in(book).id)->made_utc;
  PageCalibration points;
  for (const double mass : {0.0, 0.1, 0.2, 0.4})  // kilograms typed as grams
    points.add(mass, cell_under(mass * 1000));
  const Json asked = keep_calibration(book, rig_in(book), points, false);
  REQUIRE(asked.contains("asks"));
  CHECK(asked["asks"][0].get<std::string>().find("kilograms") != std::string::npos);
  CHECK(book.latest_calibration(rig_in(book).id)->slope_n_per_count == 1e-4);
  CHECK(keep_calibration(book, rig_in(book), points, true)["done"] == "calibrated");
  CHECK(book.latest_calibration(rig_in(book).id)->slope_n_per_count ==
        doctest::Approx(1e-3 / 2e5).epsilon(1e-6));
  CHECK(book.latest_calibration(rig_in(book).id)->made_utc >= before);
}

TEST_CASE("A part's numbers carry units; a name that differs by capitals only is asked about") {
  testing::Scratch folder;
  Book book = bench_book(folder);
  Json task = {{"task", "part"},
               {"kind", "pulley"},
               {"name", "small"},
               {"fields", {{"role", "motor"}, {"bore-mm", "1/4 in"}}}};
  CHECK(carry_out_task(book, task)["done"] == "entered");
  CHECK(book.get(PartKind::kPulley, "small").number("bore-mm") == doctest::Approx(6.35));
  task["name"] = "Small";
  CHECK(carry_out_task(book, task).contains("asks"));
  CHECK(book.parts(PartKind::kPulley).size() == 1);
  task["meant"] = true;
  CHECK(carry_out_task(book, task)["done"] == "entered");
  task = {{"task", "part"}, {"kind", "rig"}, {"name", "second"}, {"fields", {{"arm-mm", "12 cm"}}}};
  CHECK(carry_out_task(book, task)["done"] == "entered");
  CHECK(book.get(PartKind::kRig, "second").number("arm-mm") == 120);
}

TEST_CASE("An inertia that no shaft carries is asked about before anything starts") {
  LiveDesk desk(true);
  Json wish = {{"kind", "coast-down"},
               {"machine", "Wren"},
               {"cautions_read", true},
               {"added_inertia_kgm2", "21"}};
  const Json asked = desk.place_order(wish);
  REQUIRE(asked["odd"].size() == 1);
  CHECK(asked["odd"][0]["field"] == "added_inertia_kgm2");
  CHECK(asked["odd"][0]["value"] == 21);
  CHECK_FALSE(desk.take_order().has_value());
  wish["added_inertia_kgm2"] = "21 kgcm2";
  CHECK(desk.place_order(wish).empty());
  CHECK(desk.take_order()->mounting.added_inertia_kgm2 == doctest::Approx(0.0021));
  wish["added_inertia_kgm2"] = "21";
  wish["meant"] = true;
  CHECK(desk.place_order(wish).empty());
  CHECK(desk.take_order()->mounting.added_inertia_kgm2 == 21);
}

TEST_CASE("An interval that falls as 1/sqrt(t) is never enough; one that stands still is") {
  Narrowing falling, held;
  for (int i = 1; i <= 20; ++i) {
    const double t = 4.0 * i;
    falling.add(t, 76, 8 / std::sqrt(t));
    CHECK_FALSE(falling.enough());
    // Noise that averages out beside a calibration that does not: 8/√t and 2, added as squares.
    held.add(t, 76, std::hypot(8 / std::sqrt(t), 2));
    // From 2/3 t to t that falls by 4.6 %, a quarter of 18 %, at 65 s (by the formula).
    if (t <= 56) CHECK_FALSE(held.enough());
    if (t >= 72) CHECK(held.enough());
  }
  Narrowing few;
  few.add(10, 76, 2);
  few.add(14, 76, 2);
  CHECK_FALSE(few.enough());
  CHECK(Narrowing().json().is_null());
  CHECK(held.json()["points"].size() == 20);
  CHECK(held.json()["points"][0][1].get<double>() ==
        doctest::Approx(100 * std::hypot(4.0, 2.0) / 76));
  held.add(90, 0, 2);  // no figure, no share of it
  CHECK(held.json()["points"].size() == 20);
}

TEST_CASE("Glances look at the runs before and the one under way, and store nothing") {
  testing::Scratch folder;
  Book book = bench_book(folder);
  const std::string program = folder.path("fit");
  std::ofstream(program)
      << "#!/bin/sh\nfor w in \"$@\"; do echo \"$w\"; done > " << folder.path("words")
      << "\necho '{\"described\": true, \"peak_power\": {\"value\": 76, \"low\": 75, "
         "\"high\": 77, \"unit\": \"W\"}}'\n";
  ::chmod(program.c_str(), 0700);
  Run before;
  before.kind = RunKind::kBrake;
  before.rig = rig_in(book).id;
  before.motor = book.get(PartKind::kMotor, "grey").id;
  before.tick_hz = 1e6;
  const std::int64_t earlier = book.begin_run(before);
  Sample sample;
  sample.torque_counts = 1000;
  book.append(earlier, std::vector<Sample>{sample});
  book.end_run(earlier, RunState::kComplete);
  Mounting mounting;
  mounting.motor = "grey";
  Glances glances(book, RunKind::kBrake, mounting, program);
  RecordingView view;
  view.reading.elapsed_s = 5;
  CHECK_FALSE(glances.look(view));  // nothing is in the book yet
  view.run = earlier + 1;
  view.committed = 400;
  view.reading.elapsed_s = 8;
  bool seen = false;
  for (int i = 0; i < 2000 && !seen; ++i) {
    seen = glances.look(view);
    if (!seen) std::this_thread::sleep_for(std::chrono::milliseconds(10));
  }
  REQUIRE(seen);
  CHECK(glances.json()["figure"] == "peak_power");
  CHECK(glances.json()["half_width"] == 1);
  CHECK(glances.json()["points"][0][0] == 8);
  std::ifstream words(folder.path("words"));
  const std::string all((std::istreambuf_iterator<char>(words)), {});
  const std::vector<std::string> wanted = {"--dry", "--runs=" + std::to_string(earlier),
                                           "--runs=" + std::to_string(earlier + 1), "grey"};
  for (const std::string& word : wanted) CHECK(all.find(word + "\n") != std::string::npos);
  // A slip check is over before a fit would be; a machine's coast-down asks for its drag.
  CHECK_FALSE(Glances(book, RunKind::kSlipCheck, mounting, program).look(view));
}
