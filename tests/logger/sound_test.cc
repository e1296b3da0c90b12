// The sound input: edges against closed forms, files of every kind, and what is no sound.
#include <doctest/doctest.h>
#include <sndfile.h>

#include <unistd.h>

#include <cmath>
#include <fstream>
#include <random>
#include <string>
#include <vector>

#include "db/basis/error.h"
#include "logger/sound/clock_check.h"
#include "logger/sound/pulse_finder.h"
#include "logger/sound/sound_port.h"
#include "logger/sound/sound_reader.h"
#include "logger/sound/tone_track.h"
#include "logger/sound/wav_stream.h"
#include "tests/support/scratch.h"

using namespace loadline;
using loadline::testing::Scratch;

namespace {

// A linear chirp: the phase is f0·t + k·t²/2 turns, so mark number n passes at
// t = (√(f0² + 2·k·n) − f0)/k. A pulse is a raised cosine over a fifth of the period, on white
// noise.
struct Chirp {
  double start_hz = 70, slope = -6, length_s = 9, rate = 44100;
  double noise = 0;
  double gain = 1;

  double phase(double t) const { return start_hz * t + slope * t * t / 2; }
  std::vector<float> samples(unsigned seed) const {
    std::mt19937 dice(seed);
    std::normal_distribution<double> normal(0, 1);
    std::vector<float> x;
    for (double n = 0; n < length_s * rate; ++n) {
      const double turns = phase(n / rate);
      const double away = turns - std::round(turns);
      const double pulse = std::fabs(away) < 0.1 ? 0.5 + 0.5 * std::cos(away / 0.1 * M_PI) : 0;
      x.push_back(static_cast<float>(gain * (pulse + noise * normal(dice))));
    }
    return x;
  }
};

std::vector<SoundEdge> edges_of(const std::vector<float>& x, double rate,
                                PulseCounts* counts = nullptr, double stretch_s = 30) {
  PulseFinder finder(rate, stretch_s);
  std::vector<SoundEdge> edges;
  for (std::size_t at = 0; at < x.size(); at += 1000)
    finder.take(std::span(x).subspan(at, std::min<std::size_t>(1000, x.size() - at)), edges);
  finder.finish(edges);
  if (counts) *counts = finder.counts();
  return edges;
}

// How far the edges lie from where marks pass, in turns of the phase, but for what all have alike.
struct Away {
  double rms = 0, most = 0, spread_over_sd = 0;
  bool counted = true;  // every edge has the number that its mark has
};

Away away_of(const std::vector<SoundEdge>& edges, const Chirp& chirp) {
  Away away;
  std::vector<double> off;
  double mean = 0, ratio = 0, first = std::nan("");
  long long count = 0;
  for (const SoundEdge& edge : edges) {
    const double turns = chirp.phase(edge.at / chirp.rate);
    count += edge.step;
    if (std::isnan(first)) first = std::round(turns + 0.05) - static_cast<double>(count);
    off.push_back(turns - static_cast<double>(count) - first);
    away.counted = away.counted && std::fabs(off.back()) < 0.3;
    mean += off.back() / static_cast<double>(edges.size());
  }
  for (std::size_t i = 0; i < off.size(); ++i) {
    const double d = off[i] - mean, hz = 1 / edges[i].period;
    away.rms += d * d;
    away.most = std::max(away.most, std::fabs(d));
    ratio += d * d / std::pow(edges[i].sd * hz, 2);
  }
  away.rms = std::sqrt(away.rms / static_cast<double>(off.size()));
  away.spread_over_sd = std::sqrt(ratio / static_cast<double>(off.size()));
  return away;
}

std::string written(const Scratch& scratch, const std::string& name, int format, int rate,
                    int channels, const std::vector<float>& frames) {
  SF_INFO info = {};
  info.samplerate = rate;
  info.channels = channels;
  info.format = format;
  SNDFILE* file = sf_open(scratch.path(name).c_str(), SFM_WRITE, &info);
  REQUIRE(file);
  sf_writef_float(file, frames.data(), static_cast<sf_count_t>(frames.size()) / channels);
  sf_close(file);
  return scratch.path(name);
}

std::vector<float> read_all(SoundPort& port) {
  std::vector<float> all;
  std::vector<std::uint8_t> block(4096);
  for (;;) {
    const Port::Got got = port.read(block, std::chrono::milliseconds(100));
    if (got.outcome == Port::Outcome::kEnd) return all;
    if (got.outcome != Port::Outcome::kBytes) continue;
    const auto* floats = reinterpret_cast<const float*>(block.data());
    all.insert(all.end(), floats, floats + got.size / sizeof(float));
  }
}

std::string refusal(const std::string& path,
                    std::optional<SoundPort::Channel> channel = std::nullopt) {
  try {
    SoundPort port(path, channel);
    read_all(port);
  } catch (const Error& error) {
    CHECK(error.fault() == Fault::kInput);
    return error.what();
  }
  return {};
}

bool has(const std::string& text, const char* part) { return text.find(part) != std::string::npos; }

}  // namespace

