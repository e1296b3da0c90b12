// probe: who is at the other end of the line, and is each of its channels alive?
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <unistd.h>

#include <cmath>
#include <iostream>

#include "logger/console.h"
#include "logger/listening.h"
#include "logger/mounting.h"
#include "logger/rig_check.h"
#include "logger/sound/clock_check.h"
#include "logger/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

constexpr double kUsualSeconds = 3;
constexpr double kSecondsForTurns = 30;
constexpr double kMostTicksHz = 100;

const char* cell_position(const WireIdentity& rig) {
  if (rig.cell_position == kWireCellOnBrake) return "reaction of the brake";
  return rig.cell_position == kWireCellOnMotor ? "cradle of the motor" : "not stated";
}

Json identity_json(const WireIdentity& rig) {
  return {{"board", rig.board_number},
          {"firmware", rig.firmware},
          {"tick_hz", rig.tick_hz},
          {"cell_position", cell_position(rig)},
          {"cell_delay_s",
           rig.cell_delay_us == kWireDelayUnstated ? Json() : Json(rig.cell_delay_us * 1e-6)},
          {"arm_mm", rig.arm_um ? Json(rig.arm_um * 1e-3) : Json()}};
}

std::string identity_words(const WireIdentity& rig) {
  std::string words = fmt::format("Rig {}: {}; clock {} ticks a second; load cell: {}",
                                  rig.board_number, rig.firmware, rig.tick_hz, cell_position(rig));
  if (rig.cell_delay_us != kWireDelayUnstated)
    words += fmt::format(", value late by {:.4g} ms", rig.cell_delay_us * 1e-3);
  if (rig.arm_um) words += fmt::format(", arm {:.5g} mm", rig.arm_um * 1e-3);
  return words + ".";
}

/// The book is only looked into when there is one: a rig can be probed before anything is set up.
struct FromBook {
  std::optional<Part> rig;
  std::optional<Calibration> calibration;
};

FromBook look_into_book(const Arguments& arguments) {
  const auto name = arguments.text("rig");
  if (!name && !arguments.has("book") && access(arguments.book_path().c_str(), R_OK) != 0)
    return {};
  const Book book = Book::open(arguments.book_path(), Book::Mode::kRead);
  FromBook found;
  const std::vector<Part> rigs = book.parts(PartKind::kRig);
  if (name)
    found.rig = book.get(PartKind::kRig, *name);
  else if (rigs.size() == 1)
    found.rig = rigs.front();
  if (found.rig) found.calibration = book.latest_calibration(found.rig->id);
  return found;
}

// The columns that the rig prints, and no others.
std::string reading_words(const ImportedReading& reading) {
  std::string words = fmt::format("Last: at {:.3f} s", reading.time_s);
  const auto add = [&](const char* before, double value, const char* unit) {
    if (std::isfinite(value)) words += fmt::format(", {}{:.4g} {}", before, value, unit);
  };
  add("motor ", reading.motor_rpm, "rpm");
  add("hand wheel ", reading.handwheel_rpm, "rpm");
  add("", reading.torque_nm, "N·m");
  add("", reading.supply_v, "V");
  add("", reading.temperature_c, "°C");
  return words + ".";
}

int report_lines_rig(const Arguments& arguments, const Listening& listening, const Haul& haul) {
  const LineCounts counts = listening.counts();
  const double span = haul.readings.back().time_s - haul.readings.front().time_s;
  const double rate = span > 0 ? static_cast<double>(haul.readings.size() - 1) / span : 0;
  if (arguments.json())
    print_json({{"lines", counts.whole},
                {"damaged", counts.damaged},
                {"damaged_example", listening.damaged_example()},
                {"rate_hz", rate}});
  say(arguments,
      fmt::format("A rig that prints lines: {} read, {} did not fit the description, {:.4g} "
                  "lines a second.",
                  counts.whole, counts.damaged, rate));
  if (!listening.damaged_example().empty())
    say(arguments, "The first that did not fit: \"" + listening.damaged_example() + "\"");
  say(arguments, reading_words(haul.readings.back()));
  return 0;
}

int report_rig(const Arguments& arguments, const WireIdentity& identity, const LineCounts& counts,
               const std::vector<ChannelCheck>& checks) {
  Json channels = Json::array();
  std::string faults;
  say(arguments, identity_words(identity));
  for (const ChannelCheck& check : checks) {
    say(arguments,
        fmt::format("  {} {}: {}", check.well ? "+" : "!", check.channel, check.finding));
    channels.push_back({{"channel", check.channel},
                        {"well", check.well},
                        {"finding", check.finding},
                        {"figures", check.figures}});
    if (!check.well) faults += (faults.empty() ? "" : ", ") + check.channel;
  }
  say(arguments, fmt::format("  line: {} whole frames, {} damaged, {} samples lost.", counts.whole,
                             counts.damaged + counts.implausible, counts.lost));
  if (arguments.json()) {
    Json document = identity_json(identity);
    document["channels"] = channels;
    document["line"] = {{"frames", counts.whole},
                        {"damaged", counts.damaged + counts.implausible},
                        {"lost", counts.lost}};
    print_json(document);
  }
  if (faults.empty()) return 0;
  throw Error(Fault::kRig, fmt::format("the rig answers, but needs attention: {}.", faults));
}

