// watch: the page at the bench; live figures, and runs started and stopped from it.
#include <fmt/format.h>
#include <sys/stat.h>

#include <iostream>
#include <memory>

#include "logger/console.h"
#include "logger/listening.h"
#include "logger/live/answers.h"
#include "logger/live/bench_state.h"
#include "logger/live/bench_task.h"
#include "logger/live/page_server.h"
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

/// Between runs: the rig is listened to, so that the page shows what it reads.
class IdleWatch {
 public:
  IdleWatch(Clock& clock, const RigLineOptions& options, const Book& book, const Part& rig)
      : clock_(clock), options_(options), book_(book), rig_(rig) {}

  /// Looks at the rig for a moment and tells the desk.
  void look(LiveDesk& desk) {
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

  void disconnect() {
    listening_.reset();
    line_ = {};
  }

 private:
  /// What another program has put into the book since: a plan, a part, a run.
  void refresh(LiveDesk& desk) {
    try {
      const std::int64_t commits = book_.others_commits();
      if (seen_commits_ == commits) return;
      desk.set_bench(bench_state(book_, rig_));
      seen_commits_ = commits;
    } catch (const Error& error) {  // a writer at work, say: it is tried again
      if (said_ != error.what()) std::cerr << error.what() << "\n";
      said_ = error.what();
    }
  }

  void connect(LiveDesk& desk) {
    line_ = open_rig_line(options_, &rig_);
    IntakeOptions intake;
    intake.replug_s = 0;  // look() opens the line anew; a person waits for the page meanwhile
    listening_ = std::make_unique<Listening>(clock_, line_, intake);
    LiveScale scale = live_scale(book_, rig_);
    if (const auto identity = listening_->identity()) scale.describe(*identity);
    meter_.begin(scale);
    listening_->attach(&meter_);
    desk.rest("");
    desk.heard(listening_->identity());
    said_.clear();
  }

  std::optional<std::int64_t> seen_commits_;
  std::string said_;  ///< the last complaint on the terminal, which is not repeated
  Clock& clock_;
  const RigLineOptions options_;
  const Book& book_;
  const Part& rig_;
  RigLine line_;
  LiveMeter meter_;
  std::unique_ptr<Listening> listening_;
};

void record_from_page(const RecordOrder& order, LiveDesk& desk, Book& book, const Part& rig,
                      const RigLineOptions& options, Clock& clock) {
  desk.begin(order);
  try {
    RigLine line = open_rig_line(options, &rig);
    PageAttendant attendant(desk);
    const RecordReport report = carry_out(order, book, rig, line, clock, attendant);
    desk.end(report);
    std::cerr << summary(report) << "\n";
  } catch (const Error& error) {
    desk.fail(error.what());
    std::cerr << error.what() << "\n";
  }
  desk.set_bench(bench_state(book, rig));
}

void do_task(const Json& task, LiveDesk& desk, Book& book, const Part& rig) {
  try {
    const Json told = carry_out_task(book, task);
    desk.set_bench(bench_state(book, rig));
    desk.tell_of_task(told);
  } catch (const Error& error) {
    desk.tell_of_task({{"refused", error.what()}});
  }
}

int watch(const Arguments& arguments) {
  Book book = Book::open(arguments.book_path(), Book::Mode::kWrite);
  const Part rig = rig_of(book, arguments.text("rig"));
  const RigLineOptions options = line_options(arguments);
  const double for_s = seconds_for(arguments, 1e9);
  PageOptions page;
  page.listen = arguments.flag("listen");
  page.port = page_port(arguments, page.port);
  LiveDesk desk(true);
  desk.set_bench(bench_state(book, rig));
  Answers answers(book.path());
  page.answers = &answers;
  const PageServer server(desk, page);
  const SignalWatch signals;
  SystemClock clock;
  const auto began = clock.now();
  IdleWatch idle(clock, options, book, rig);
  while (!SignalWatch::stop_asked() &&
         std::chrono::duration<double>(clock.now() - began).count() < for_s) {
    if (const auto order = desk.take_order()) {
      idle.disconnect();
      record_from_page(*order, desk, book, rig, options, clock);
    } else if (const auto task = desk.take_task()) {
      do_task(*task, desk, book, rig);
    } else {
      idle.look(desk);
    }
  }
  return 0;
}

}  // namespace

void add_page_options(po::options_description& options) {
  options.add_options()("page-port", po::value<long long>()->value_name("N"),
                        "port of the page (8347); 0 takes any free one");
  options.add_options()("listen", po::bool_switch(),
                        "serve the page on the workshop network too, opened by a code");
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
