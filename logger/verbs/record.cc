// record: one run, from the line into the book.
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>
#include <iostream>

#include "db/basis/ask.h"
#include "db/care/plausible.h"
#include "logger/cautions.h"
#include "logger/console.h"
#include "logger/live/bench_state.h"
#include "logger/live/narrowing.h"
#include "logger/live/page_server.h"
#include "logger/mounting.h"
#include "logger/record_order.h"
#include "logger/sound/tone_track.h"
#include "logger/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

constexpr double kMostClockPpm = 1000;
constexpr double kLongestAsked_s = 20;  // of a hum, enough to tell its pace

Mounting mounting_from(const Arguments& arguments) {
  Mounting mounting;
  mounting.rig = arguments.text("rig");
  mounting.motor = arguments.text("motor");
  mounting.machine = arguments.text("machine");
  mounting.belt = arguments.text("belt");
  mounting.motor_pulley = arguments.text("motor-pulley");
  mounting.hand_pulley = arguments.text("hand-pulley");
  mounting.slip_check = arguments.whole("slip-check");
  mounting.supply_v = arguments.number("supply-v");
  mounting.inertia_kgm2 = arguments.number("inertia-kgm2");
  mounting.added_inertia_kgm2 = arguments.number("added-inertia-kgm2");
  mounting.note = arguments.text("note").value_or("");
  return mounting;
}

RecordOrder order_from(const Arguments& arguments) {
  RecordOrder order;
  order.kind = kind_from(arguments.name(0, "the kind of run (such as brake)"));
  order.mounting = mounting_from(arguments);
  order.for_s = arguments.number("for");
  order.replug_s = arguments.number("replug").value_or(order.replug_s);
  order.standstill_limit_s =
      arguments.number("standstill-limit").value_or(order.standstill_limit_s);
  order.slip_limit_s = arguments.number("slip-limit").value_or(order.slip_limit_s);
  order.slip_target_rpm = arguments.number("slip-target");
  order.slip_band_percent = arguments.number("slip-band-percent").value_or(order.slip_band_percent);
  order.save_capture = arguments.text("save-capture").value_or("");
  return order;
}

// Motors are known by a sensor on their shaft, machines by one on the hand wheel.
bool looks_at_motor(const RecordOrder& order) {
  switch (order.kind) {
    case RunKind::kNoLoad:
    case RunKind::kSpinUp:
    case RunKind::kDriven:
    case RunKind::kSlipCheck:
      return true;
    case RunKind::kCoastDown:
      return !order.mounting.machine;
    default:
      return false;
  }
}

void expect_sound_kind(RunKind kind) {
  if (kind == RunKind::kBrake)
    throw Error(Fault::kInput, fmt::format("a sound input knows no torque, which a {} run needs; "
                                           "record it from a rig, without --pulses.",
                                           run_kind_name(kind)));
}

// 0 where the option is not given.
double marks_from(const Arguments& arguments, const char* option) {
  constexpr long long kMost = 10'000;
  const auto marks = arguments.whole(option);
  if (marks && (*marks < 1 || *marks > kMost))
    throw Error(Fault::kInput,
                fmt::format("--{} must be from 1 to {}: the marks on the shaft.", option, kMost));
  return static_cast<double>(marks.value_or(0));
}

