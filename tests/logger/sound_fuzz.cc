// Any bytes as sound: as a WAV or bare samples through a pipe, as a file with one sensor or two,
// and as samples; edges rise in time, counts stay counts, and what is refused is refused by a
// sentence.
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstdlib>
#include <fstream>
#include <string>

#include "db/basis/error.h"
#include "logger/sound/sound_reader.h"
#include "logger/sound/wav_stream.h"

namespace {

using namespace loadline;

void require(bool holds) {
  if (!holds) std::abort();
}

void as_pipe(std::span<const std::uint8_t> bytes, bool bare) {
  WavStream stream = bare ? WavStream(8000, 2) : WavStream();
  std::vector<float> frames;
  const std::size_t piece = 1 + bytes.size() / 3;
  for (std::size_t at = 0; at < bytes.size(); at += piece)
    stream.take(bytes.subspan(at, std::min(piece, bytes.size() - at)), frames);
  require(frames.size() <= bytes.size());
}

void as_file(std::span<const std::uint8_t> bytes, bool two) {
  static const std::string path = "/tmp/loadline-sound-fuzz-" + std::to_string(::getpid());
  std::ofstream(path, std::ios::binary)
      .write(reinterpret_cast<const char*>(bytes.data()),
             static_cast<std::streamsize>(bytes.size()));
  struct Removed {
    ~Removed() { ::unlink(path.c_str()); }
  } removed;
  SoundPort port(path, two ? SoundPort::Channel::kBoth : SoundPort::Channel::kRight);
  SoundOptions options;
  options.pulses = 4;
  if (two) options.other_pulses = 1;
  SoundReader reader(port, options);
  std::vector<std::uint8_t> block(1 << 14);
  Haul haul;
  for (int blocks = 0; blocks < 40; ++blocks) {
    const Port::Got got = port.read(block, std::chrono::milliseconds(0));
    if (got.outcome != Port::Outcome::kBytes) break;
    require(got.size <= block.size() && got.size % sizeof(float) == 0);
    reader.take({block.data(), got.size}, std::chrono::nanoseconds(0), haul);
  }
  reader.finish(haul);
  std::int64_t tick = -1;
  for (const Sample& sample : haul.samples) {
    require(sample.tick > tick && sample.handwheel_edges.value() >= 0);
    require(!two || sample.motor_edges.value() >= 0);
    tick = sample.tick;
  }
}

// Each byte is a level that stands for a while, with whole pulses where it is odd.
void as_samples(std::span<const std::uint8_t> bytes) {
  constexpr double kRate = 8000;
  PulseFinder finder(kRate, 10);
  std::vector<SoundEdge> edges;
  std::vector<float> samples;
  for (const std::uint8_t byte : bytes.first(std::min<std::size_t>(bytes.size(), 600)))
    for (int n = 0; n < 40 + byte / 2; ++n)
      samples.push_back(byte % 2 == 1 && n < 5 ? 0.8F : static_cast<float>(byte) * 1e-4F);
  finder.take(samples, edges);
  finder.finish(edges);
  double at = -1;
  for (const SoundEdge& edge : edges) {
    require(edge.at > at && edge.at < static_cast<double>(samples.size()) && edge.step >= 0 &&
            edge.sd > 0 && std::isfinite(edge.sd));
    at = edge.at;
  }
  require(finder.counts().edges == edges.size());
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 1) return 0;
  const std::span bytes(data + 1, size - 1);
  try {
    const bool other_way = data[0] >= 128;
    if (data[0] % 3 == 0) as_pipe(bytes, other_way);
    if (data[0] % 3 == 1) as_file(bytes, other_way);
    if (data[0] % 3 == 2) as_samples(bytes);
  } catch (const Error& error) {
    require(error.what()[0] != '\0');
  }
  return 0;
}