int probe_clock(const Arguments& arguments, double ticks_hz) {
  if (!(ticks_hz > 0 && ticks_hz <= kMostTicksHz))
    throw Error(Fault::kInput,
                fmt::format("--ticks-hz must be above 0 and not above {}.", kMostTicksHz));
  std::optional<SoundPort::Channel> channel;
  if (const auto word = arguments.text("channel")) {
    if (*word != "left" && *word != "right")
      throw Error(Fault::kInput, "--channel must be left or right.");
    channel = *word == "right" ? SoundPort::Channel::kRight : SoundPort::Channel::kLeft;
  }
  const std::string path = line_options(arguments).port;
  expect_port(path);
  SoundPort port(path, channel);
  const ClockCheck check = check_clock(port, ticks_hz);
  if (arguments.json())
    print_json({{"clock_fast_ppm", to_json(check.fast)},
                {"ticks", check.ticks},
                {"missed", check.missed},
                {"length_s", check.length_s}});
  say(arguments, fmt::format("{} ticks in {} s, {} missed: by them the sound input's clock is fast "
                             "by {}.\nWhat the ticking clock is off itself comes on top (a quartz "
                             "clock that gains a second a day: 12 millionths).\nNext: "
                             "loadline-logger record … --clock-ppm {}",
                             check.ticks, significant(check.length_s, 4), check.missed,
                             to_text(check.fast), significant(*check.fast.value, 3)));
  return 0;
}

int probe(const Arguments& arguments) {
  if (const auto ticks_hz = arguments.number("ticks-hz")) return probe_clock(arguments, *ticks_hz);
  const auto turns = arguments.number("turns");
  if (turns && *turns <= 0) throw Error(Fault::kInput, "--turns must be above 0.");
  const double seconds = seconds_for(arguments, turns ? kSecondsForTurns : kUsualSeconds);
  const FromBook known = look_into_book(arguments);
  RigLine line = open_rig_line(line_options(arguments), known.rig ? &*known.rig : nullptr);
  SystemClock clock;
  Listening listening(clock, line);
  const bool by_hand = turns && at_terminal();
  std::function<bool()> enough;
  SignalWatch signals;
  ConsoleAttendant console({.enter_stops = true});
  if (by_hand) {
    std::cerr << fmt::format(
        "Supply off. Turn the shaft by hand by exactly {} turns, then press "
        "Enter.\n",
        significant(*turns, 6));
    enough = [&] { return console.wants_stop(); };
  }
  const Haul haul = listening.gather(seconds, enough);
  if (haul.samples.empty()) return report_lines_rig(arguments, listening, haul);
  const WireIdentity identity = *listening.identity();
  RigCheckInput input{identity, haul.samples, known.calibration, turns};
  return report_rig(arguments, identity, listening.counts(), check_rig_channels(input));
}

}  // namespace

Verb probe_verb() {
  Verb verb;
  verb.name = "probe";
  verb.words = "--port PATH";
  verb.summary = "ask the rig who it is and check its channels";
  verb.description =
      "Shows what is connected, channel by channel: noise of the load cell at rest, conversions a "
      "second as measured against what the rig states, edges of the tachometers, supply and "
      "temperature. With --turns N the shaft is turned by hand by N turns, and the pulses per turn "
      "are confirmed. Needs no book; with one, noise is shown as torque as well.";
  verb.example =
      "loadline-logger probe --port /dev/ttyUSB0\n"
      "loadline-logger probe --port /dev/ttyUSB0 --turns 10\n"
      "loadline-logger probe --port quartz-clock.wav --ticks-hz 1";
  verb.most_names = 0;
  add_line_options(verb.options);
  verb.options.add_options()("rig", po::value<std::string>()->value_name("R"),
                             "the rig's name in the book");
  verb.options.add_options()("for", po::value<double>()->value_name("SECONDS"),
                             "how long to listen (3)");
  verb.options.add_options()("turns", po::value<double>()->value_name("N"),
                             "confirm the pulses per turn by N turns by hand");
  verb.options.add_options()("ticks-hz", po::value<double>()->value_name("F"),
                             "PATH is a sound take of a better clock's ticks, F a second: how fast "
                             "does the sound input's own clock run?");
  verb.options.add_options()("channel", po::value<std::string>()->value_name("left|right"),
                             "with --ticks-hz: the channel of two that hears them");
  add_common_options(verb.options);
  verb.run = probe;
  return verb;
}

}  // namespace loadline