// What a sound input needs to be told; empty when the port is a rig's.
std::optional<SoundOptions> sound_options(const Arguments& arguments, const RecordOrder& order) {
  const auto pulses = arguments.whole("pulses");
  const auto top_rpm = arguments.number("top-rpm");
  const bool tone = arguments.flag("tone");
  if (!pulses && !tone) {
    for (const char* about_sound : {"channel", "clock-ppm", "top-rpm", "other-pulses", "raw-hz"})
      if (arguments.has(about_sound))
        throw Error(Fault::kInput,
                    fmt::format("--{} is about a sound input; add --pulses N, the marks on the "
                                "shaft, or --tone.",
                                about_sound));
    return std::nullopt;
  }
  if (pulses && tone)
    throw Error(Fault::kInput, "--pulses and --tone exclude each other: marks, or the hum itself.");
  if (top_rpm && !(*top_rpm > 0))
    throw Error(Fault::kInput,
                "--top-rpm must be above 0: how fast the shaft is at its fastest, to a quarter.");
  expect_sound_kind(order.kind);
  if (!order.save_capture.empty())
    throw Error(Fault::kInput,
                "--save-capture is about rigs; of a sound input the take itself is kept (a pipe "
                "goes through 'tee take.wav').");
  SoundOptions sound;
  sound.pulses = marks_from(arguments, "pulses");
  sound.other_pulses = marks_from(arguments, "other-pulses");
  if (tone && sound.other_pulses > 0)
    throw Error(Fault::kInput, "--other-pulses is about marks; of a --tone there is one shaft.");
  if (const auto raw_hz = arguments.whole("raw-hz"))
    sound.raw_hz = static_cast<int>(std::clamp(*raw_hz, 0LL, 1'000'000LL));
  if (tone) sound.tone_top_rpm = top_rpm.value_or(0);  // asked about before anything is recorded
  sound.needs_range = order.kind == RunKind::kCoastDown || order.kind == RunKind::kSpinUp;
  sound.of_motor = looks_at_motor(order);
  sound.clock_ppm = arguments.number("clock-ppm");
  if (sound.clock_ppm && !(std::abs(*sound.clock_ppm) <= kMostClockPpm))
    throw Error(Fault::kInput,
                "--clock-ppm must be from -1000 to 1000 millionths; beyond that it is no clock.");
  if (const auto channel = arguments.text("channel")) {
    if (*channel != "left" && *channel != "right")
      throw Error(Fault::kInput, "--channel must be left or right.");
    sound.channel = *channel == "left" ? SoundPort::Channel::kLeft : SoundPort::Channel::kRight;
  }
  return sound;
}

// The pattern of harmonics tells the pace of a sound; which share of it the turn is, a person
// knows.
[[noreturn]] void ask_for_top(const std::string& path, const SoundOptions& sound) {
  SoundPort port(path, sound.channel, sound.raw_hz);
  const std::vector<float> samples = port.read_all(kLongestAsked_s);
  const double rpm = 60 * pace_of_tone(samples, std::max(1, port.rate()));
  constexpr const char* kSay = "say about how fast the shaft is at its fastest: --top-rpm N";
  if (!(rpm > 0))
    throw Error(Fault::kInput,
                fmt::format("no sound of a turning shaft is found in '{}' by itself; {}, or put a "
                            "mark on its wheel (--pulses).",
                            path, kSay));
  throw Error(
      Fault::kInput,
      fmt::format("the sound of '{}' repeats as that of a shaft at {} rpm at its fastest, or "
                  "at {} or {} rpm where all that is heard comes twice or three times a turn "
                  "(blades sound as a turn does); {}.",
                  path, significant(rpm, 3), significant(rpm / 2, 3), significant(rpm / 3, 3),
                  kSay));
}

// No rig unless one is named: the sensor hangs on a sound input.
Part rig_for(const Book& book, const RecordOrder& order) {
  if (!order.of_sound || order.mounting.rig) return rig_or_none(book, order.mounting.rig);
  Part none;
  none.kind = PartKind::kRig;
  return none;
}

void answer_cautions(const Arguments& arguments, RunKind kind, const Port& port) {
  const std::string cautions = cautions_before(kind);
  const auto* const sound = dynamic_cast<const SoundPort*>(&port);
  const bool heard_now = sound && sound->streams();  // through a pipe, which nobody can answer by
  if (cautions.empty() || (!port.live() && !heard_now)) return;
  std::cerr << cautions;
  if (heard_now) return;
  if (arguments.flag("yes")) return;
  if (!at_terminal())
    throw Error(Fault::kInput,
                "nobody is there to read the cautions; when they are seen to, repeat "
                "the command with --yes.");
  if (!wait_for_enter("Enter begins the recording, q and Enter leaves: "))
    throw Error(Fault::kInput, "left before the recording began; the book is as before.");
}

