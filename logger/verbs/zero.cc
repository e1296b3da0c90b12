// zero: the load cell at rest and free of load, kept for the rig.
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "logger/console.h"
#include "logger/listening.h"
#include "logger/mounting.h"
#include "logger/verbs/verbs.h"
#include "logger/zero_watch.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

constexpr double kSecondsOfZero = 5;

bool turned(const std::vector<Sample>& samples) {
  const Sample& first = samples.front();
  const Sample& last = samples.back();
  return first.motor_edges != last.motor_edges || first.handwheel_edges != last.handwheel_edges;
}

Zero take_zero(RigLine& line, double seconds, const Part& rig, Clock& clock) {
  Listening listening(clock, line);
  const Haul haul = listening.gather(seconds);
  if (haul.samples.empty())
    throw Error(Fault::kRig,
                "this rig prints physical numbers and has no counts to zero; let the "
                "board tare itself.");
  if (turned(haul.samples))
    throw Error(Fault::kRig,
                "the shaft turned while the zero was taken; let everything come to rest "
                "and repeat.");
  const auto mean = mean_counts(haul.samples);
  if (!mean)
    throw Error(Fault::kRig,
                "the rig sends no counts of a load cell; look at it with 'loadline-logger probe'.");
  Zero zero;
  zero.rig = rig.id;
  zero.when = ZeroMoment::kAlone;
  zero.mean_counts = mean->mean_counts;
  zero.sd_counts = mean->sd_counts;
  zero.conversions = mean->conversions;
  zero.made_utc = clock.utc();
  return zero;
}

void report(const Arguments& arguments, const Zero& zero, const std::optional<Zero>& before,
            const std::optional<Calibration>& calibration) {
  say(arguments, fmt::format("Zero: {:.1f} counts, noise {:.1f} counts, {} conversions.",
                             zero.mean_counts, zero.sd_counts, zero.conversions));
  if (!before) return;
  const double moved = zero.mean_counts - before->mean_counts;
  std::string words = fmt::format("It moved by {:+.1f} counts since {}", moved, before->made_utc);
  if (calibration)
    words += fmt::format(", or {:+.2f} mN·m",
                         1e3 * moved * calibration->slope_n_per_count * calibration->arm_m);
  say(arguments, words + ".");
}

int zero(const Arguments& arguments) {
  const double seconds = seconds_for(arguments, kSecondsOfZero);
  const RigLineOptions line_wanted = line_options(arguments);
  expect_port(line_wanted.port);
  Book book = Book::open(arguments.book_path(), Book::Mode::kWrite);
  const Part rig = rig_of(book, arguments.text("rig"));
  RigLine line = open_rig_line(line_wanted, &rig);
  SystemClock clock;
  if (line.port->live() && !arguments.flag("yes") && at_terminal() &&
      !wait_for_enter("Take every load off the arm, let everything rest, then press Enter: "))
    throw Error(Fault::kInput, "left before the zero was taken.");
  const auto before = book.latest_zero(rig.id);
  const Zero taken = take_zero(line, seconds, rig, clock);
  book.add_zero(taken);
  if (arguments.json())
    print_json({{"rig", rig.name},
                {"mean_counts", taken.mean_counts},
                {"sd_counts", taken.sd_counts},
                {"conversions", taken.conversions},
                {"moved_counts", before ? Json(taken.mean_counts - before->mean_counts) : Json()}});
  report(arguments, taken, before, book.latest_calibration(rig.id));
  return 0;
}

}  // namespace

Verb zero_verb() {
  Verb verb;
  verb.name = "zero";
  verb.words = "--port PATH";
  verb.summary = "take the zero of the load cell, everything at rest";
  verb.description =
      "Reads the load cell for some seconds while nothing turns and nothing hangs on the arm, and "
      "keeps the mean for the rig. Runs take their own zeros before and after themselves where "
      "they can.";
  verb.example = "loadline-logger zero --port /dev/ttyUSB0";
  verb.most_names = 0;
  add_line_options(verb.options);
  verb.options.add_options()("rig", po::value<std::string>()->value_name("R"),
                             "the rig (needless when the book knows only one)");
  verb.options.add_options()("for", po::value<double>()->value_name("SECONDS"),
                             "how long to average (5)");
  verb.options.add_options()("yes", po::bool_switch(), "ask nothing");
  add_common_options(verb.options);
  verb.run = zero;
  return verb;
}

}  // namespace loadline