TEST_CASE("edges of a chirp lie where its closed form says, to what is stated of them") {
  for (const double noise : {0.01, 0.05}) {
    Chirp chirp;
    chirp.noise = noise;
    CAPTURE(noise);
    PulseCounts counts;
    const auto edges = edges_of(chirp.samples(11), chirp.rate, &counts);
    const double marks = std::floor(chirp.phase(chirp.length_s));
    CHECK(std::fabs(static_cast<double>(edges.size()) - marks) <= 1.5);
    CHECK(counts.lost == 0);
    CHECK(counts.doubled == 0);
    const Away away = away_of(edges, chirp);
    CHECK(away.counted);
    // A flank of a tenth of the period, some 90 samples: noise over slope, by its many samples.
    CHECK(away.rms < 0.06 * noise);
    CHECK(away.spread_over_sd > 0.6);
    CHECK(away.spread_over_sd < 1.6);
  }
}

TEST_CASE("upside down, louder or in short stretches: the same edges") {
  Chirp chirp;
  chirp.noise = 0.02;
  const auto usual = edges_of(chirp.samples(12), chirp.rate);
  for (const double gain : {-1.0, 0.05}) {
    chirp.gain = gain;
    const auto other = edges_of(chirp.samples(12), chirp.rate);
    REQUIRE(other.size() >= usual.size() - 1);
    CHECK(away_of(other, chirp).counted);
    CHECK(away_of(other, chirp).rms < 1.5e-3);
  }
  chirp.gain = 1;
  chirp.length_s = 11;
  const auto pieces = edges_of(chirp.samples(12), chirp.rate, nullptr, 8);
  const auto whole = edges_of(chirp.samples(12), chirp.rate);
  CHECK(pieces.size() == whole.size());
  CHECK(away_of(pieces, chirp).counted);
}

TEST_CASE("marks that are not seen are counted, and clicks between marks are none") {
  Chirp chirp;
  chirp.noise = 0.02;
  std::vector<float> x = chirp.samples(13);
  for (double n = 0; n < static_cast<double>(x.size()); ++n) {
    const double turns = chirp.phase(n / chirp.rate);
    const auto mark = static_cast<int>(std::round(turns));
    if (mark == 100 || mark == 200 || mark == 201) x[static_cast<std::size_t>(n)] *= 0.02F;
    if (mark % 50 == 25 && turns - mark > 0.3 && turns - mark < 0.33)
      x[static_cast<std::size_t>(n)] = 0.9F;
  }
  PulseCounts counts;
  const auto edges = edges_of(x, chirp.rate, &counts);
  CHECK(away_of(edges, chirp).counted);
  CHECK(counts.lost == 3);
  CHECK(counts.doubled >= 6);
}

