#include "logger/sound/sound_port.h"

#include <fmt/format.h>
#include <openssl/evp.h>
#include <sys/stat.h>

#include <algorithm>
#include <cmath>
#include <cstring>
#include <fstream>

#include "db/basis/error.h"
#include "logger/sound/sound_library.h"
#include "logger/sound/wav_stream.h"

namespace loadline {

/// The hash of bytes as they come.
class Sha256 {
 public:
  Sha256() : context_(EVP_MD_CTX_new()) {
    require(context_ && EVP_DigestInit_ex(context_, EVP_sha256(), nullptr) == 1);
  }
  Sha256(const Sha256&) = delete;
  Sha256& operator=(const Sha256&) = delete;
  ~Sha256() { EVP_MD_CTX_free(context_); }
  void add(const void* bytes, std::size_t size) {
    require(EVP_DigestUpdate(context_, bytes, size) == 1);
  }
  std::string hexadecimal() const {
    const std::unique_ptr<EVP_MD_CTX, void (*)(EVP_MD_CTX*)> copy(EVP_MD_CTX_new(),
                                                                  EVP_MD_CTX_free);
    unsigned char digest[EVP_MAX_MD_SIZE];
    unsigned int size = 0;
    require(copy && EVP_MD_CTX_copy_ex(copy.get(), context_) == 1 &&
            EVP_DigestFinal_ex(copy.get(), digest, &size) == 1);
    std::string text;
    for (unsigned int i = 0; i < size; ++i) text += fmt::format("{:02x}", digest[i]);
    return text;
  }

