// loadline-simrig: plays the rig of a scenario on a pseudo-terminal.
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <iostream>

#include "db/basis/command_line.h"
#include "db/basis/new_file.h"
#include "firmware-protocol/simrig/evening.h"
#include "firmware-protocol/simrig/line_player.h"
#include "firmware-protocol/simrig/play.h"
#include "firmware-protocol/simrig/sound.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

constexpr double kUsualWait = 60;  // seconds

constexpr const char* kDescription =
    "Computes a bench in the time domain - motor, brake, machine, belt, load cell, tachometers - "
    "and\n"
    "speaks for its rig: on a pseudo-terminal, whose path is printed, or into files. It answers\n"
    "who-are-you, start and stop. The switch is thrown run.lead_s after the start command; a "
    "start\n"
    "that comes before that begins the waiting anew, so that a zero can be taken first. It ends "
    "when\n"
    "the run is over and read, when nobody starts it within --wait seconds, or when the reader "
    "has\n"
    "been gone for that long. Same scenario and seed, same bytes. A file .evening is a whole "
    "evening\n"
    "to practise on: the rig lies idle, and plays masses and every kind of run as the page or the\n"
    "program records them, until it is ended (Ctrl-C).";

constexpr const char* kCautions =
    "Nothing here moves or is live: this is the bench to try things on. A real motor on the mains, "
    "a\n"
    "moving belt and a held rotor are not so patient.";

bool write_files(const Arguments& arguments, const simrig::Scenario& scenario, std::uint64_t seed) {
  const auto capture = arguments.text("capture");
  const auto csv = arguments.text("csv");
  const auto sound = arguments.text("wav");
  const auto truth = arguments.text("truth");
  if (capture) {
    const simrig::Bytes bytes = simrig::capture(scenario, seed);
    write_file(*capture, {reinterpret_cast<const char*>(bytes.data()), bytes.size()});
  }
  if (csv || truth || sound) {
    const simrig::Recording recording = simrig::record(scenario, seed);
    if (csv) write_file(*csv, simrig::csv(recording, scenario));
    if (sound)
      write_file(*sound,
                 simrig::wav(simrig::sound_of(recording, scenario, seed), scenario.sound.rate_hz));
    if (truth) write_file(*truth, simrig::truth_json(recording, scenario, seed));
  }
  return capture || csv || truth || sound;
}

void play_on_line(const Arguments& arguments, simrig::PlayedRig& player, double wait_s) {
  simrig::LineOptions options;
  options.link = arguments.text("link").value_or("");
  refuse_book(options.link);
  options.fast = arguments.flag("fast");
  options.wait_s = wait_s;
  options.announce = [&](const std::string& path) {
    if (arguments.json())
      print_json({{"port", path}, {"link", options.link}, {"scenario", player.scenario().name}});
    else
      std::cout << path << std::endl;
  };
  switch (simrig::play_on_line(player, options)) {
    case simrig::LineEnd::kOver:
      return;
    case simrig::LineEnd::kNeverStarted:
      throw Error(Fault::kRig,
                  fmt::format("nobody sent a start within {} s; start the reader first "
                              "or give a longer --wait.",
                              options.wait_s));
    case simrig::LineEnd::kReaderGone:
      warn("the reader has gone before the run was over.");
      return;
  }
}

void play_evening(const Arguments& arguments, const std::string& path, long long seed) {
  for (const char* option : {"set", "capture", "csv", "wav", "truth"})
    if (arguments.has(option))
      throw Error(Fault::kInput,
                  fmt::format("--{} is about one run; an evening is only played.", option));
  simrig::EveningRig rig(simrig::Evening(path), static_cast<std::uint64_t>(seed));
  constexpr double kAllNight = 86'400;
  play_on_line(arguments, rig, arguments.number("wait").value_or(kAllNight));
}

int simrig_command(const Arguments& arguments) {
  if (arguments.flag("keys")) {
    std::cout << simrig::scenario_keys();
    return 0;
  }
  const std::string path = arguments.name(0, "a scenario file");
  try {
    const auto seed = arguments.whole("seed");
    if (seed && *seed < 0)
      throw Error(Fault::kInput, "--seed must not be negative; give a whole number from 0 on.");
    if (path.ends_with(".evening")) return play_evening(arguments, path, seed.value_or(1)), 0;
    const simrig::Scenario scenario = simrig::read_scenario(path, arguments.texts("set"));
    const std::uint64_t use = seed ? static_cast<std::uint64_t>(*seed) : scenario.run.seed;
    if (write_files(arguments, scenario, use)) return 0;
    simrig::Player player(scenario, use);
    play_on_line(arguments, player, arguments.number("wait").value_or(kUsualWait));
  } catch (const simrig::ScenarioError& problem) {
    throw Error(Fault::kInput, problem.what());
  }
  return 0;
}

Program simrig_program() {
  Verb verb{"",
            "SCENARIO.ini|FILE.evening [--link PATH] [--fast] [--seed N]",
            "play a simulated rig on a pseudo-terminal",
            kDescription,
            "loadline-simrig sample-runs/scenarios/brake.ini --link /tmp/rig --fast\n"
            "loadline-simrig sample-runs/practice.evening --link /tmp/rig",
            1,
            {},
            simrig_command};
  verb.options.add_options()("link", po::value<std::string>()->value_name("PATH"),
                             "also make this path a link to the pseudo-terminal")(
      "fast", po::bool_switch(), "as fast as the reader takes it, not in real time")(
      "seed", po::value<long long>()->value_name("N"),
      "of all chance; default is the scenario's run.seed")(
      "set", po::value<std::vector<std::string>>()->composing()->value_name("KEY=VALUE"),
      "section.key=value, wins over the file; may be repeated")(
      "wait", po::value<double>()->value_name("SECONDS"),
      "how long to wait for a start, and for a reader that has gone (60; an evening waits a day)")(
      "capture", po::value<std::string>()->value_name("FILE"),
      "write the bytes of the whole run to this file, no line")(
      "csv", po::value<std::string>()->value_name("FILE.csv"),
      "write the run as readings that loadline-db import takes")(
      "wav", po::value<std::string>()->value_name("FILE.wav"),
      "write the run as a sound input hears its tachometer (keys sound.*)")(
      "truth", po::value<std::string>()->value_name("FILE.json"),
      "write what is true of the run, as JSON")("keys", po::bool_switch(),
                                                "list all keys of a scenario file with defaults");
  add_common_options(verb.options, true);
  return {
      "loadline-simrig", "a simulated rig on a pseudo-terminal", kDescription, kCautions, {verb}};
}

}  // namespace
}  // namespace loadline

int main(int argc, char** argv) {
  return loadline::run_program(loadline::simrig_program(), argc, argv);
}