TEST_CASE("an edge beyond one that is not sure is none at the end, where nothing confirms it") {
  Chirp chirp;
  chirp.noise = 0.02;
  const std::vector<float> quiet = chirp.samples(5);
  const std::vector<SoundEdge> all = edges_of(quiet, chirp.rate);
  REQUIRE(all.size() > 100);
  // Noise as strong as the pulse itself about one of them.
  const auto with_noise_about = [&](const SoundEdge& edge) {
    std::vector<float> x = quiet;
    std::mt19937 dice(7);
    std::normal_distribution<float> normal(0, 0.5F);
    const auto from = static_cast<std::size_t>(edge.at - 0.3 * edge.period);
    const auto to = static_cast<std::size_t>(edge.at + 0.5 * edge.period);
    for (std::size_t i = from; i < to; ++i) x[i] += normal(dice);
    return edges_of(x, chirp.rate);
  };
  const std::vector<SoundEdge> spoilt_late = with_noise_about(all[all.size() - 2]);
  CHECK(spoilt_late.back().at < all[all.size() - 2].at - 0.5 * all.back().period);
  CHECK(spoilt_late.size() >= all.size() - 3);
  const std::vector<SoundEdge> spoilt_midway = with_noise_about(all[all.size() / 2]);
  CHECK(spoilt_midway.back().at > all[all.size() - 2].at - 0.1 * all.back().period);
  CHECK(spoilt_midway.size() >= all.size() - 3);
}

// What lies between a sensor and a file, one thing at a time.
namespace {

using Sound = std::vector<float>;

double mains(double t) {
  return 0.5 * std::sin(2 * M_PI * 49.97 * t) + 0.2 * std::sin(2 * M_PI * 3 * 49.97 * t + 1);
}

// The gain falls with the level of the last third of a second.
void control_gain(Sound& x, double rate) {
  double level = 0;
  for (float& value : x) {
    level += (std::fabs(value) - level) / (0.33 * rate);
    value /= static_cast<float>(0.05 + 3 * level);
  }
}

// A contact closes again 3 ms later, at every fifth mark.
void bounce(Sound& x, const Chirp& chirp) {
  const Sound before = x;
  const auto late = static_cast<std::size_t>(0.003 * chirp.rate);
  for (std::size_t n = late; n < x.size(); ++n) {
    const double turns = chirp.phase(static_cast<double>(n - late) / chirp.rate);
    if (static_cast<int>(std::round(turns)) % 5 == 0)
      x[n] = std::max(x[n], 0.8F * before[n - late]);
  }
}

void high_pass(Sound& x, double hz, double rate) {
  double low = 0;
  for (float& value : x) {
    low += (value - low) * (1 - std::exp(-2 * M_PI * hz / rate));
    value -= static_cast<float>(low);
  }
}

// There and back through libsndfile's Vorbis coder.
Sound through_vorbis(const Scratch& scratch, Sound x, double rate) {
  for (float& value : x) value *= 0.7F;
  SoundPort port(
      written(scratch, "coded.ogg", SF_FORMAT_OGG | SF_FORMAT_VORBIS, static_cast<int>(rate), 1, x),
      std::nullopt);
  return port.read_all(1e9);
}

}  // namespace

TEST_CASE("rates, clipping, gain control, bounce, drift, mains and lossy coding move no edge far") {
  const Scratch scratch;
  for (const double rate : {8000.0, 22050.0, 48000.0, 96000.0, 192000.0}) {
    for (const char* way :
         {"plain", "clipped", "gain", "bounce", "drift", "mains", "high-pass", "vorbis"}) {
      if (std::string(way) != "plain" && rate != 48000) continue;
      CAPTURE(rate);
      CAPTURE(std::string(way));
      Chirp chirp;
      chirp.rate = rate;
      chirp.length_s = 6;
      chirp.noise = 0.02;
      Sound x = chirp.samples(21);
      const std::string name = way;
      for (std::size_t n = 0; n < x.size(); ++n) {
        const double t = static_cast<double>(n) / rate;
        if (name == "clipped") x[n] = std::min(x[n], 0.5F);
        if (name == "drift") x[n] += static_cast<float>(std::sin(2 * M_PI * t / 4));
        if (name == "mains") x[n] += static_cast<float>(mains(t));
      }
      if (name == "gain") control_gain(x, rate);
      if (name == "bounce") bounce(x, chirp);
      if (name == "high-pass") high_pass(x, 20, rate);
      if (name == "vorbis") x = through_vorbis(scratch, x, rate);
      PulseCounts counts;
      const auto edges = edges_of(x, rate, &counts);
      const Away away = away_of(edges, chirp);
      // A mark that bounces has another course than the usual one, and may have no sure time. On
      // the way 50 marks a second pass, where taking out the mains costs some.
      const double missing = chirp.phase(6) - static_cast<double>(edges.size());
      CHECK(std::fabs(missing) <= (name == "bounce" ? 62 : 8));
      CHECK(away.counted);
      CHECK(away.rms < 0.01);  // of a period: 0.15 to 0.3 ms
      CHECK(counts.lost <= 6);
    }
  }
}

