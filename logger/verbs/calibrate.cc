// calibrate: known masses on the arm make counts into newtons.
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <iostream>

#include "db/basis/ask.h"
#include "db/basis/units.h"
#include "db/care/plausible.h"
#include "logger/calibration_points.h"
#include "logger/console.h"
#include "logger/listening.h"
#include "logger/mounting.h"
#include "logger/verbs/verbs.h"
#include "logger/zero_watch.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

constexpr double kSecondsOfMass = 4;

LoadPoint point_from(const Haul& haul, double mass_g, double tick_hz) {
  const RestMean mean = settled_mean(haul, mass_g, tick_hz);
  std::cerr << fmt::format("  {:>8} g: {:.1f} counts, noise {:.1f}, {} conversions\n",
                           significant(mass_g, 6), mean.mean_counts, mean.sd_counts,
                           mean.conversions);
  return {mass_g * 1e-3, mean.mean_counts, LoadDirection::kUp};
}

/// Reads the points that are not given as counts: from captures, or from the rig with a person who
/// hangs the masses.
class PointReader {
 public:
  PointReader(const Arguments& arguments, const Part& rig)
      : arguments_(arguments), rig_(rig), seconds_(seconds_for(arguments, kSecondsOfMass)) {}

  /// `of`: how many points there are to be, 0 when nobody knows yet.
  LoadPoint read(const OrderedPoint& ordered, std::size_t of) {
    const LoadPoint point =
        ordered.counts ? LoadPoint{ordered.mass_g * 1e-3, *ordered.counts, LoadDirection::kUp}
        : ordered.port ? from_port(ordered)
                       : from_rig(ordered.mass_g, of);
    taken_ += fmt::format(" --point {}={:.1f}", significant(ordered.mass_g, 9), point.counts);
    ++count_;
    last_g_ = ordered.mass_g;
    return point;
  }

 private:
  /// A line that drops costs the point under way and no other: it is opened anew and the point
  /// taken again; where that cannot be, the sentence says how to go on from what was taken.
  LoadPoint from_rig(double mass_g, std::size_t of) {
    ask_for(mass_g, of);
    for (;;) {
      try {
        if (!listening_ || acts()) listen(mass_g);
        return point_from(listening_->gather(seconds_ + kSettleS), mass_g, listening_->tick_hz());
      } catch (const Error& error) {
        listening_.reset();
        line_ = {};
        if (error.fault() != Fault::kRig) throw;
        const std::string kept =
            count_ == 0 ? std::string()
                        : fmt::format(
                              " {} points were taken; go on from them with 'loadline-logger "
                              "calibrate{} …'.",
                              count_, taken_);
        if (arguments_.flag("yes") || !at_terminal()) throw Error(Fault::kRig, error.what() + kept);
        std::cerr << fmt::format("{}\n{} points are kept. ", error.what(), count_);
        if (!wait_for_enter(
                fmt::format("Plug the rig in, leave {} g on the arm, and press Enter (q "
                            "leaves): ",
                            significant(mass_g, 6))))
          throw Error(Fault::kRig, error.what() + kept);
      }
    }
  }

  bool acts() const {
    const auto rig = listening_->identity();
    return rig && (rig->channels & kWireActs);
  }

  LoadPoint from_port(const OrderedPoint& ordered) {
    RigLineOptions options;
    options.port = *ordered.port;
    options.baud = arguments_.number("baud");
    RigLine line = open_rig_line(options, &rig_);
    Listening listening(clock_, line);
    const double seconds = line.port->live() ? seconds_ + kSettleS : 1e9;  // a capture: all of it
    const Haul haul = listening.gather(seconds);
    return point_from(haul, ordered.mass_g, listening.tick_hz());
  }

  void listen(double mass_g) {
    listening_.reset();
    line_ = {};
    line_ = open_rig_line(line_options(arguments_), &rig_);
    IntakeOptions options;
    options.replug_s = 0;  // a person answers what is to be done then
    options.wish = fmt::format("kind=rest\nmass_g={}\ndirection={}", mass_g,
                               last_g_ && mass_g < *last_g_ ? "down" : "up");
    listening_ = std::make_unique<Listening>(clock_, line_, options);
  }

