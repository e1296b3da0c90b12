// How often does the belt comparison err? Plays made sessions through the book, the steady-part
// finder and the comparison, and counts.
//
//   belt_study [SESSIONS] [SEED] [WORDS]     only the sessions whose name holds these words
//
// Columns: `any` sessions in which at least one pair without a true difference was declared real;
// `winner` sessions in which the fastest belt was declared faster than all others though at least
// one was its equal; `held` sessions in which all simultaneous intervals held their truths; `found`
// sessions in which every true difference was declared real, in the right direction. All in per
// cent of sessions, with the binomial standard error of a figure near it.
#include <fmt/format.h>
#include <unistd.h>

#include <cmath>
#include <cstdlib>
#include <filesystem>

#include "fit/belts/belt_answer.h"
#include "fit/belts/comparison/repeats.h"
#include "tests/support/belt_bench.h"

using namespace loadline;
using bench::SessionTruth;

namespace {

struct Counts {
  int sessions = 0, wrong = 0, wrong_refused = 0, any = 0, winner = 0, held = 0, found = 0,
      refused_runs = 0, runs = 0;
  double half_width = 0;
  int pairs = 0;
};

double factor_of(const SessionTruth& truth, const std::string& belt) {
  for (const auto& b : truth.belts)
    if (b.name == belt) return b.factor;
  return NAN;
}

void count(const SessionTruth& truth, const BeltAnswer& answer, Counts& counts) {
  bool any = false, held = true, found = true;
  std::size_t beaten = 0, equals = 0;
  const BeltComparison& c = answer.comparison;
  for (const BeltPair& pair : c.comparisons) {
    const double actual = 100 * (factor_of(truth, pair.a) / factor_of(truth, pair.b) - 1);
    const Estimate& d = pair.difference_percent;
    if (!d.low || !d.high) {
      held = found = false;
      continue;
    }
    const bool real = *d.low > 0 || *d.high < 0;
    const bool equal = std::fabs(actual) < 1e-9;
    any = any || (equal && real);
    held = held && *d.low <= actual && actual <= *d.high;
    if (!equal) found = found && real && (*d.value > 0) == (actual > 0);
    if (pair.a == c.belts.front().name) {
      beaten += real ? 1 : 0;
      equals += equal ? 1 : 0;
    }
    counts.half_width += (*d.high - *d.low) / 2;
    ++counts.pairs;
  }
  ++counts.sessions;
  counts.any += any ? 1 : 0;
  counts.winner += beaten + 1 == c.belts.size() && equals > 0 ? 1 : 0;
  counts.held += held ? 1 : 0;
  counts.found += found ? 1 : 0;
  // Runs alternate: slip check, top speed; the first top speeds have the wrong settings.
  counts.wrong += truth.wrong_settings;
  for (const RefusedRun& refused : c.refused) {
    const bool wrong = refused.run <= 2 * truth.wrong_settings;
    counts.wrong_refused += wrong ? 1 : 0;
    counts.refused_runs += wrong ? 0 : 1;
  }
  counts.runs += static_cast<int>(c.refused.size() + c.runs.size());
}

Counts play(const SessionTruth& truth, int sessions, std::uint64_t seed) {
  Counts counts;
  const auto path =
      std::filesystem::temp_directory_path() / fmt::format("belt_study_{}.book", ::getpid());
  const auto clear = [&] {
    for (const char* tail : {"", "-wal", "-shm"}) std::filesystem::remove(path.string() + tail);
  };
  for (int s = 0; s < sessions; ++s) {
    clear();
    Book book = Book::open(path.string(), Book::Mode::kCreate);
    bench::play_session(book, truth, seed + static_cast<std::uint64_t>(s));
    count(truth, answer_belts(book, book.get(PartKind::kMachine, "attic")), counts);
  }
  clear();
  return counts;
}

std::string only;

void report(const char* name, const SessionTruth& truth, int sessions, std::uint64_t seed) {
  if (std::string(name).find(only) == std::string::npos) return;
  const Counts c = play(truth, sessions, seed);
  const auto share = [&](int n) { return 100.0 * n / c.sessions; };
  if (c.wrong > 0)
    fmt::print("  truly wrong settings refused in the next: {} of {}\n", c.wrong_refused, c.wrong);
  fmt::print(
      "| {:<44} | {:>5} | {:>4} | {:>5.1f} | {:>6.1f} | {:>5.1f} | {:>5.1f} | {:>5.2f} | {:>4.1f} "
      "|\n",
      name, truth.belts.size(), truth.repeats * static_cast<int>(truth.pulleys.size()),
      share(c.any), share(c.winner), share(c.held), share(c.found),
      c.pairs ? c.half_width / c.pairs : 0, 100.0 * c.refused_runs / c.runs);
  std::fflush(stdout);
}

SessionTruth equal_belts(int n) {
  SessionTruth truth;
  for (int i = 0; i < n; ++i) truth.belts.push_back({"belt " + std::to_string(i + 1), 1.0});
  return truth;
}

SessionTruth planned(double percent, int belts, std::size_t pulleys) {
  SessionTruth truth = equal_belts(belts);
  for (std::size_t p = 1; p < pulleys; ++p)
    truth.pulleys.emplace_back("pulley " + std::to_string(p), 1 + 0.1 * static_cast<double>(p));
  truth.belts.back().factor = 1 - percent / 100;
  const int runs =
      repeats_to_tell_apart(percent, 100 * truth.repeat_sd, belts, static_cast<int>(pulleys))
          .value_or(2);
  const int per_pulley = static_cast<int>(pulleys);
  truth.repeats = (runs + per_pulley - 1) / per_pulley;
  return truth;
}

}  // namespace