TEST_CASE("memory does not grow with the length of a take") {
  const auto resident_kb = [] {
    std::ifstream statm("/proc/self/statm");
    long pages = 0, resident = 0;
    statm >> pages >> resident;
    return resident * ::sysconf(_SC_PAGESIZE) / 1024;
  };
  Chirp minute;  // over and over: 40 marks a second, whole ones in a minute
  minute.start_hz = 40;
  minute.slope = 0;
  minute.length_s = 60;
  minute.rate = 8000;
  minute.noise = 0.03;
  const Sound x = minute.samples(22);
  PulseFinder finder(minute.rate, 12);
  std::vector<SoundEdge> edges;
  long early = 0;
  for (int passed = 0; passed < 12; ++passed) {
    finder.take(x, edges);
    edges.clear();
    if (passed == 3) early = resident_kb();
  }
  finder.finish(edges);
  CHECK(finder.counts().edges >= 12 * 60 * 40 - 2);
  CHECK(finder.counts().lost == 0);
  CHECK(resident_kb() - early < 1500);
}

TEST_CASE("silence, noise and a hum alone hold no shaft") {
  std::mt19937 dice(3);
  std::normal_distribution<float> normal(0, 0.1F);
  std::vector<float> silence(300000, 0.0F), noise(300000), hum(300000);
  for (float& x : noise) x = normal(dice);
  for (std::size_t n = 0; n < hum.size(); ++n)
    hum[n] = static_cast<float>(0.3 * std::sin(2 * M_PI * 50 * static_cast<double>(n) / 48000));
  CHECK(edges_of(silence, 48000).empty());
  CHECK(edges_of(noise, 48000).empty());
}

namespace {

// The noise of a shaft whose speed falls in proportion to time: harmonics of given levels.
std::vector<float> machine(double start_hz, double slope, double length_s, double noise,
                           const std::vector<double>& levels, unsigned seed) {
  std::mt19937 dice(seed);
  std::normal_distribution<double> normal(0, noise);
  std::vector<float> x;
  for (double n = 0; n < length_s * 16000; ++n) {
    const double t = n / 16000, turns = start_hz * t + slope * t * t / 2;
    double sum = normal(dice);
    double h = 0;
    for (const double level : levels) {
      h += 1;
      sum += level * std::sin(2 * M_PI * h * turns + 0.7 * h * h);
    }
    x.push_back(static_cast<float>(0.2 * sum));
  }
  return x;
}

}  // namespace

TEST_CASE("the tone of a shaft is followed to some thousandths of a turn, and its speed better") {
  const std::vector<double> levels = {0.2, 0.1, 0.3, 0.05, 0.2, 0.1, 0.9, 0.2, 0.1, 0.3};
  for (const double slope : {0.0, -1.2}) {
    CAPTURE(slope);
    const ToneCourse course = follow_tone(machine(19, slope, 9, 0.1, levels, 5), 16000, 17);
    CHECK(course.why.empty());
    REQUIRE(course.edges.size() > 300);
    double mean = 0, rms = 0, first = 0;
    std::vector<double> off;
    for (std::size_t i = 0; i < course.edges.size(); ++i) {
      const double t = course.edges[i].at / 16000, turns = 19 * t + slope * t * t / 2;
      if (i == 0) first = turns;
      off.push_back(turns - first - static_cast<double>(i) / kTonePulses);
      mean += off.back() / static_cast<double>(course.edges.size());
    }
    for (const double one : off) rms += (one - mean) * (one - mean);
    CHECK(std::sqrt(rms / static_cast<double>(off.size())) < 0.005);
    const SoundEdge &a = course.edges.front(), &b = course.edges.back();
    const double turns = static_cast<double>(course.edges.size() - 1) / kTonePulses;
    const double truth = 19 + slope * (a.at + b.at) / 2 / 16000;
    CHECK(std::fabs(turns / (b.at - a.at) * 16000 / truth - 1) < 2e-4);
  }
}

