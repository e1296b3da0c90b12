// loadline-simrig as a person uses it: files, settings, and what it says to bad input.
#include <doctest/doctest.h>
#include <nlohmann/json.hpp>

#include <filesystem>
#include <fstream>
#include <string>

#include "tests/support/program.h"

namespace {

using loadline::testing::bytes_of;
using loadline::testing::Outcome;
using loadline::testing::Scratch;

Outcome simrig(const Scratch& scratch, const std::string& words) {
  return loadline::testing::run_program(scratch, LOADLINE_SIMRIG, words);
}

std::string write(const Scratch& scratch, const std::string& name, const std::string& text) {
  std::ofstream(scratch.path(name)) << text;
  return name;
}

const char* const kQuick = "[run]\nkind = no-load\nlead_s = 0.2\naction_s = 1\ntail_s = 0.2\n";

bool one_sentence(const std::string& text) {
  return text.rfind("loadline-simrig: ", 0) == 0 && text.find('\n') == text.size() - 1;
}

}  // namespace

TEST_CASE("capture, readings and truth are written, the same each time") {
  const Scratch scratch;
  write(scratch, "quick.ini", kQuick);
  for (const char* name : {"a", "b"}) {
    const std::string n = name;
    const Outcome done = simrig(scratch, "quick.ini --seed 4 --capture " + n + ".raw --csv " + n +
                                             ".csv --truth " + n + ".json");
    CHECK(done.status == 0);
    CHECK(done.out.empty());
    CHECK(done.err.empty());
  }
  for (const char* kind : {".raw", ".csv", ".json"}) {
    const std::string a = bytes_of(scratch.path(std::string("a") + kind));
    CHECK(a.size() > 1000);
    CHECK(a == bytes_of(scratch.path(std::string("b") + kind)));
  }
  const std::string csv = bytes_of(scratch.path("a.csv"));
  CHECK(csv.substr(0, csv.find('\n')) ==
        "time_s,motor_rpm,handwheel_rpm,torque_nm,supply_v,temperature_c");
  const auto truth = nlohmann::json::parse(bytes_of(scratch.path("a.json")));
  CHECK(truth["kind"] == "no-load");
  CHECK(truth["seed"] == 4);
  CHECK(truth["motor"]["stall_torque_nm"].get<double>() > 0.05);
  CHECK(truth["drive"]["ratio"] == 7.0);
}

TEST_CASE("the scenario's seed holds unless --seed says otherwise, and --set wins over the file") {
  const Scratch scratch;
  write(scratch, "quick.ini", kQuick);
  REQUIRE(simrig(scratch, "quick.ini --capture a.raw").status == 0);
  REQUIRE(simrig(scratch, "quick.ini --set run.seed=1 --capture b.raw").status == 0);
  REQUIRE(simrig(scratch, "quick.ini --set run.seed=2 --capture c.raw").status == 0);
  REQUIRE(simrig(scratch, "quick.ini --seed 2 --capture d.raw").status == 0);
  CHECK(bytes_of(scratch.path("a.raw")) == bytes_of(scratch.path("b.raw")));
  CHECK(bytes_of(scratch.path("a.raw")) != bytes_of(scratch.path("c.raw")));
  CHECK(bytes_of(scratch.path("c.raw")) == bytes_of(scratch.path("d.raw")));
}

TEST_CASE("bad input ends in one sentence that names it") {
  const Scratch scratch;
  write(scratch, "quick.ini", kQuick);
  write(scratch, "typo.ini", "[run]\nkind = brake\n[motr]\nke_vs = 1\n");
  const std::pair<const char*, const char*> wrong[] = {
      {"missing.ini --capture x", "missing.ini"},
      {"typo.ini --capture x", "motr.ke_vs"},
      {"quick.ini --set supply.volts=much --capture x", "volts"},
      {"quick.ini --set nonsense --capture x", "nonsense"},
      {"quick.ini --seed -1 --capture x", "--seed"},
      {"quick.ini --capture no/such/folder/x", "no/such/folder/x"},
      {"", "scenario"}};
  for (const auto& [words, named] : wrong) {
    CAPTURE(words);
    const Outcome done = simrig(scratch, words);
    CHECK(done.status == 2);
    CHECK(done.out.empty());
    CHECK(one_sentence(done.err));
    CHECK(done.err.find(named) != std::string::npos);
    CHECK_FALSE(std::filesystem::exists(scratch.path("x")));
  }
}

TEST_CASE("a rig that nobody starts says so; its link goes with it, and no file of another's") {
  const Scratch scratch;
  write(scratch, "quick.ini", kQuick);
  const Outcome alone = simrig(scratch, "quick.ini --fast --wait 0.2 --link rig");
  CHECK(alone.status == 3);
  CHECK(alone.out.rfind("/dev/", 0) == 0);
  CHECK(one_sentence(alone.err));
  CHECK_FALSE(std::filesystem::is_symlink(scratch.path("rig")));
  write(scratch, "precious", "keep me");
  const Outcome taken = simrig(scratch, "quick.ini --fast --wait 0.2 --link precious");
  CHECK(taken.status == 2);
  CHECK(taken.err.find("precious") != std::string::npos);
  CHECK(bytes_of(scratch.path("precious")) == "keep me");
}
