// watch: the page at the bench; live figures, and runs started and stopped from it.
#include <fmt/format.h>
#include <sys/stat.h>

#include <cstdlib>
#include <iostream>
#include <memory>
#include <nlohmann/json.hpp>

#include "db/basis/language.h"
#include "logger/calibration_points.h"
#include "logger/console.h"
#include "logger/listening.h"
#include "logger/live/answers.h"
#include "logger/live/bench_state.h"
#include "logger/live/bench_task.h"
#include "logger/live/page_server.h"
#include "logger/live/plain_words.h"
#include "logger/live/typed_number.h"
#include "logger/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

/// Files and pipes are read once, when a run is started from them; a look would use them up.
bool tells_once(const std::string& path) {
  struct stat status = {};
  if (path == "-") return true;
  return ::stat(path.c_str(), &status) == 0 &&
         (S_ISREG(status.st_mode) || S_ISFIFO(status.st_mode));
}

/// The bench between runs: the rig is listened to, so that the page shows what it reads, and what
/// the page asks for is done.
class Bench {
 public:
  Bench(Clock& clock, RigLineOptions options, Book& book, std::optional<std::string> rig_named)
      : clock_(clock),
        options_(std::move(options)),
        book_(book),
        rig_named_(std::move(rig_named)),
        rig_(rig_or_none(book, rig_named_)) {}

  const Part& rig() const { return rig_; }

  /// Looks at the rig for a moment and tells the desk.
  void look(LiveDesk& desk);
  void record(const RecordOrder& order, LiveDesk& desk);
  void carry_out(const Json& task, LiveDesk& desk);
  /// The book has changed: parts, the rig itself, calibrations.
  void show_book(LiveDesk& desk);

 private:
  void refresh(LiveDesk& desk);
  void connect(LiveDesk& desk, const std::string& wish = "");
  void disconnect() {
    listening_.reset();
    line_ = {};
  }
  Json calibrate(const Json& task, LiveDesk& desk);
  void take_point(double mass_g, LiveDesk& desk);
  void show_calibration(LiveDesk& desk, const Json& taking = nullptr);

  std::optional<std::int64_t> seen_commits_;
  std::string said_;  ///< the last complaint on the terminal, which is not repeated
  Clock& clock_;
  const RigLineOptions options_;
  Book& book_;
  const std::optional<std::string> rig_named_;
  Part rig_;  ///< id 0 while the book knows none
  RigLine line_;
  LiveMeter meter_;
  std::unique_ptr<Listening> listening_;
  std::optional<PageCalibration> calibration_;
};

void Bench::look(LiveDesk& desk) {
  refresh(desk);
  if (tells_once(options_.port)) {
    desk.rest("", options_.port + " is read when a run is started");
    clock_.sleep_for(std::chrono::milliseconds(200));
    return;
  }
  try {
    if (!listening_) connect(desk);
    listening_->gather(0.1);
    RecordingView view;
    view.reading = meter_.now();
    view.counts = listening_->counts();
    desk.show(view);
    if (listening_->ended()) throw Error(Fault::kRig, "the rig's line has ended.");
  } catch (const Error& error) {
    disconnect();
    desk.heard(std::nullopt);
    desk.rest(error.what());
    if (said_ != error.what()) std::cerr << error.what() << "\n";
    said_ = error.what();
    clock_.sleep_for(std::chrono::milliseconds(500));
  }
}

void Bench::show_book(LiveDesk& desk) {
  if (rig_.id)
    rig_ = book_.part(PartKind::kRig, rig_.id);
  else
    rig_ = rig_or_none(book_, rig_named_);
  desk.set_bench(bench_state(book_, rig_));
}

/// What another program has put into the book since: a plan, a part, a run.
void Bench::refresh(LiveDesk& desk) {
  try {
    const std::int64_t commits = book_.others_commits();
    if (seen_commits_ == commits) return;
    show_book(desk);
    seen_commits_ = commits;
  } catch (const Error& error) {  // a writer at work, say: it is tried again
    if (said_ != error.what()) std::cerr << error.what() << "\n";
    said_ = error.what();
  }
}

