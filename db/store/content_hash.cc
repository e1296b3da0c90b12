#include "db/store/content_hash.h"

#include <fmt/format.h>
#include <openssl/crypto.h>
#include <openssl/evp.h>

#include <array>
#include <bit>
#include <cmath>
#include <cstring>
#include <new>
#include <stdexcept>
#include <utility>
#include <vector>

namespace loadline {

static_assert(std::endian::native == std::endian::little, "the digest is defined little-endian");

struct ContentHash::Digest {
  EVP_MD_CTX* context = nullptr;
  // Asked for a digest without this, libcrypto 3.0 reads through nothing when memory ran out while
  // it set itself up.
  Digest() {
    if (!OSSL_LIB_CTX_get0_global_default() || !(context = EVP_MD_CTX_new()))
      throw std::bad_alloc();
  }
  Digest(const Digest&) = delete;
  Digest& operator=(const Digest&) = delete;
  ~Digest() { EVP_MD_CTX_free(context); }
};

namespace {

void require(int done) {
  if (done != 1) throw std::runtime_error("SHA-256 is not available from the system's libcrypto");
}

constexpr std::size_t kWidestRow = 1 + 8 * 8;  // a steady reading is put as two

// Rows are gathered so that the digest is fed in large pieces.
class RowBytes {
 public:
  explicit RowBytes(EVP_MD_CTX* context) : context_(context) {}
  ~RowBytes() = default;

  void begin_row() {
    if (used_ + kWidestRow > bytes_.size()) flush();
    mask_at_ = used_++;
    bytes_[mask_at_] = 0;
    channel_ = 0;
  }
  template <typename T>
  void put(T value) {
    std::memcpy(bytes_.data() + used_, &value, sizeof value);
    used_ += sizeof value;
  }
  template <typename T>
  void channel(const std::optional<T>& value) {
    if (value) {
      bytes_[mask_at_] |= static_cast<unsigned char>(1U << channel_);
      put(*value);
    }
    ++channel_;
  }
  void channel(double value) {
    channel(std::isnan(value) ? std::nullopt : std::optional<double>(value));
  }
  void flush() {
    require(EVP_DigestUpdate(context_, bytes_.data(), used_));
    used_ = 0;
  }

 private:
  EVP_MD_CTX* context_;
  std::array<unsigned char, 16384> bytes_;
  std::size_t used_ = 0, mask_at_ = 0;
  unsigned channel_ = 0;
};

}  // namespace

ContentHash::ContentHash() : digest_(std::make_unique<Digest>()) {
  require(EVP_DigestInit_ex(digest_->context, EVP_sha256(), nullptr));
}

ContentHash::ContentHash(const ContentHash& other) : digest_(std::make_unique<Digest>()) {
  require(EVP_MD_CTX_copy_ex(digest_->context, other.digest_->context));
}

ContentHash::ContentHash(ContentHash&&) noexcept = default;
ContentHash::~ContentHash() = default;

ContentHash& ContentHash::operator=(ContentHash other) noexcept {
  std::swap(digest_, other.digest_);
  return *this;
}

void ContentHash::add(std::span<const Sample> samples) {
  RowBytes bytes(digest_->context);
  for (const Sample& sample : samples) {
    bytes.begin_row();
    bytes.put(sample.tick);
    bytes.channel(sample.torque_counts);
    bytes.channel(sample.motor_edges);
    bytes.channel(sample.motor_edge_tick);
    bytes.channel(sample.handwheel_edges);
    bytes.channel(sample.handwheel_edge_tick);
    bytes.channel(sample.supply_counts);
    bytes.channel(sample.temperature_counts);
  }
  bytes.flush();
}

void ContentHash::add(std::span<const ImportedReading> readings, bool steady) {
  RowBytes bytes(digest_->context);
  for (const ImportedReading& reading : readings) {
    bytes.begin_row();
    bytes.put(reading.time_s);
    bytes.channel(reading.motor_rpm);
    bytes.channel(reading.handwheel_rpm);
    bytes.channel(reading.torque_nm);
    bytes.channel(reading.supply_v);
    bytes.channel(reading.temperature_c);
    if (!steady) continue;
    bytes.begin_row();
    bytes.channel(reading.motor_rpm_sd);
    bytes.channel(reading.handwheel_rpm_sd);
    bytes.channel(reading.torque_nm_sd);
    bytes.channel(reading.supply_v_sd);
  }
  bytes.flush();
}

std::string ContentHash::hex() const {
  const ContentHash copy(*this);
  std::array<unsigned char, EVP_MAX_MD_SIZE> digest{};
  unsigned length = 0;
  require(EVP_DigestFinal_ex(copy.digest_->context, digest.data(), &length));
  std::string out;
  for (unsigned i = 0; i < length; ++i) out += fmt::format("{:02x}", digest[i]);
  return out;
}

}  // namespace loadline