  void ask_for(double mass_g, std::size_t of) const {
    std::string what = mass_g == 0 ? std::string("Take every mass off the arm")
                                   : fmt::format("Hang {} g on the arm", significant(mass_g, 6));
    if (of > 0) what = fmt::format("Point {} of {}. {}", count_ + 1, of, what);
    if (arguments_.flag("yes")) return;
    if (!at_terminal())
      throw Error(Fault::kInput,
                  "nobody is there to hang the masses; give the counts with "
                  "--point MASS=COUNTS, captures with --point MASS=FILE, or --yes.");
    if (!wait_for_enter(what + ", wait until it hangs still, then press Enter: "))
      throw Error(Fault::kInput, "left before the calibration was complete; nothing was stored.");
  }

  const Arguments& arguments_;
  const Part& rig_;
  double seconds_;
  SystemClock clock_;
  RigLine line_;
  std::unique_ptr<Listening> listening_;
  std::size_t count_ = 0;         // points taken so far
  std::string taken_;             // the same as they would be typed
  std::optional<double> last_g_;  // the mass before, for the way that it was reached
};

/// Asks for masses until an empty answer.
std::vector<LoadPoint> converse(PointReader& reader) {
  std::vector<LoadPoint> points;
  std::cerr
      << "Hang known masses on the arm, up the scale and down again, no mass included. An empty "
         "answer ends.\n";
  for (;;) {
    std::cerr << fmt::format("Mass in grams ({} so far): ", points.size()) << std::flush;
    std::string answer;
    if (!std::getline(std::cin, answer) || answer.empty()) return points;
    try {
      OrderedPoint ordered = read_ordered_point(answer);
      points.push_back(reader.read(ordered, 0));
    } catch (const Error& error) {
      if (error.fault() != Fault::kInput) throw;
      std::cerr << error.what() << "\n";
    }
  }
}

std::vector<LoadPoint> points_from(const Arguments& arguments, const Part& rig) {
  if (const auto file = arguments.text("points")) return read_points_file(*file);
  PointReader reader(arguments, rig);
  const std::vector<std::string> orders = arguments.texts("point");
  std::vector<OrderedPoint> ordered;
  ordered.reserve(orders.size());
  for (const std::string& text : orders) ordered.push_back(read_ordered_point(text));
  std::vector<LoadPoint> points;
  points.reserve(ordered.size());
  for (const OrderedPoint& point : ordered) points.push_back(reader.read(point, ordered.size()));
  if (ordered.empty()) {
    if (!at_terminal())
      throw Error(Fault::kInput,
                  "there are no points; give --point MASS=COUNTS, --point MASS=FILE "
                  "or --points FILE.csv.");
    points = converse(reader);
  }
  direct_by_order(points);
  return points;
}

LoadCellOptions options_from(const Arguments& arguments, const Part& rig) {
  LoadCellOptions options;
  options.local_g = arguments.number("local-g");
  options.mass_relative_sd = arguments.number("mass-sd-percent").value_or(0) * 1e-2;
  const auto arm = arguments.number("arm-mm") ? arguments.number("arm-mm") : rig.number("arm-mm");
  if (!arm)
    throw Error(Fault::kInput,
                "the length of the arm is not known; give --arm-mm, or keep it with "
                "'loadline-db set rig NAME --arm-mm …'.");
  const auto arm_sd =
      arguments.number("arm-sd-mm") ? arguments.number("arm-sd-mm") : rig.number("arm-sd-mm");
  options.arm_m = m_from_mm(*arm);
  options.arm_sd_m = m_from_mm(arm_sd.value_or(0));
  if (const auto degree = arguments.whole("degree")) options.degree = static_cast<int>(*degree);
  if (options.degree && *options.degree != 1 && *options.degree != 2)
    throw Error(Fault::kInput, "--degree must be 1 (straight line) or 2 (quadratic).");
  return options;
}