/// The terminal and the page together.
class BothAttendants : public Attendant {
 public:
  BothAttendants(ConsoleAttendant& console, LiveDesk& desk, Glances& glances)
      : console_(console), page_(desk, &glances) {}
  void show(const RecordingView& view) override {
    console_.show(view);
    page_.show(view);
  }
  bool wants_stop() override { return console_.wants_stop() || page_.wants_stop(); }
  bool cell_is_free(const RestMean& rest) override { return console_.cell_is_free(rest); }

 private:
  ConsoleAttendant& console_;
  PageAttendant page_;
};

RecordReport record_watched(const Arguments& arguments, const RecordOrder& order, Book& book,
                            const Part& rig, RigLine& line) {
  SystemClock clock;
  const bool keys = arguments.text("port") != "-";
  ConsoleAttendant console({arguments.flag("yes"), keys});
  if (at_terminal() && keys) std::cerr << kHowToStop;
  if (!arguments.flag("page")) return carry_out(order, book, rig, line, clock, console);
  LiveDesk desk(false);
  desk.set_bench(bench_state(book, rig));
  PageOptions page;
  page.listen = arguments.flag("listen");
  page.port = page_port(arguments, page.port);
  const PageServer server(desk, page);
  desk.begin(order);
  Glances glances(book, order.kind, order.mounting);
  BothAttendants attendants(console, desk, glances);
  RecordReport report = carry_out(order, book, rig, line, clock, attendants);
  desk.end(report);  // the server's end shows it on the pages that are open
  return report;
}

// The comparison of belts will leave such a run out; tonight it can still be put right.
void warn_of_lone_top_speed(const Run& run) {
  if (run.kind != RunKind::kTopSpeed || (run.belt && run.slip_check)) return;
  const std::string lacking = std::string(run.belt ? "" : "--belt B") +
                              (run.belt || run.slip_check ? "" : " ") +
                              (run.slip_check ? "" : "--slip-check RUN");
  warn(
      fmt::format("a comparison of belts leaves run {0} out as it is; complete it: loadline-db "
                  "set run {0} {1}",
                  run.id, lacking));
}

int record(const Arguments& arguments) {
  RecordOrder order = order_from(arguments);
  page_port(arguments, 0);
  if (!arguments.flag("page") &&
      (arguments.flag("listen") || arguments.has("page-port") || arguments.has("lang")))
    throw Error(Fault::kInput,
                "--listen, --page-port and --lang are about the bench page; add --page.");
  take_page_language(arguments);
  RigLineOptions line_wanted = line_options(arguments);
  line_wanted.sound = sound_options(arguments, order);
  order.of_sound = line_wanted.sound.has_value();
  expect_port(line_wanted.port);  // a rig that is not there is the first thing to put right
  if (line_wanted.sound && line_wanted.sound->tone_top_rpm == 0.0)
    ask_for_top(line_wanted.port, *line_wanted.sound);
  Book book = Book::open(arguments.book_path(), Book::Mode::kWrite);
  const Part rig = rig_for(book, order);
  const Run wanted = run_of(book, order.kind, order.mounting, rig);  // complains first
  if (const auto odd = odd_inertias(wanted); !odd.empty())
    require_meant(arguments, fmt::format("this run looks odd: {}", fmt::join(odd, "; ")));
  RigLine line = open_rig_line(line_wanted, &rig);
  answer_cautions(arguments, order.kind, *line.port);
  const RecordReport report = record_watched(arguments, order, book, rig, line);
  for (const std::string& warning : report.result.warnings) warn(warning);
  if (!report.damaged_example.empty())
    warn(fmt::format("{} printed lines did not fit the description, the first of them: \"{}\".",
                     report.result.counts.damaged, report.damaged_example));
  if (arguments.json()) print_json(to_json(report));
  say(arguments, summary(report));
  throw_fault(report);
  warn_of_lone_top_speed(report.run);
  say(arguments, "Next: " + report.next);
  return 0;
}

}  // namespace