void Bench::connect(LiveDesk& desk, const std::string& wish) {
  disconnect();
  line_ = open_rig_line(options_, &rig_);
  IntakeOptions intake;
  intake.replug_s = 0;  // look() opens the line anew; a person waits for the page meanwhile
  intake.wish = wish;
  listening_ = std::make_unique<Listening>(clock_, line_, intake);
  LiveScale scale = live_scale(book_, rig_);
  if (const auto identity = listening_->identity()) scale.describe(*identity);
  meter_.begin(scale);
  listening_->attach(&meter_);
  desk.rest("");
  desk.heard(listening_->identity());
  said_.clear();
}

void Bench::record(const RecordOrder& order, LiveDesk& desk) {
  disconnect();
  desk.begin(order);
  try {
    RigLine line = open_rig_line(options_, &rig_);
    Glances glances(book_, order.kind, order.mounting);
    PageAttendant attendant(desk, &glances);
    const RecordReport report = loadline::carry_out(order, book_, rig_, line, clock_, attendant);
    desk.end(report);
    std::cerr << summary(report) << "\n";
  } catch (const Error& error) {
    desk.fail(error.what());
    std::cerr << error.what() << "\n";
  }
  show_book(desk);
}

void Bench::carry_out(const Json& task, LiveDesk& desk) {
  const bool named = task.is_object() && task.contains("task") && task["task"].is_string();
  const std::string what = named ? task["task"].get<std::string>() : "";
  Json told;
  try {
    told = what.starts_with("calibrat") ? calibrate(task, desk) : carry_out_task(book_, task);
    if (told.contains("asks")) told["task"] = task;
    show_book(desk);
  } catch (const Json::exception&) {
    told = {{"refused", on_page("the task cannot be read.")}};
  } catch (const Error& error) {
    told = {{"refused", on_page(error.what())}};
  }
  told["of"] = what;
  desk.tell_of_task(std::move(told));
}

// ---- calibrating from the page
// -------------------------------------------------------------------

/// {"task": "calibrate"} begins anew, "calibrate-point" with "mass" ("100 g") reads the cell,
/// "calibrate-drop" with "index" takes a point out, "calibrate-keep" puts the line into the book,
/// "calibrate-leave" forgets the points.
Json Bench::calibrate(const Json& task, LiveDesk& desk) {
  const std::string what = task.value("task", "");
  if (rig_.id == 0) throw Error(Fault::kInput, "enter the rig first.");
  if (tells_once(options_.port))
    throw Error(Fault::kInput, "only a rig on a live line is calibrated from the page.");
  if (what == "calibrate") {
    calibration_.emplace();
  } else if (!calibration_) {
    throw Error(Fault::kInput, "no calibration is under way; begin one.");
  } else if (what == "calibrate-point") {
    const auto mass_g = typed_number(task, "mass", "g");
    if (!mass_g || *mass_g < 0)
      throw Error(Fault::kInput, "the mass must be a number of grams, 0 or more.");
    take_point(*mass_g, desk);
  } else if (what == "calibrate-drop") {
    calibration_->drop(task.value("index", std::int64_t{-1}));
  } else if (what == "calibrate-keep") {
    Json told = keep_calibration(book_, rig_, *calibration_, task.value("meant", false));
    if (told.contains("asks")) return told;
    calibration_.reset();
    disconnect();  // from now on the figures are torques
    desk.set_calibration(nullptr);
    return told;
  } else if (what == "calibrate-leave") {
    calibration_.reset();
    disconnect();  // a rig that acts takes the mass off
    desk.set_calibration(nullptr);
    return {{"done", "left"}};
  } else {
    throw Error(Fault::kInput, "the page has no such task.");
  }
  show_calibration(desk);
  return {{"done", what}};
}