 private:
  static void require(bool done) {
    if (!done) throw Error(Fault::kRig, "SHA-256 failed; libcrypto is not usable here.");
  }
  EVP_MD_CTX* context_;
};

namespace {

constexpr int kLowestRate = 8000, kHighestRate = 192000;
constexpr float kHighest = 8;  // of full scale; files of floats may hold anything

struct CloseSound {
  void operator()(SNDFILE* file) const { sound_library().close(file); }
};

bool comes_through_a_pipe(const std::string& path) {
  struct stat status = {};
  if (path == "-") return ::fstat(0, &status) == 0 && !S_ISREG(status.st_mode);
  return ::stat(path.c_str(), &status) == 0 && !S_ISREG(status.st_mode) && !S_ISDIR(status.st_mode);
}

std::string file_behind(const std::string& path) { return path == "-" ? "/dev/stdin" : path; }

void hash_file(const std::string& path, Sha256& hash) {
  std::ifstream file(path, std::ios::binary);
  std::vector<char> block(1 << 20);
  while (file.read(block.data(), static_cast<std::streamsize>(block.size())) || file.gcount() > 0)
    hash.add(block.data(), static_cast<std::size_t>(file.gcount()));
}

}  // namespace

struct SoundPort::File {
  std::unique_ptr<SNDFILE, CloseSound> sound;
};

SoundPort::SoundPort(const std::string& path, std::optional<Channel> channel,
                     std::optional<int> raw_hz)
    : path_(path), wanted_(channel), hash_(std::make_unique<Sha256>()) {
  if (raw_hz || comes_through_a_pipe(path)) {
    pipe_ = open_stream(path);
    wav_ = std::make_unique<WavStream>();
    if (!raw_hz) return;
    wav_ = std::make_unique<WavStream>(*raw_hz, channel ? 2 : 1);
    settle_format(wav_->rate(), wav_->channels());
    return;
  }
  SF_INFO info = {};
  file_ = std::make_unique<File>();
  file_->sound.reset(sound_library().open(file_behind(path).c_str(), SFM_READ, &info));
  if (!file_->sound) {
    std::string why = sound_library().strerror(nullptr);
    while (!why.empty() && (why.back() == '.' || why.back() == '\n')) why.pop_back();
    throw Error(Fault::kInput,
                fmt::format("'{}' is no sound that can be read ({}); give a WAV, FLAC or Ogg file, "
                            "or leave --pulses out for a rig.",
                            path, why));
  }
  if (info.frames == 0)
    throw Error(Fault::kInput,
                fmt::format("'{}' holds no sound: not one sample; record it again.", path));
  settle_format(info.samplerate, info.channels);
  hash_file(file_behind(path), *hash_);
}

SoundPort::~SoundPort() = default;

void SoundPort::settle_format(int rate, int channels) {
  if (rate < kLowestRate || rate > kHighestRate)
    throw Error(Fault::kInput,
                fmt::format("'{}' has {} samples a second; takes of {} to {} are read.", path_,
                            rate, kLowestRate, kHighestRate));
  if (channels > 2)
    throw Error(Fault::kInput,
                fmt::format("'{}' has {} channels; one or two are read.", path_, channels));
  if (channels == 2 && !wanted_)
    throw Error(Fault::kInput,
                fmt::format("'{}' has two channels; say on which the sensor is: --channel left or "
                            "--channel right.",
                            path_));
  if (channels == 1 && wanted_ == Channel::kBoth)
    throw Error(
        Fault::kInput,
        fmt::format("'{}' has one channel; a second sensor (--other-pulses) needs two.", path_));
  channels_ = channels;
  rate_.store(rate);
}

void SoundPort::wake() {
  if (pipe_) pipe_->wake();
}

std::string SoundPort::content_hash() const { return hash_->hexadecimal(); }

// Floats of each frame that are given on.
std::size_t SoundPort::handed_out() const { return wanted_ == Channel::kBoth ? 2 : 1; }

std::size_t SoundPort::hand_out(std::span<const float> frames, std::span<std::uint8_t> into) const {
  const bool right = channels_ == 2 && wanted_ == Channel::kRight;
  const std::size_t stride = static_cast<std::size_t>(channels_) / handed_out();
  std::size_t size = 0;
  for (std::size_t i = right ? 1 : 0; i < frames.size(); i += stride) {
    const float value = std::isfinite(frames[i]) ? std::clamp(frames[i], -kHighest, kHighest) : 0;
    std::memcpy(into.data() + size, &value, sizeof value);
    size += sizeof value;
  }
  return size;
}

Port::Got SoundPort::read(std::span<std::uint8_t> into, std::chrono::milliseconds patience) {
  return pipe_ ? read_pipe(into, patience) : read_file(into);
}

Port::Got SoundPort::read_file(std::span<std::uint8_t> into) {
  const auto channels = static_cast<std::size_t>(channels_);
  frames_.resize(into.size() / sizeof(float) / handed_out() * channels);
  const sf_count_t got = sound_library().readf_float(
      file_->sound.get(), frames_.data(), static_cast<sf_count_t>(frames_.size() / channels));
  if (got <= 0) return {Outcome::kEnd};
  return {Outcome::kBytes,
          hand_out({frames_.data(), static_cast<std::size_t>(got) * channels}, into)};
}

Port::Got SoundPort::read_pipe(std::span<std::uint8_t> into, std::chrono::milliseconds patience) {
  bytes_.resize(into.size() / sizeof(float));  // a byte becomes one float at most
  const Got got = pipe_->read(bytes_, patience);
  if (got.outcome != Outcome::kBytes) return got;
  hash_->add(bytes_.data(), got.size);
  frames_.clear();
  wav_->take({bytes_.data(), got.size}, frames_);
  if (wav_->begun() && rate_.load() == 0) settle_format(wav_->rate(), wav_->channels());
  if (frames_.empty()) return {Outcome::kQuiet};
  return {Outcome::kBytes, hand_out(frames_, into)};
}

std::vector<float> SoundPort::read_all(double most_s) {
  std::vector<float> all;
  std::vector<std::uint8_t> bytes(1 << 16);
  while (rate() == 0 || static_cast<double>(all.size()) < most_s * rate()) {
    const Got got = read(bytes, std::chrono::milliseconds(200));
    if (got.outcome == Outcome::kQuiet) continue;
    if (got.outcome != Outcome::kBytes) break;
    const std::size_t before = all.size();
    all.resize(before + got.size / sizeof(float));
    std::memcpy(all.data() + before, bytes.data(), got.size);
  }
  return all;
}

}  // namespace loadline
