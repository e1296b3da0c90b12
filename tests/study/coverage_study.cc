// How often do the 95 % intervals hold the truth? Simulated sessions with everything on that makes
// home-made figures wrong: noise correlated in time, lag of the load cell, inertia, drift of the
// zero, warm-up, wandering mains, uneven discs, errors of the calibration. For every result the
// share of sessions whose interval holds the truth, ours and that of a naive fit of all samples.
//
//   coverage_study [--sessions N] [--seed S] [--kind KIND]… [--set section.key=value]… [--each]
//
// The same seed gives the same table. The binomial standard error of a coverage of 95 % is
// √(0.95·0.05/N): 1.0 % at 500 sessions.
#include <fmt/format.h>

#include <boost/program_options.hpp>
#include <cmath>
#include <iostream>

#include "tests/study/judgement.h"

namespace po = boost::program_options;
using loadline::study::Kind;

namespace {

void print_header() {
  fmt::print(
      "| kind | result | held | unknown | bias | rms error | half width | naive held | naive bias "
      "| naive rms |\n");
  fmt::print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |\n");
}

void print_row(Kind kind, const loadline::study::Tally& tally) {
  const auto& ours = tally.ours;
  const auto& naive = tally.naive;
  fmt::print(
      "| {} | {} | {:.1f} % | {} | {:+.2f} % | {:.2f} % | {:.2f} % | {:.1f} % | {:+.2f} % "
      "| {:.2f} % |\n",
      loadline::study::kind_name(kind), tally.name, 100 * ours.coverage(), ours.unknown,
      100 * ours.bias(), 100 * ours.rms(), 100 * ours.half_width(), 100 * naive.coverage(),
      100 * naive.bias(), 100 * naive.rms());
}

po::options_description described() {
  po::options_description options("Options");
  options.add_options()("help", "this page")("sessions", po::value<int>()->default_value(500),
                                             "simulated sessions per kind")(
      "seed", po::value<std::uint64_t>()->default_value(1), "of the first session")(
      "kind", po::value<std::vector<std::string>>()->composing(),
      "brake, coast-down pair, spin-up or driven; all when not given")(
      "set", po::value<std::vector<std::string>>()->composing(),
      "override of the scenario, to see what one effect does")("each", "one line per session");
  return options;
}

std::vector<Kind> kinds_of(const po::variables_map& given) {
  const auto all = loadline::study::studied_kinds();
  if (!given.count("kind")) return {all.begin(), all.end()};
  std::vector<Kind> kinds;
  for (const std::string& name : given["kind"].as<std::vector<std::string>>())
    for (const Kind kind : all)
      if (name == loadline::study::kind_name(kind)) kinds.push_back(kind);
  return kinds;
}

int study(const po::variables_map& given) {
  std::vector<std::string> overrides;
  if (given.count("set")) overrides = given["set"].as<std::vector<std::string>>();
  loadline::study::StudyOptions options;
  options.sessions = given["sessions"].as<int>();
  options.first_seed = given["seed"].as<std::uint64_t>();
  options.overrides = overrides;
  options.each = given.count("each") > 0;
  print_header();
  for (const Kind kind : kinds_of(given)) {
    const loadline::study::Study result = loadline::study::study(kind, options);
    for (const auto& tally : result.tallies) print_row(kind, tally);
    for (const std::string& failure : result.failures) fmt::print(stderr, "{}\n", failure);
    std::fflush(stdout);
  }
  return 0;
}

}  // namespace

int main(int argc, char** argv) {
  try {
    po::variables_map given;
    const auto options = described();
    po::store(po::parse_command_line(argc, argv, options), given);
    po::notify(given);
    if (given.count("help")) {
      std::cout << options;
      return 0;
    }
    return study(given);
  } catch (const std::exception& error) {
    fmt::print(stderr, "coverage_study: {}\n", error.what());
    return 2;
  }
}
