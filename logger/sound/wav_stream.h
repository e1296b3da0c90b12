// A WAV that comes through a pipe, as recording programs write it: header first, then samples until
// the pipe ends. Lengths in the header mean nothing there, for nobody knew them beforehand. Or bare
// samples without a header, of which someone must say how many come in a second.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

namespace loadline {

/// Bytes in, frames out. Error(kInput) for what is no WAV of whole numbers or floats.
class WavStream {
 public:
  WavStream() = default;
  /// No header: whole numbers of 16 bits, the lowest byte first, `rate` of each channel a second.
  WavStream(int rate, int channels) : begun_(true), rate_(rate), channels_(channels), bytes_(2) {}
  /// Appends to `frames` the samples that became whole, channel after channel, full scale 1.
  void take(std::span<const std::uint8_t> bytes, std::vector<float>& frames);
  /// True once rate() and channels() are known.
  bool begun() const { return begun_; }
  int rate() const { return rate_; }
  int channels() const { return channels_; }

 private:
  bool read_header();
  void read_format(std::size_t at, std::size_t size);
  void convert(std::vector<float>& frames);
  std::vector<std::uint8_t> waiting_;
  bool begun_ = false, floats_ = false;
  int rate_ = 0, channels_ = 0, bytes_ = 0;
};

}  // namespace loadline
