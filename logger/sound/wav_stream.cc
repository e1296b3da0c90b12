#include "logger/sound/wav_stream.h"

#include <bit>
#include <cstring>

#include "db/basis/error.h"

namespace loadline {
namespace {

// Layout of WAVE files: "Multimedia Programming Interface and Data Specifications 1.0" (1991), from
// memory; all numbers with the lowest byte first.
constexpr std::size_t kRiffHeader = 12, kChunkHeader = 8, kFormatSize = 16;
constexpr std::size_t kMostHeader = 1 << 16;  // no recorder writes this much before its samples
constexpr int kWholeNumbers = 1, kFloats = 3, kExtensible = 0xFFFE;

std::uint32_t number(const std::uint8_t* at, int bytes) {
  std::uint32_t value = 0;
  for (int i = bytes - 1; i >= 0; --i) value = value << 8 | at[i];
  return value;
}

[[noreturn]] void refuse(const char* why) {
  throw Error(Fault::kInput,
              std::string("what comes through the pipe is ") + why +
                  "; let the recording program write a WAV of 16 bits (such as -t wav -f S16_LE), "
                  "or say with --raw-hz N that it is bare samples.");
}

float value_of(const std::uint8_t* at, int bytes, bool floats) {
  if (floats) return std::bit_cast<float>(number(at, 4));
  if (bytes == 1) return (static_cast<float>(*at) - 128) / 128;
  // Shifted to the top of 32 bits, which gives the sign.
  const auto top = static_cast<std::int32_t>(number(at, bytes) << (32 - 8 * bytes));
  return static_cast<float>(top) / 2147483648.0F;
}

}  // namespace

void WavStream::read_format(std::size_t at, std::size_t size) {
  if (size < kFormatSize) refuse("a WAV whose description is cut off");
  const std::uint8_t* const format = waiting_.data() + at;
  auto kind = static_cast<int>(number(format, 2));
  if (kind == kExtensible && size >= 26) kind = static_cast<int>(number(format + 24, 2));
  channels_ = static_cast<int>(number(format + 2, 2));
  rate_ = static_cast<int>(number(format + 4, 4) & 0x7FFFFFFF);
  bytes_ = static_cast<int>(number(format + 14, 2)) / 8;
  floats_ = kind == kFloats;
  if ((kind != kWholeNumbers && kind != kFloats) || bytes_ < 1 || bytes_ > 4 || channels_ < 1 ||
      (floats_ && bytes_ != 4))
    refuse("a WAV of a kind that is not read here");
}

// True when the samples begin at the front of what is waiting.
bool WavStream::read_header() {
  if (waiting_.size() < kRiffHeader) return false;
  if (std::memcmp(waiting_.data(), "RIFF", 4) != 0 ||
      std::memcmp(waiting_.data() + 8, "WAVE", 4) != 0)
    refuse("no WAV");
  std::size_t at = kRiffHeader;
  while (waiting_.size() >= at + kChunkHeader) {
    const std::size_t size = number(waiting_.data() + at + 4, 4);
    if (std::memcmp(waiting_.data() + at, "data", 4) == 0) {
      if (rate_ == 0) refuse("a WAV without a description of its samples");
      waiting_.erase(waiting_.begin(),
                     waiting_.begin() + static_cast<std::ptrdiff_t>(at + kChunkHeader));
      return true;
    }
    if (size > kMostHeader) refuse("a WAV with a damaged header");
    if (waiting_.size() < at + kChunkHeader + size) return false;
    if (std::memcmp(waiting_.data() + at, "fmt ", 4) == 0) read_format(at + kChunkHeader, size);
    at += kChunkHeader + size + size % 2;
    if (at > kMostHeader) refuse("a WAV with a damaged header");
  }
  return false;
}

void WavStream::convert(std::vector<float>& frames) {
  const auto width = static_cast<std::size_t>(bytes_);
  const std::size_t frame = width * static_cast<std::size_t>(channels_);
  const std::size_t whole = waiting_.size() / frame * frame;
  frames.reserve(frames.size() + whole / width);
  for (std::size_t at = 0; at < whole; at += width)
    frames.push_back(value_of(waiting_.data() + at, bytes_, floats_));
  waiting_.erase(waiting_.begin(), waiting_.begin() + static_cast<std::ptrdiff_t>(whole));
}

void WavStream::take(std::span<const std::uint8_t> bytes, std::vector<float>& frames) {
  waiting_.insert(waiting_.end(), bytes.begin(), bytes.end());
  if (!begun_) begun_ = read_header();
  if (begun_) convert(frames);
}

}  // namespace loadline
