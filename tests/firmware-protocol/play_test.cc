// Scenario, board, line and the whole run: same seed same bytes, faults accounted for, the
// pseudo-terminal carries what the memory holds.
#include "firmware-protocol/simrig/play.h"

#include <doctest/doctest.h>
#include <fcntl.h>
#include <poll.h>
#include <unistd.h>

#include <cmath>
#include <cstring>
#include <filesystem>
#include <future>
#include <numbers>
#include <set>
#include <thread>

#include "firmware-protocol/simrig/line_player.h"
#include "firmware-protocol/simrig/sensors.h"
#include "tests/firmware-protocol/heard.h"
#include "tests/support/tests_folder.h"

namespace loadline::simrig {
namespace {

const char* const kQuick = "[run]\nkind = no-load\nlead_s = 0.5\naction_s = 2\ntail_s = 0.5\n";

Heard hear_all(const Bytes& bytes) {
  Heard heard;
  heard(bytes);
  return heard;
}

bool same(const WireSample& a, const WireSample& b) {
  return a.number == b.number && a.tick == b.tick && a.channels == b.channels &&
         a.torque_counts == b.torque_counts && a.motor_edges == b.motor_edges &&
         a.motor_edge_tick == b.motor_edge_tick && a.handwheel_edges == b.handwheel_edges &&
         a.handwheel_edge_tick == b.handwheel_edge_tick && a.supply_counts == b.supply_counts &&
         a.temperature_counts == b.temperature_counts;
}

Bytes command(std::uint8_t type) {
  Bytes frame(kWireMaxFrame);
  frame.resize(wire_frame_encode(type, 0, nullptr, 0, frame.data(), frame.size()));
  return frame;
}

}  // namespace

TEST_CASE("same scenario and seed give the same bytes, another seed does not") {
  const Scenario s = parse_scenario(kQuick);
  const Bytes once = capture(s, 5);
  CHECK(once == capture(s, 5));
  CHECK(once != capture(s, 6));
  CHECK(csv(record(s, 5), s) == csv(record(s, 5), s));
}

TEST_CASE("a capture holds exactly the samples that were made") {
  const Scenario s = parse_scenario(kQuick);
  const Recording r = record(s, 5);
  const Heard heard = hear_all(capture(s, 5));
  CHECK(wire_dropped(&heard.decoder.counters) == 0);
  CHECK(heard.decoder.counters.missing == 0);
  REQUIRE(heard.samples.size() == r.samples.size());
  REQUIRE(heard.samples.size() == 240);
  for (std::size_t n = 0; n < r.samples.size(); ++n) CHECK(same(heard.samples[n], r.samples[n]));
  REQUIRE(heard.identities.size() == 2);  // at power-on and when asked
  CHECK(heard.identities[1].tick_hz == 2000000);
  CHECK(heard.identities[1].channels == kWireAllChannels);
  CHECK(heard.identities[1].cell_delay_us == 25000);
  CHECK(heard.states.front().reset_cause == kWirePowerOn);
  CHECK(heard.states.back().streaming == 0);  // it stopped by itself
  CHECK(heard.states.back().samples == 240);
}

TEST_CASE("edge counts and ticks give the true speed back") {
  const Scenario s = parse_scenario(
      "[run]\nkind = no-load\naction_s = 20\n[motor_tach]\nuneven = 0.03\njitter_us = 2\n");
  const Recording r = record(s, 1);
  // Between two samples a whole number of turns apart, late in the run when the speed is steady.
  const WireSample *first = nullptr, *last = nullptr;
  double mean = 0.0;
  int n = 0;
  for (std::size_t k = 0; k < r.samples.size(); ++k) {
    if (r.truth[k].action_s < 15.0 || r.truth[k].action_s > 19.0) continue;
    if (first == nullptr) first = &r.samples[k];
    if ((r.samples[k].motor_edges - first->motor_edges) % 6 == 0) last = &r.samples[k];
    mean += r.truth[k].motor_speed;
    ++n;
  }
  REQUIRE(last != nullptr);
  const double turns = (last->motor_edges - first->motor_edges) / 6.0;
  const double seconds = (last->motor_edge_tick - first->motor_edge_tick) / 2e6;
  CHECK(2.0 * std::numbers::pi * turns / seconds == doctest::Approx(mean / n).epsilon(1e-3));
}

TEST_CASE("the switch waits for the start, and a start before it begins the waiting anew") {
  const Scenario s = parse_scenario(kQuick);
  Player player(s, 1);
  const Bytes start = command(kWireStart), stop = command(kWireStop);
  player.receive(start.data(), start.size());
  for (int n = 0; n < 30; ++n) REQUIRE(player.advance());  // 0.375 s at rest: a zero
  player.receive(stop.data(), stop.size());
  CHECK_FALSE(player.bench().switched());
  player.receive(start.data(), start.size());
  for (int n = 0; n < 39; ++n) REQUIRE(player.advance());
  CHECK_FALSE(player.bench().switched());
  for (int n = 0; n < 3; ++n) REQUIRE(player.advance());
  CHECK(player.bench().switched());
  while (player.advance()) {
  }
  CHECK_FALSE(player.streaming());
  // After the end: the bench at rest, for a zero afterwards.
  player.receive(start.data(), start.size());
  int more = 0;
  while (player.advance()) ++more;
  CHECK(more == 40);
}

TEST_CASE("losses on the line are exactly those that the sample numbers show") {
  Scenario s = parse_scenario(kQuick);
  s.faults.lose_byte = 0.002;
  s.faults.flip_bit = 0.002;
  s.faults.repeat_frame = 0.01;
  s.faults.garbage_every_s = 0.4;
  s.run.action_s = 20.0;
  const Recording clean = record(s, 9);
  const Heard heard = hear_all(capture(s, 9));
  const WireCounters& c = heard.decoder.counters;
  CHECK(wire_dropped(&c) > 50);
  CHECK(c.bad_crc > 0);
  CHECK(c.repeated > 0);
  std::vector<bool> seen(clean.samples.size(), false);
  std::size_t distinct = 0;
  for (const WireSample& x : heard.samples) {
    REQUIRE(x.number < clean.samples.size());
    CHECK(same(x, clean.samples[x.number]));  // what came through is unharmed
    if (!seen[x.number]) ++distinct;
    seen[x.number] = true;
  }
  CHECK(distinct > clean.samples.size() * 7 / 10);
  CHECK(distinct < clean.samples.size());
}

TEST_CASE("a reset in mid-run begins ticks and counts anew and says why") {
  Scenario s = parse_scenario(kQuick);
  s.faults.reset_at_s = 1.5;
  const Heard heard = hear_all(capture(s, 2));
  REQUIRE(heard.identities.size() == 3);
  bool told = false;
  for (const WireStatus& state : heard.states)
    told = told || (state.resets == 1 && state.reset_cause == kWireBrownOut);
  CHECK(told);
  std::size_t falls = 0;
  for (std::size_t n = 1; n < heard.samples.size(); ++n)
    if (heard.samples[n].tick < heard.samples[n - 1].tick) {
      ++falls;
      CHECK(heard.samples[n].number == 0);
      CHECK(heard.samples[n].tick < 2000000 / 40);
      CHECK(heard.samples[n].motor_edges < 60);
    }
  CHECK(falls == 1);
}

TEST_CASE("a stall of the line, a silent converter and a lost tachometer are told apart") {
  Scenario s = parse_scenario(kQuick);
  s.faults.stall_at_s = 1.0;
  s.faults.stall_for_s = 0.5;
  Heard heard = hear_all(capture(s, 2));
  CHECK(heard.samples.size() == 200);
  CHECK(heard.states.back().unsent_samples == 40);

  s = parse_scenario(kQuick);
  s.faults.stuck_at_s = 1.0;
  heard = hear_all(capture(s, 2));
  REQUIRE(heard.errors.size() == 1);
  CHECK(heard.errors[0].code == kWireConverterStuck);
  CHECK(heard.samples.back().channels == (kWireAllChannels & ~kWireLoadCell));
  CHECK(heard.samples.back().motor_edges > 200);  // speed goes on
  CHECK(heard.states.back().missed_conversions == 3);

  s = parse_scenario(kQuick);
  s.faults.motor_tach_lost_at_s = 1.5;
  heard = hear_all(capture(s, 2));
  CHECK(heard.samples.back().motor_edges == heard.samples[160].motor_edges);
  CHECK(heard.samples.back().number == 239);
}

TEST_CASE("counters wrap on the line and differences modulo 2^32 undo it") {
  Scenario s = parse_scenario(kQuick);
  const Recording plain = record(s, 4);
  s.rig.first_tick = 4294967296.0 - 2e6;
  s.rig.first_edges = 4294967296.0 - 100;
  const Recording wrapped = record(s, 4);
  REQUIRE(plain.samples.size() == wrapped.samples.size());
  CHECK(wrapped.samples.back().tick < wrapped.samples.front().tick);
  for (std::size_t n = 1; n < plain.samples.size(); ++n) {
    const WireSample &a = plain.samples[n], &b = plain.samples[n - 1];
    const WireSample &c = wrapped.samples[n], &d = wrapped.samples[n - 1];
    CHECK(static_cast<std::uint32_t>(a.tick - b.tick) ==
          static_cast<std::uint32_t>(c.tick - d.tick));
    CHECK(static_cast<std::uint32_t>(a.motor_edges - b.motor_edges) ==
          static_cast<std::uint32_t>(c.motor_edges - d.motor_edges));
  }
}

TEST_CASE("the board answers, refuses politely and survives noise from the host") {
  Board board(parse_scenario(kQuick));
  board.frames();
  const Bytes noise = {0x11, 0x22, 0x00, 0x05, 0x00, 0xFF, 0xFE, 0x00};
  board.receive(noise.data(), noise.size());
  const Bytes odd = command(0x42);
  board.receive(odd.data(), odd.size());
  Heard heard;
  for (const Bytes& frame : board.frames()) heard(frame);
  REQUIRE(heard.errors.size() == 1);
  CHECK(heard.errors[0].code == kWireUnknownType);
  CHECK(heard.errors[0].about_type == 0x42);
  const Bytes who = command(kWireWhoAreYou);
  board.receive(who.data(), who.size());
  for (const Bytes& frame : board.frames()) heard(frame);
  REQUIRE(heard.states.size() == 1);
  CHECK(heard.identities.size() == 1);
  CHECK(heard.states[0].bad_frames == 3);
}

TEST_CASE("a scenario that makes no sense is refused with the key in the sentence") {
  const std::pair<const char*, const char*> wrong[] = {
      {"[run]\nkind = sideways\n", "run.kind"},
      {"[run]\nlead_z = 3\n", "run.lead_z"},
      {"[motor]\nkind = steam\n", "motor.kind"},
      {"[supply]\nvolts = plenty\n", "volts"},
      {"[supply]\nvolts = nan\n", "supply.volts"},
      {"[supply]\nlevels_v = 90,x\n", "supply.levels_v"},
      {"[motor_tach]\npulses = 2.5\n", "pulses"},
      {"[motor]\nkind = induction\n[supply]\nhz = 0\n", "supply.hz"},
      {"[brake]\nlaw = magic\n", "brake.law"},
      {"no section and no equals sign\n", "scenario"}};
  for (const auto& [text, word] : wrong) {
    try {
      parse_scenario(text);
      FAIL("accepted: " << text);
    } catch (const ScenarioError& problem) {
      CHECK(std::string(problem.what()).find(word) != std::string::npos);
    }
  }
  CHECK_THROWS_AS(read_scenario("/nowhere/at/all.ini"), ScenarioError);
  CHECK_THROWS_AS(parse_scenario("", {"run.kind"}), ScenarioError);
  CHECK(parse_scenario("[supply]\nvolts = 110\n", {"supply.volts=120"}).supply.volts == 120.0);
  CHECK(scenario_keys().find("machine.ripple2_nm") != std::string::npos);
}

TEST_CASE("every example scenario plays to its end and means what its name says") {
  const std::filesystem::path folder =
      std::filesystem::path(tests_folder()) / "../sample-runs/scenarios";
  std::set<Play> kinds;
  for (const auto& entry : std::filesystem::directory_iterator(folder)) {
    if (entry.path().extension() != ".ini") continue;
    CAPTURE(entry.path());
    const Scenario s = read_scenario(entry.path().string());
    kinds.insert(s.run.play);
    CHECK(entry.path().stem().string().rfind(play_name(s.run.play), 0) ==
          (entry.path().stem() == "bad-line" ? std::string::npos : 0));
    const Recording r = record(s, s.run.seed);
    CHECK(static_cast<double>(r.samples.size()) ==
          doctest::Approx(s.total_seconds() * s.cell.converter_hz).epsilon(0.01));
    const bool turned = r.motor_edges.size() + r.handwheel_edges.size() > 100;
    CHECK(turned == (s.run.play != Play::kRest));
  }
  CHECK(kinds.size() == 8);
}

TEST_CASE("the pseudo-terminal carries the run that the memory holds") {
  Scenario s = parse_scenario(kQuick);
  const Recording r = record(s, 5);
  Player player(s, 5);
  std::promise<std::string> announced;
  LineOptions options;
  options.fast = true;
  options.wait_s = 10.0;
  options.announce = [&](const std::string& path) { announced.set_value(path); };
  auto end = std::async(std::launch::async, [&] { return play_on_line(player, options); });
  const int fd = ::open(announced.get_future().get().c_str(), O_RDWR | O_NOCTTY);
  REQUIRE(fd >= 0);
  Heard heard;
  const auto say = [&](std::uint8_t type) {
    const Bytes bytes = command(type);
    REQUIRE(::write(fd, bytes.data(), bytes.size()) == static_cast<ssize_t>(bytes.size()));
  };
  say(kWireWhoAreYou);
  say(kWireStart);
  while (heard.states.size() < 2 || heard.states.back().streaming != 0 || heard.samples.empty()) {
    pollfd p{fd, POLLIN, 0};
    REQUIRE(::poll(&p, 1, 10000) == 1);
    Bytes bytes(700);
    const ssize_t got = ::read(fd, bytes.data(), bytes.size());
    REQUIRE(got > 0);
    bytes.resize(static_cast<std::size_t>(got));
    heard(bytes);
  }
  ::close(fd);
  CHECK(end.get() == LineEnd::kOver);
  CHECK(heard.identities.size() >= 1);
  CHECK(wire_dropped(&heard.decoder.counters) == 0);
  REQUIRE(heard.samples.size() == r.samples.size());
  for (std::size_t n = 0; n < r.samples.size(); ++n) CHECK(same(heard.samples[n], r.samples[n]));
}

TEST_CASE("a terminal that goes and comes back costs what was sent meanwhile, and no more") {
  Scenario s = parse_scenario(kQuick);
  s.run.action_s = 6.0;
  s.faults.hang_up_at_s = 2.0;
  s.faults.hang_up_for_s = 1.0;
  Player player(s, 5);
  const std::string link =
      (std::filesystem::temp_directory_path() / ("loadline-play-" + std::to_string(::getpid())))
          .string();
  LineOptions options;
  options.fast = true;
  options.wait_s = 10.0;
  options.link = link;
  auto end = std::async(std::launch::async, [&] { return play_on_line(player, options); });
  Heard heard;
  const auto open_link = [&] {
    int fd = -1;
    for (int n = 0; n < 1000 && (fd = ::open(link.c_str(), O_RDWR | O_NOCTTY)) < 0; ++n)
      std::this_thread::sleep_for(std::chrono::milliseconds(10));
    return fd;
  };
  const auto listen = [&](int fd) {  // until the line goes or the rig has stopped
    Bytes bytes(700);
    while (heard.states.empty() || heard.states.back().streaming != 0 || heard.samples.empty()) {
      const ssize_t got = ::read(fd, bytes.data(), bytes.size());
      if (got <= 0) break;
      heard(Bytes(bytes.begin(), bytes.begin() + got));
    }
    ::close(fd);
  };
  int fd = open_link();
  REQUIRE(fd >= 0);
  const Bytes start = command(kWireStart);
  REQUIRE(::write(fd, start.data(), start.size()) == static_cast<ssize_t>(start.size()));
  listen(fd);
  const std::size_t before = heard.samples.size();
  fd = open_link();
  REQUIRE(fd >= 0);
  listen(fd);
  CHECK(end.get() == LineEnd::kOver);
  REQUIRE(heard.samples.size() > before);
  CHECK(heard.samples.back().number >= 557);
  for (std::size_t n = 1; n < heard.samples.size(); ++n)
    if (n != before) CHECK(heard.samples[n].number == heard.samples[n - 1].number + 1);
  CHECK(heard.samples[before - 1].number >= 155);  // up to 2 s
  const std::uint32_t gap = heard.samples[before].number - heard.samples[before - 1].number - 1;
  CHECK(gap >= 70);
  CHECK(gap <= 90);
}

TEST_CASE("nobody at the other end is said, not waited for without end") {
  Player player(parse_scenario(kQuick), 1);
  LineOptions options;
  options.wait_s = 0.2;
  CHECK(play_on_line(player, options) == LineEnd::kNeverStarted);
}

}  // namespace loadline::simrig