void Bench::take_point(double mass_g, LiveDesk& desk) {
  constexpr double kPointS = 4 + kSettleS, kSliceS = 0.25;
  const bool down = calibration_->direction_of(mass_g) == LoadDirection::kDown;
  show_calibration(desk, {{"mass_g", mass_g}, {"left_s", kPointS}});
  try {
    const bool acts =
        listening_ && listening_->identity() && (listening_->identity()->channels & kWireActs);
    if (!listening_ || acts)
      connect(desk,
              fmt::format("kind=rest\nmass_g={}\ndirection={}", mass_g, down ? "down" : "up"));
    Haul all;
    for (double at_s = 0; at_s < kPointS; at_s += kSliceS) {
      const Haul slice = listening_->gather(kSliceS);
      all.samples.insert(all.samples.end(), slice.samples.begin(), slice.samples.end());
      RecordingView view;
      view.reading = meter_.now();
      view.counts = listening_->counts();
      desk.show(view);
      show_calibration(desk, {{"mass_g", mass_g}, {"left_s", kPointS - at_s - kSliceS}});
    }
    calibration_->add(mass_g, settled_mean(all, mass_g, listening_->tick_hz()));
  } catch (const Error&) {  // the points before are kept
    disconnect();
    show_calibration(desk);
    throw;
  }
}

void Bench::show_calibration(LiveDesk& desk, const Json& taking) {
  Json json = calibration_->json(rig_);
  json["taking"] = taking;
  desk.set_calibration(std::move(json));
}

int watch(const Arguments& arguments) {
  take_page_language(arguments);
  Book book = Book::open(arguments.book_path(), Book::Mode::kWrite);
  SystemClock clock;
  Bench bench(clock, line_options(arguments), book, arguments.text("rig"));
  const double for_s = seconds_for(arguments, 1e9);
  PageOptions page;
  page.listen = arguments.flag("listen");
  page.port = page_port(arguments, page.port);
  LiveDesk desk(true);
  bench.show_book(desk);
  Answers answers(book.path());
  page.answers = &answers;
  const PageServer server(desk, page);
  const SignalWatch signals;
  const auto began = clock.now();
  while (!SignalWatch::stop_asked() &&
         std::chrono::duration<double>(clock.now() - began).count() < for_s) {
    if (const auto order = desk.take_order())
      bench.record(*order, desk);
    else if (const auto task = desk.take_task())
      bench.carry_out(*task, desk);
    else
      bench.look(desk);
  }
  return 0;
}

}  // namespace

void add_page_options(po::options_description& options) {
  options.add_options()("page-port", po::value<long long>()->value_name("N"),
                        "port of the page (8347); 0 takes any free one");
  options.add_options()("listen", po::bool_switch(),
                        "serve the page on the workshop network too, opened by a code");
  options.add_options()("lang", po::value<std::string>()->value_name("LANGUAGE"),
                        "language of the page: en or de (else that of LC_ALL, LC_MESSAGES, LANG)");
}

void take_page_language(const Arguments& arguments) {
  const auto code = arguments.text("lang");
  if (!code) return;
  Language::named(*code);  // complains of one that there is not
  // All that the page says goes by the locale; no other thread is there yet to read it.
  ::setenv("LC_ALL", code->c_str(), 1);
}

Verb watch_verb() {
  Verb verb;
  verb.name = "watch";
  verb.words = "--port PATH";
  verb.summary = "serve the bench page: live figures, and runs started and stopped from it";
  verb.description =
      "The page shows speed, torque and power large enough for two metres, torque over speed as it "
      "fills in, and what is still missing; runs are started and stopped from it. It is served on "
      "this machine only, unless --listen is given: then a code from the terminal opens it, once "
      "for each browser. It needs nothing from elsewhere.";
  verb.example =
      "loadline-logger watch --port /dev/ttyUSB0\n"
      "loadline-logger watch --port /dev/ttyUSB0 --listen";
  verb.most_names = 0;
  add_line_options(verb.options);
  verb.options.add_options()("rig", po::value<std::string>()->value_name("R"),
                             "the rig (needless when the book knows only one)");
  verb.options.add_options()("for", po::value<double>()->value_name("SECONDS"),
                             "end after so long");
  add_page_options(verb.options);
  add_common_options(verb.options);
  verb.run = watch;
  return verb;
}

}  // namespace loadline