Verb record_verb() {
  Verb verb;
  verb.name = "record";
  verb.words = "KIND --port PATH";
  verb.summary = "record a run from the rig (or a capture of one) into the book";
  verb.description =
      "KIND is no-load, brake, spin-up, coast-down, driven, slip-check or top-speed. The run ends "
      "by s and Enter, Ctrl-C, --for, or with its capture file. What the rig sends is committed "
      "several "
      "times a second; a run that is cut short by a fault or a kill stays in the book as "
      "interrupted, usable as far as it goes.";
  verb.example =
      "loadline-logger record brake --port /dev/ttyUSB0 --motor \"Grey 90 W\" --for 30\n"
      "loadline-logger record coast-down --port evening.capture --machine Anvil\n"
      "loadline-logger record coast-down --port evening.wav --pulses 4 --machine Anvil";
  verb.most_names = 1;
  verb.first_words = "no-load brake spin-up coast-down driven slip-check top-speed";
  auto& options = verb.options;
  add_line_options(options);
  const auto text = [&](const char* name, const char* value, const char* help) {
    options.add_options()(name, po::value<std::string>()->value_name(value), help);
  };
  const auto number = [&](const char* name, const char* value, const char* help) {
    options.add_options()(name, po::value<double>()->value_name(value), help);
  };
  options.add_options()(
      "pulses", po::value<long long>()->value_name("N"),
      "PATH is a sound take (WAV, FLAC, Ogg, or a WAV through a pipe) of a sensor "
      "that sees N marks a turn");
  options.add_options()("other-pulses", po::value<long long>()->value_name("N"),
                        "the other channel hears a sensor that sees N marks of the other shaft: "
                        "the motor's beside a hand wheel, and the other way round");
  options.add_options()("raw-hz", po::value<long long>()->value_name("N"),
                        "of a sound take without a header: 16-bit samples (S16_LE), N a second");
  options.add_options()("tone", po::bool_switch(),
                        "the same, but no sensor: the hum of the shaft itself is followed");
  number("top-rpm", "N",
         "with --tone: about how fast the shaft is at its fastest (without it, the paces that the "
         "sound may have are named)");
  text("channel", "left|right",
       "of a sound take with two channels: that of the sensor (with --other-pulses: of the first "
       "one; left)");
  number("clock-ppm", "P", "the sound input's clock runs fast by P millionths, as checked");
  text("rig", "R", "the rig (needless when the book knows only one)");
  text("motor", "M", "the motor that is measured or that drives");
  text("machine", "K", "the machine that is measured or driven");
  text("belt", "B", "the belt between them");
  text("motor-pulley", "P", "the pulley on the motor");
  text("hand-pulley", "H", "the pulley on the machine");
  number("supply-v", "V", "supply voltage, when the rig does not measure it");
  options.add_options()("slip-check", po::value<long long>()->value_name("RUN"),
                        "the slip check that this run leans on");
  number("inertia-kgm2", "J",
         "inertia between rotor and load cell; of a coast-down the whole, if known; of a spin-up "
         "all that turns");
  number("added-inertia-kgm2", "D", "known inertia that was added for this run");
  number("for", "SECONDS", "end after so long, by the rig's clock");
  options.add_options()("yes", po::bool_switch(), "answer the cautions and questions with yes");
  text("save-capture", "FILE", "keep the raw bytes of the line in FILE besides");
  number("replug", "SECONDS", "how long to wait for a rig that was unplugged (10)");
  number("standstill-limit", "SECONDS", "warn when the motor is held at standstill for longer (2)");
  number("slip-limit", "SECONDS", "of a slip check: for how long the belt may slip (2)");
  number("slip-target", "RPM", "of a slip check: the creep speed that is the setting from now on");
  number("slip-band-percent", "P", "half width of the band around the setting (15)");
  options.add_options()("page", po::bool_switch(), "serve the bench page during the run");
  add_page_options(options);
  text("note", "TEXT", "a note to keep with the run");
  add_common_options(options);
  verb.run = record;
  return verb;
}

}  // namespace loadline
