// The sound input: edges against closed forms, files of every kind, and what is no sound.
#include <doctest/doctest.h>
#include <sndfile.h>

#include <cmath>
#include <random>
#include <string>
#include <vector>

#include "db/basis/error.h"
#include "logger/sound/pulse_finder.h"
#include "logger/sound/sound_port.h"
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
  WavStream stream;
  std::vector<float> none;
  const std::string text = "this is not the header of a sound";
  CHECK_THROWS_AS(
      stream.take({reinterpret_cast<const std::uint8_t*>(text.data()), text.size()}, none), Error);
}