TEST_CASE("where the sound does not tell the turn, the tone says so") {
  // Blades alone: seven at 19 turns a second sound as six at 22.2.
  const std::vector<double> blades = {0, 0, 0, 0, 0, 0, 0.9, 0, 0, 0, 0, 0, 0, 0.5};
  CHECK_FALSE(follow_tone(machine(19, 0, 6, 0.1, blades, 6), 16000, 20).why.empty());
  CHECK(has(follow_tone(machine(19, 0, 6, 1, {}, 7), 16000, 20).why, "no sound of a turning"));
  CHECK(has(follow_tone({}, 16000, 20).why, "no sound of a turning"));
}

TEST_CASE("a sound says at which pace it repeats, and no more") {
  const std::vector<double> levels = {0.2, 0.1, 0.3, 0.05, 0.2, 0.1, 0.9, 0.2, 0.1, 0.3};
  CHECK(pace_of_tone(machine(19, -1, 1.5, 0.1, levels, 8), 16000) ==
        doctest::Approx(19).epsilon(0.03));
  std::vector<double> blades(30, 0.0);
  for (std::size_t h = 2; h < 30; h += 3)
    blades[h] = 0.3;  // nothing once a turn, three times alike
  CHECK(pace_of_tone(machine(11, 0, 1.5, 0.05, blades, 9), 16000) ==
        doctest::Approx(33).epsilon(0.03));
  CHECK(pace_of_tone(machine(19, 0, 1, 1, {}, 10), 16000) == 0);
}