void report(const Arguments& arguments, const LoadCellFit& fit, const Part& rig) {
  if (arguments.json())
    print_json({{"rig", rig.name},
                {"model", fit.degree == 1 ? "line" : "quadratic"},
                {"reason", fit.calibration.reason},
                {"slope", to_json(fit.slope)},
                {"zero", to_json(fit.zero)},
                {"nonlinearity", to_json(fit.nonlinearity)},
                {"hysteresis", to_json(fit.hysteresis)},
                {"repeatability", to_json(fit.repeatability)},
                {"full_scale", to_json(Estimate::exact(fit.full_scale_n, "N"))},
                {"arm_mm", mm_from_m(fit.calibration.arm_m)},
                {"warnings", fit.warnings}});
  say(arguments, fmt::format("Calibration of {}: {}.", rig.name,
                             fit.degree == 1 ? "a straight line" : "a quadratic"));
  say(arguments, "  " + fit.calibration.reason);
  say(arguments, fmt::format("  slope          {}", to_text(fit.slope)));
  say(arguments, fmt::format("  zero           {}", to_text(fit.zero)));
  say(arguments, fmt::format("  non-linearity  {}", to_text(fit.nonlinearity)));
  say(arguments, fmt::format("  hysteresis     {}", to_text(fit.hysteresis)));
  say(arguments, fmt::format("  repeatability  {}", to_text(fit.repeatability)));
  for (const std::string& warning : fit.warnings) warn(warning);
  say(arguments, "Older runs of this rig are read through the new calibration from now on.");
}

void require_usual(const Arguments& arguments, const std::vector<LoadPoint>& points,
                   const Calibration& fresh, const std::optional<Calibration>& last) {
  double heaviest_kg = 0;
  for (const LoadPoint& point : points) heaviest_kg = std::max(heaviest_kg, point.mass_kg);
  const std::vector<std::string> found = odd_calibration(heaviest_kg * 1e3, fresh, last);
  if (!found.empty())
    require_meant(arguments, fmt::format("this calibration looks odd: {}", fmt::join(found, "; ")));
}

int calibrate(const Arguments& arguments) {
  Book book = Book::open(arguments.book_path(), Book::Mode::kWrite);
  const Part rig = rig_of(book, arguments.text("rig"));
  const LoadCellOptions options = options_from(arguments, rig);
  const std::vector<LoadPoint> points = points_from(arguments, rig);
  const LoadCellFit fit = calibrate_load_cell(points, options);
  Calibration calibration = fit.calibration;
  calibration.rig = rig.id;
  require_usual(arguments, points, calibration, book.latest_calibration(rig.id));
  book.add_calibration(calibration);
  report(arguments, fit, rig);
  return 0;
}

}  // namespace

Verb calibrate_verb() {
  Verb verb;
  verb.name = "calibrate";
  verb.words = "[--port PATH] [--point MASS_G…]… | --points FILE.csv";
  verb.summary = "calibrate the load cell with known masses";
  verb.description =
      "Masses hang on the arm, up the scale and down again. --point 500 reads the cell under 500 g "
      "from --port, --point 500=1234567 gives the counts, --point 500=rest.capture reads a capture "
      "(or another port). Without points the program asks for masses one by one. A straight line "
      "or a quadratic is chosen by the data, and the reason shown.";
  verb.example =
      "loadline-logger calibrate --port /dev/ttyUSB0 --point 0 --point 500 --point 1000 --point "
      "500 --point 0\n"
      "loadline-logger calibrate --points evening.csv --arm-mm 120 --arm-sd-mm 0.3";
  verb.most_names = 0;
  auto& options = verb.options;
  add_line_options(options);
  options.add_options()("rig", po::value<std::string>()->value_name("R"),
                        "the rig (needless when the book knows only one)");
  options.add_options()("point", po::value<std::vector<std::string>>()->value_name("MASS_G[=…]"),
                        "a mass in grams, and where its counts come from; may be repeated");
  options.add_options()("points", po::value<std::string>()->value_name("FILE.csv"),
                        "points from a file with the columns mass_g, counts and perhaps direction");
  options.add_options()("for", po::value<double>()->value_name("SECONDS"),
                        "how long each point is averaged (4)");
  options.add_options()("arm-mm", po::value<double>()->value_name("MM"),
                        "length of the arm (else the rig's in the book)");
  options.add_options()("arm-sd-mm", po::value<double>()->value_name("MM"),
                        "its standard uncertainty (else the rig's, else 0)");
  options.add_options()("local-g", po::value<double>()->value_name("M_PER_S2"),
                        "gravity where you are (else standard gravity, with its spread)");
  options.add_options()("mass-sd-percent", po::value<double>()->value_name("P"),
                        "standard uncertainty of the set of masses, in per cent (0)");
  options.add_options()("degree", po::value<long long>()->value_name("N"),
                        "force a straight line (1) or a quadratic (2)");
  options.add_options()("yes", po::bool_switch(),
                        "ask nothing: the masses change by themselves, and odd ones are meant");
  add_common_options(options);
  verb.run = calibrate;
  return verb;
}

}  // namespace loadline
