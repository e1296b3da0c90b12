// A port behind which lies sound: a file (WAV, FLAC, Ogg …), a WAV that comes through a pipe, or
// bare samples. Its bytes are the samples of one channel as floats of this machine, full scale 1;
// or of both channels, left and right in turn.
//
// Threads and errors as in port.h, and Error(kInput) for a file that is no sound of 8,000 to
// 192,000 samples a second and one or two channels.
#pragma once

#include <atomic>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "logger/line/port.h"

namespace loadline {

class Sha256;
class WavStream;

class SoundPort : public Port {
 public:
  enum class Channel { kLeft, kRight, kBoth };

  /// Without `channel` the take must have one only. A file is read through once beforehand for its
  /// hash. `raw_hz`: bare samples (wav_stream.h), of two channels where `channel` is given.
  SoundPort(const std::string& path, std::optional<Channel> channel,
            std::optional<int> raw_hz = std::nullopt);
  ~SoundPort() override;

  Got read(std::span<std::uint8_t> into, std::chrono::milliseconds patience) override;
  void write(std::span<const std::uint8_t> /*bytes*/) override {}
  bool two_way() const override { return false; }
  bool live() const override { return false; }
  bool reopen() override { return false; }
  void wake() override;
  const std::string& path() const override { return path_; }

  /// True for a pipe, where samples come as they are taken, and for bare samples.
  bool streams() const { return pipe_ != nullptr; }
  /// Samples a second; 0 while a pipe has not said.
  int rate() const { return rate_.load(); }
  /// Samples until the end, or until there are enough for `most_s`.
  std::vector<float> read_all(double most_s);
  /// SHA-256 of the file, or of all bytes that came through the pipe so far; hexadecimal.
  std::string content_hash() const;

 private:
  struct File;
  Got read_file(std::span<std::uint8_t> into);
  Got read_pipe(std::span<std::uint8_t> into, std::chrono::milliseconds patience);
  void settle_format(int rate, int channels);
  std::size_t handed_out() const;
  std::size_t hand_out(std::span<const float> frames, std::span<std::uint8_t> into) const;

  std::string path_;
  std::optional<Channel> wanted_;
  int channels_ = 0;
  std::atomic<int> rate_{0};
  std::unique_ptr<File> file_;
  std::unique_ptr<Port> pipe_;
  std::unique_ptr<WavStream> wav_;
  std::unique_ptr<Sha256> hash_;
  std::vector<float> frames_;
  std::vector<std::uint8_t> bytes_;
};

}  // namespace loadline