TEST_CASE("two tachometers on the two channels of one take") {
  const Scratch scratch;
  Chirp wheel, motor;
  wheel.length_s = motor.length_s = 8;
  wheel.start_hz = 80;
  wheel.slope = -4;
  motor.start_hz = 101.5;
  motor.slope = -5.5;
  wheel.noise = motor.noise = 0.02;
  const Sound left = wheel.samples(31), right = motor.samples(32);
  Sound both;
  for (std::size_t n = 0; n < left.size(); ++n) {
    both.push_back(left[n] * 0.8F);
    both.push_back(right[n] * 0.6F);
  }
  const std::string take =
      written(scratch, "both.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 44100, 2, both);
  for (const bool swapped : {false, true}) {
    CAPTURE(swapped);
    SoundPort port(take, SoundPort::Channel::kBoth);
    SoundOptions options;
    options.pulses = swapped ? 1 : 4;
    options.other_pulses = swapped ? 4 : 1;
    options.of_motor = swapped;
    options.channel = swapped ? SoundPort::Channel::kRight : SoundPort::Channel::kLeft;
    SoundReader reader(port, options);
    Haul haul;
    std::vector<std::uint8_t> bytes(8000);
    for (Port::Got got = port.read(bytes, {}); got.outcome == Port::Outcome::kBytes;
         got = port.read(bytes, {}))
      reader.take({bytes.data(), got.size}, {}, haul);
    reader.finish(haul);
    REQUIRE(reader.identity());
    CHECK(reader.identity()->channels == (kWireMotorTach | kWireHandwheelTach));
    CHECK(reader.identity()->motor_pulses_per_turn == 1);
    CHECK(reader.identity()->handwheel_pulses_per_turn == 4);
    std::int64_t tick = -1;
    double wheel_off = 0, motor_off = 0;
    for (const Sample& sample : haul.samples) {
      CHECK(sample.tick > tick);
      tick = sample.tick;
      const auto off = [&](const Chirp& chirp, std::optional<std::int64_t> count,
                           std::optional<std::int64_t> at) {
        if (!at || *at > sample.tick) return 0.0;
        const double turns = chirp.phase(static_cast<double>(*at) / reader.tick_hz());
        CHECK(std::fabs(turns - static_cast<double>(*count)) < 1.5);
        return std::fabs(turns - std::round(turns));
      };
      wheel_off =
          std::max(wheel_off, off(wheel, sample.handwheel_edges, sample.handwheel_edge_tick));
      motor_off = std::max(motor_off, off(motor, sample.motor_edges, sample.motor_edge_tick));
    }
    // The middle of a flank lies a twentieth of the period before its mark's.
    CHECK(wheel_off < 0.06);
    CHECK(motor_off < 0.06);
    const auto sound = reader.sound();
    REQUIRE(sound->other);
    const double wheel_edges = static_cast<double>(swapped ? sound->other->edges : sound->edges);
    const double motor_edges = static_cast<double>(swapped ? sound->edges : sound->other->edges);
    CHECK(std::fabs(wheel_edges - wheel.phase(8)) <= 2);
    CHECK(std::fabs(motor_edges - motor.phase(8)) <= 2);
    CHECK(sound->other_shaft == (swapped ? "hand wheel" : "motor"));
  }
  CHECK(has(refusal(written(scratch, "one", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 44100, 1, left),
                    SoundPort::Channel::kBoth),
            "one channel"));
}

TEST_CASE("the clock of a sound input against a better one's ticks") {
  const Scratch scratch;
  for (const double ppm : {-63.0, 0.0, 41.0}) {
    CAPTURE(ppm);
    // One tick a true second; the input counts 8000·(1 + ppm) samples in it.
    Sound x(8000UL * 150, 0.0F);
    std::mt19937 dice(17);
    std::normal_distribution<float> normal(0, 0.005F);
    for (float& value : x) value = normal(dice);
    for (int second = 1; second < 149; ++second) {
      const double at = second * 8000 * (1 + ppm * 1e-6);
      for (int n = 0; n < 60; ++n) {
        const double late = std::ceil(at) + n - at;
        x[static_cast<std::size_t>(std::ceil(at)) + static_cast<std::size_t>(n)] +=
            static_cast<float>(0.7 * (1 - std::exp(-late / 2)) * std::exp(-late / 12));
      }
    }
    SoundPort port(written(scratch, "ticks.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 8000, 1, x),
                   std::nullopt);
    const ClockCheck check = check_clock(port, 1);
    CHECK(check.ticks >= 140);
    CHECK(*check.fast.low < ppm + 0.3);
    CHECK(*check.fast.high > ppm - 0.3);
    CHECK(std::fabs(*check.fast.value - ppm) < 1);
    CHECK(*check.fast.high - *check.fast.low < 3);
  }
  SoundPort none(
      written(scratch, "none.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 8000, 1, Sound(80000, 0.1F)),
      std::nullopt);
  CHECK_THROWS_AS(check_clock(none, 1), Error);
}

TEST_CASE("the same sound as WAV, FLAC or Ogg, of any rate, alone or as one of two channels") {
  const Scratch scratch;
  for (const int rate : {8000, 44100, 192000}) {
    CAPTURE(rate);
    std::vector<float> tone, both;
    for (int n = 0; n < rate; ++n) {
      tone.push_back(static_cast<float>(0.5 * std::sin(2 * M_PI * 441.0 * n / rate)));
      both.push_back(0.1F);
      both.push_back(tone.back());
    }
    for (const int format : {SF_FORMAT_WAV | SF_FORMAT_PCM_16, SF_FORMAT_WAV | SF_FORMAT_PCM_24,
                             SF_FORMAT_WAV | SF_FORMAT_FLOAT, SF_FORMAT_FLAC | SF_FORMAT_PCM_16,
                             SF_FORMAT_OGG | SF_FORMAT_VORBIS}) {
      CAPTURE(format);
      const bool lossy = (format & SF_FORMAT_TYPEMASK) == SF_FORMAT_OGG;
      SoundPort port(written(scratch, "mono", format, rate, 1, tone), std::nullopt);
      CHECK(port.rate() == rate);
      const std::vector<float> back = read_all(port);
      REQUIRE(back.size() == tone.size());
      double worst = 0;
      for (std::size_t n = tone.size() / 4; n < 3 * tone.size() / 4; ++n)
        worst = std::max(worst, std::fabs(static_cast<double>(back[n]) - tone[n]));
      CHECK(worst < (lossy ? 0.1 : 1e-4));
      const std::string stereo = written(scratch, "stereo", format, rate, 2, both);
      CHECK(has(refusal(stereo), "--channel left"));
      SoundPort right(stereo, SoundPort::Channel::kRight);
      const std::vector<float> one = read_all(right);
      REQUIRE(one.size() == tone.size());
      CHECK(std::fabs(one[tone.size() / 2] - tone[tone.size() / 2]) < (lossy ? 0.1 : 1e-4));
    }
  }
}

TEST_CASE("what is no sound, or none that is read, ends in a sentence") {
  const Scratch scratch;
  CHECK(has(refusal(scratch.path("nothing.wav")), "is no sound that can be read"));
  CHECK(has(refusal(scratch.write("empty.wav", "")), "is no sound that can be read"));
  CHECK(has(refusal(scratch.write("text.wav", "time_s,motor_rpm\n0,0\n")), "is no sound"));
  const std::vector<float> sound(12000, 0.25F);
  const int wav = SF_FORMAT_WAV | SF_FORMAT_PCM_16;
  CHECK(has(refusal(written(scratch, "slow", wav, 4000, 1, sound)), "4000 samples a second"));
  CHECK(has(refusal(written(scratch, "fast", wav, 384000, 1, sound)), "384000 samples a second"));
  CHECK(has(refusal(written(scratch, "many", wav, 48000, 3, sound)), "3 channels"));
  CHECK(has(refusal(written(scratch, "none", wav, 48000, 1, {})), "not one sample"));
  // Cut off anywhere: what is there is read, or a sentence says why not.
  const std::string whole = loadline::testing::bytes_of(
      written(scratch, "whole", SF_FORMAT_FLAC | SF_FORMAT_PCM_16, 48000, 1, sound));
  for (std::size_t size = 1; size < whole.size(); size += 1 + whole.size() / 40) {
    const std::string path = scratch.write("cut", whole.substr(0, size));
    try {
      SoundPort port(path, std::nullopt);
      CHECK(read_all(port).size() <= sound.size());
    } catch (const Error& error) {
      CHECK(error.fault() == Fault::kInput);
    }
  }
}

TEST_CASE("a WAV through a pipe reads the same in pieces of any size") {
  const Scratch scratch;
  std::vector<float> sound;
  for (int n = 0; n < 3000; ++n) sound.push_back(static_cast<float>(std::sin(n * 0.01) * 0.7));
  for (const int format :
       {SF_FORMAT_PCM_U8, SF_FORMAT_PCM_16, SF_FORMAT_PCM_24, SF_FORMAT_PCM_32, SF_FORMAT_FLOAT}) {
    CAPTURE(format);
    const std::string bytes = loadline::testing::bytes_of(
        written(scratch, "pipe", SF_FORMAT_WAV | format, 44100, 1, sound));
    const auto* const begin = reinterpret_cast<const std::uint8_t*>(bytes.data());
    for (const std::size_t piece : {std::size_t{1}, std::size_t{7}, bytes.size()}) {
      WavStream stream;
      std::vector<float> back;
      for (std::size_t at = 0; at < bytes.size(); at += piece)
        stream.take({begin + at, std::min(piece, bytes.size() - at)}, back);
      CHECK(stream.rate() == 44100);
      REQUIRE(back.size() >= sound.size());
      double worst = 0;
      for (std::size_t n = 0; n < sound.size(); ++n)
        worst = std::max(worst, std::fabs(static_cast<double>(back[n]) - sound[n]));
      CHECK(worst < (format == SF_FORMAT_PCM_U8 ? 0.01 : 1e-4));
    }
  }
  // Bare samples need no header.
  const std::string whole = loadline::testing::bytes_of(written(
      scratch, "bare", SF_FORMAT_RAW | SF_FORMAT_PCM_16 | SF_ENDIAN_LITTLE, 44100, 1, sound));
  SoundPort bare(scratch.write("bare", whole), std::nullopt, 44100);
  CHECK(bare.rate() == 44100);
  const std::vector<float> back = bare.read_all(1e9);
  REQUIRE(back.size() == sound.size());
  CHECK(std::fabs(back[1234] - sound[1234]) < 1e-4);
  CHECK(has(refusal(scratch.write("slow", whole)), "is no sound"));
  WavStream stream;
  std::vector<float> none;
  const std::string text = "this is not the header of a sound";
  CHECK_THROWS_AS(
      stream.take({reinterpret_cast<const std::uint8_t*>(text.data()), text.size()}, none), Error);
}