int main(int argc, char** argv) {
  const int sessions = argc > 1 ? std::atoi(argv[1]) : 500;
  const std::uint64_t seed = argc > 2 ? std::strtoull(argv[2], nullptr, 10) : 1;
  if (argc > 3) only = argv[3];
  fmt::print("{} sessions each; standard error near 5 %: {:.1f}, near 90 %: {:.1f}\n", sessions,
             100 * std::sqrt(0.05 * 0.95 / sessions), 100 * std::sqrt(0.9 * 0.1 / sessions));
  fmt::print("| {:<44} | belts | runs |   any | winner |  held | found |  ± % | ref % |\n",
             "session");
  report("two belts, no difference", equal_belts(2), sessions, seed);
  report("four belts, no difference", equal_belts(4), sessions, seed + 100000);
  SessionTruth truth = equal_belts(4);
  truth.pulleys = {{"small", 1.0}, {"large", 1.25}};
  truth.drift = -0.03;
  report("four belts, two pulleys, 3 % drift", truth, sessions, seed + 200000);
  truth = equal_belts(3);
  truth.supply_sd = 0.02;
  truth.supply_channel = false;
  truth.supply_effect = 1.2;
  report("three belts, supply wanders by 2 %", truth, sessions, seed + 300000);
  truth = equal_belts(3);
  truth.repeats = 2;
  report("three belts, two repeats", truth, sessions, seed + 400000);
  truth = equal_belts(2);
  truth.repeats = 2;
  truth.supply_sd = 0.02;
  report("two belts, two repeats, supply 2 %", truth, sessions, seed + 500000);
  report("two belts, 3 % apart, planned repeats", planned(3, 2, 1), sessions, seed + 600000);
  report("four belts, one 3 % slower, planned", planned(3, 4, 1), sessions, seed + 700000);
  report("four belts, two pulleys, 3 %, planned", planned(3, 4, 2), sessions, seed + 800000);
  truth = planned(3, 3, 2);
  truth.drift = -0.04;
  report("three belts, 3 %, 4 % drift, planned", truth, sessions, seed + 900000);
  truth = equal_belts(3);
  truth.creep_sd = 0.10;
  report("three belts, settings scatter by 10 %", truth, sessions, seed + 1000000);
  truth.creep_effect = -0.05;
  report("such settings move the speed", truth, sessions, seed + 1100000);
  truth.repeats = 5;
  truth.wrong_settings = 2;
  report("such settings, five repeats, two set wrongly", truth, sessions, seed + 1200000);
  return 0;
}
