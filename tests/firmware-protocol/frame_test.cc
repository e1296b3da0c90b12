// The codec against the published values, and against everything that a line does to bytes.
#include "firmware-protocol/frame.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cstring>
#include <random>
#include <string>
#include <vector>

namespace {

using Bytes = std::vector<std::uint8_t>;

Bytes sequence(int first, int last) {
  Bytes bytes;
  for (int b = first; b <= last; ++b) bytes.push_back(static_cast<std::uint8_t>(b));
  return bytes;
}

Bytes operator+(Bytes a, const Bytes& b) {
  a.insert(a.end(), b.begin(), b.end());
  return a;
}

Bytes stuffed(const Bytes& in) {
  Bytes out(in.size() + in.size() / 254 + 2);
  out.resize(wire_cobs_encode(in.data(), in.size(), out.data(), out.size()));
  return out;
}

bool unstuffed(const Bytes& in, Bytes& out) {
  out.assign(in.size() + 1, 0);
  std::size_t size = 0;
  const bool sound = wire_cobs_decode(in.data(), in.size(), out.data(), out.size(), &size);
  out.resize(sound ? size : 0);
  return sound;
}

Bytes frame(std::uint8_t type, std::uint8_t number, const Bytes& payload) {
  Bytes out(kWireMaxFrame);
  out.resize(wire_frame_encode(type, number, payload.data(),
                               static_cast<std::uint8_t>(payload.size()), out.data(), out.size()));
  return out;
}

struct Caught {
  std::uint8_t type, sequence;
  Bytes payload;
  bool operator==(const Caught&) const = default;
};

std::vector<Caught> decode(WireDecoder& decoder, const Bytes& line) {
  std::vector<Caught> caught;
  WireFrame f{};
  for (const std::uint8_t byte : line)
    if (wire_decoder_take(&decoder, byte, &f))
      caught.push_back({f.type, f.sequence, Bytes(f.payload, f.payload + f.payload_size)});
  return caught;
}

std::vector<Caught> decode_in_blocks(WireDecoder& decoder, const Bytes& line, std::size_t block) {
  std::vector<Caught> caught;
  WireFrame f{};
  for (std::size_t at = 0; at < line.size();) {
    std::size_t used = 0;
    const std::size_t size = std::min(block, line.size() - at);
    if (wire_decoder_take_block(&decoder, line.data() + at, size, &used, &f))
      caught.push_back({f.type, f.sequence, Bytes(f.payload, f.payload + f.payload_size)});
    at += used;
  }
  return caught;
}

Bytes random_bytes(std::mt19937& dice, std::size_t size, bool many_zeros = false) {
  Bytes bytes(size);
  for (auto& b : bytes)
    b = many_zeros && dice() % 3 == 0 ? std::uint8_t{0} : static_cast<std::uint8_t>(dice());
  return bytes;
}

}  // namespace

// Catalogue of parametrised CRC algorithms, CRC-16/IBM-3740: check 0x29B1 for "123456789".
TEST_CASE("the checksum has the catalogue's check value") {
  const std::string digits = "123456789";
  const auto* bytes = reinterpret_cast<const std::uint8_t*>(digits.data());
  CHECK(wire_crc(kWireCrcStart, bytes, digits.size()) == 0x29B1);
  CHECK(wire_crc(wire_crc(kWireCrcStart, bytes, 4), bytes + 4, 5) == 0x29B1);
  CHECK(wire_crc(kWireCrcStart, bytes, 0) == 0xFFFF);
}

// The same polynomial by long division, bit by bit, as the definition has it.
TEST_CASE("the checksum equals division bit by bit") {
  std::mt19937 dice(1);
  for (int trial = 0; trial < 200; ++trial) {
    const Bytes bytes = random_bytes(dice, dice() % 150);
    std::uint32_t rest = 0xFFFF;
    for (const std::uint8_t byte : bytes) {
      for (int bit = 7; bit >= 0; --bit) {
        const std::uint32_t in = ((rest >> 15) ^ (byte >> bit)) & 1u;
        rest = ((rest << 1) & 0xFFFF) ^ (in ? 0x1021u : 0u);
      }
    }
    REQUIRE(wire_crc(kWireCrcStart, bytes.data(), bytes.size()) == rest);
  }
}

// Cheshire and Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7
// (1999), and the examples that documentations of COBS packages commonly print.
TEST_CASE("byte stuffing gives the published examples") {
  const std::vector<std::pair<Bytes, Bytes>> examples = {
      {{}, {0x01}},
      {{0x00}, {0x01, 0x01}},
      {{0x00, 0x00}, {0x01, 0x01, 0x01}},
      {{0x00, 0x11, 0x00}, {0x01, 0x02, 0x11, 0x01}},
      {{0x11, 0x22, 0x00, 0x33}, {0x03, 0x11, 0x22, 0x02, 0x33}},
      {{0x11, 0x22, 0x33, 0x44}, {0x05, 0x11, 0x22, 0x33, 0x44}},
      {{0x11, 0x00, 0x00, 0x00}, {0x02, 0x11, 0x01, 0x01, 0x01}},
      {{0x11, 0x00, 0x22, 0x00}, {0x02, 0x11, 0x02, 0x22, 0x01}},
      {sequence(1, 254), Bytes{0xFF} + sequence(1, 254)},
      {Bytes{0} + sequence(1, 254), Bytes{0x01, 0xFF} + sequence(1, 254)},
      {sequence(1, 255), Bytes{0xFF} + sequence(1, 254) + Bytes{0x02, 0xFF}},
      {sequence(2, 255) + Bytes{0}, Bytes{0xFF} + sequence(2, 255) + Bytes{0x01, 0x01}},
      {sequence(3, 255) + Bytes{0, 1}, Bytes{0xFE} + sequence(3, 255) + Bytes{0x02, 0x01}},
  };
  for (const auto& [plain, line] : examples) {
    CHECK(stuffed(plain) == line);
    Bytes back;
    REQUIRE(unstuffed(line, back));
    CHECK(back == plain);
  }
}

TEST_CASE("a superfluous end after a full block is accepted") {
  Bytes back;
  REQUIRE(unstuffed(Bytes{0xFF} + sequence(1, 254) + Bytes{0x01}, back));
  CHECK(back == sequence(1, 254));
}

TEST_CASE("byte stuffing survives random contents and lengths") {
  std::mt19937 dice(2);
  for (int trial = 0; trial < 3000; ++trial) {
    const Bytes plain = random_bytes(dice, dice() % 800, trial % 2 == 0);
    const Bytes line = stuffed(plain);
    REQUIRE(line.size() <= plain.size() + plain.size() / 254 + 1);
    REQUIRE(std::count(line.begin(), line.end(), 0) == 0);
    Bytes back;
    REQUIRE(unstuffed(line, back));
    REQUIRE(back == plain);
  }
}

TEST_CASE("stuffing refuses an output that is too small, at every size") {
  const Bytes plain = {1, 0, 2, 0, 0, 3};
  const Bytes line = stuffed(plain);
  for (std::size_t capacity = 0; capacity < line.size(); ++capacity) {
    Bytes out(line.size() + 4, 0xEE);
    CHECK(wire_cobs_encode(plain.data(), plain.size(), out.data(), capacity) == 0);
    for (std::size_t i = capacity; i < out.size(); ++i) CHECK(out[i] == 0xEE);
  }
  for (std::size_t capacity = 0; capacity < plain.size(); ++capacity) {
    Bytes out(16, 0xEE);
    std::size_t size = 0;
    CHECK_FALSE(wire_cobs_decode(line.data(), line.size(), out.data(), capacity, &size));
    for (std::size_t i = capacity; i < out.size(); ++i) CHECK(out[i] == 0xEE);
  }
}

// The two examples of wire.md, byte by byte.
TEST_CASE("the frames of the specification") {
  CHECK(frame(0x01, 0, {}) == Bytes{0x03, 0x01, 0x01, 0x03, 0x9D, 0xC8, 0x00});
  const Bytes payload = {0x02, 0x01, 0x00, 0x00, 0x40, 0x42, 0x0F, 0x00, 0x03, 0x2E, 0xFB,
                         0xFF, 0xFF, 0x4D, 0x00, 0x00, 0x00, 0x4C, 0x40, 0x0F, 0x00};
  CHECK(frame(0x83, 9, payload) == Bytes{0x06, 0x01, 0x83, 0x09, 0x02, 0x01, 0x01, 0x04, 0x40, 0x42,
                                         0x0F, 0x07, 0x03, 0x2E, 0xFB, 0xFF, 0xFF, 0x4D, 0x01, 0x01,
                                         0x04, 0x4C, 0x40, 0x0F, 0x03, 0xF8, 0x86, 0x00});
}

TEST_CASE("frames of every length come back, byte by byte and in blocks") {
  std::mt19937 dice(3);
  Bytes line;
  std::vector<Caught> sent;
  for (int size = 0; size <= kWireMaxPayload; ++size) {
    const Caught c{static_cast<std::uint8_t>(dice()), static_cast<std::uint8_t>(size),
                   random_bytes(dice, static_cast<std::size_t>(size), size % 2 == 0)};
    sent.push_back(c);
    line = line + frame(c.type, c.sequence, c.payload);
  }
  WireDecoder decoder;
  wire_decoder_start(&decoder);
  CHECK(decode(decoder, line) == sent);
  CHECK(decoder.counters.frames == sent.size());
  CHECK(decoder.counters.bytes == line.size());
  CHECK(wire_dropped(&decoder.counters) == 0);
  CHECK(decoder.counters.missing == 0);
  for (const std::size_t block : {1u, 2u, 7u, 64u, 4096u}) {
    wire_decoder_start(&decoder);
    CHECK(decode_in_blocks(decoder, line, block) == sent);
    CHECK(decoder.counters.bytes == line.size());
  }
}

TEST_CASE("a payload that is too long or an output that is too small makes no frame") {
  Bytes payload(kWireMaxPayload + 1, 7), out(300, 0xEE);
  CHECK(wire_frame_encode(1, 0, payload.data(), kWireMaxPayload + 1, out.data(), out.size()) == 0);
  const std::size_t needed = wire_frame_encode(1, 0, payload.data(), 10, out.data(), out.size());
  REQUIRE(needed == 17);
  for (std::size_t capacity = 0; capacity < needed; ++capacity) {
    std::fill(out.begin(), out.end(), std::uint8_t{0xEE});
    CHECK(wire_frame_encode(1, 0, payload.data(), 10, out.data(), capacity) == 0);
    for (std::size_t i = capacity; i < out.size(); ++i) CHECK(out[i] == 0xEE);
  }
}

TEST_CASE("a frame cut short at any byte costs itself only") {
  const Bytes whole = frame(0x83, 1, sequence(0, 40));
  const Bytes next = frame(0x83, 2, {5, 6});
  for (std::size_t kept = 0; kept < whole.size(); ++kept) {
    WireDecoder decoder;
    wire_decoder_start(&decoder);
    // Cut, then the delimiter that a sender puts to clear the line, then the next frame.
    const Bytes line = Bytes(whole.begin(), whole.begin() + static_cast<long>(kept)) + Bytes{0};
    const auto caught = decode(decoder, line + next);
    const bool complete = kept == whole.size() - 1;
    CHECK(caught.size() == (complete ? 2 : 1));
    CHECK(caught.back() == Caught{0x83, 2, {5, 6}});
    CHECK(wire_dropped(&decoder.counters) == (kept == 0 || complete ? 0 : 1));
  }
}

TEST_CASE("without a delimiter between them the cut frame takes one neighbour along, no more") {
  const Bytes whole = frame(0x83, 1, sequence(0, 40));
  const Bytes line = frame(0x83, 2, {5, 6}) + frame(0x83, 3, {7});
  for (std::size_t kept = 1; kept + 1 < whole.size(); ++kept) {
    WireDecoder decoder;
    wire_decoder_start(&decoder);
    const auto caught =
        decode(decoder, Bytes(whole.begin(), whole.begin() + static_cast<long>(kept)) + line);
    REQUIRE(caught.size() == 1);
    CHECK(caught[0].sequence == 3);
    CHECK(wire_dropped(&decoder.counters) == 1);
  }
}

TEST_CASE("every cause of a drop has its counter") {
  WireDecoder decoder;
  wire_decoder_start(&decoder);
  CHECK(decode(decoder, {0x05, 0x01, 0x00}).empty());  // block runs past the end
  CHECK(decoder.counters.bad_cobs == 1);
  CHECK(decode(decoder, {0x03, 0x01, 0x02, 0x00}).empty());  // two bytes only
  CHECK(decoder.counters.too_short == 1);
  Bytes damaged = frame(0x83, 0, {1, 2, 3, 4});
  damaged[5] ^= 0x10;
  CHECK(decode(decoder, damaged).empty());
  CHECK(decoder.counters.bad_crc == 1);
  CHECK(decode(decoder, Bytes(kWireMaxFrame, 0x55) + Bytes{0}).empty());
  CHECK(decoder.counters.too_long == 1);
  CHECK(decode(decoder, Bytes(100000, 0x55) + Bytes{0}).empty());
  CHECK(decoder.counters.too_long == 2);
  Bytes body = {9, 0x83, 0};  // version 9, sound otherwise
  const std::uint16_t crc = wire_crc(kWireCrcStart, body.data(), body.size());
  body = body + Bytes{static_cast<std::uint8_t>(crc & 0xFF), static_cast<std::uint8_t>(crc >> 8)};
  CHECK(decode(decoder, stuffed(body) + Bytes{0}).empty());
  CHECK(decoder.counters.bad_version == 1);
  CHECK(decoder.foreign_version == 9);
  CHECK(wire_dropped(&decoder.counters) == 6);
  CHECK(decode(decoder, {0, 0, 0}).empty());
  CHECK(wire_dropped(&decoder.counters) == 6);  // empty frames are no loss
  CHECK(decode(decoder, frame(0x83, 0, {1})).size() == 1);
}

TEST_CASE("missing and repeated frames are seen by their sequence, over the wrap too") {
  WireDecoder decoder;
  wire_decoder_start(&decoder);
  for (const int s : {254, 255, 0, 3, 3, 4})
    decode(decoder, frame(0x83, static_cast<std::uint8_t>(s), {}));
  CHECK(decoder.counters.missing == 2);
  CHECK(decoder.counters.repeated == 1);
  wire_decoder_resume(&decoder);  // the rig was reset and counts from 0 again
  decode(decoder, frame(0x83, 0, {}));
  CHECK(decoder.counters.missing == 2);
  CHECK(decoder.counters.frames == 7);
}

TEST_CASE("one flipped bit anywhere never gives a frame with other contents") {
  // CRC-16 finds every single-bit error; a flip that makes or removes a zero moves the delimiter.
  const Bytes whole = frame(0x83, 1, sequence(0, 30));
  for (std::size_t bit = 0; bit < whole.size() * 8; ++bit) {
    Bytes line = whole;
    line[bit / 8] = static_cast<std::uint8_t>(line[bit / 8] ^ (1u << (bit % 8)));
    WireDecoder decoder;
    wire_decoder_start(&decoder);
    CHECK(decode(decoder, line + Bytes{0}).empty());
    CHECK(wire_dropped(&decoder.counters) >= 1);
  }
}

// A check of 16 bits lets a random body through once in 2^16. 2^16 * 40 random bodies of the right
// size, stuffed soundly so that only the checksum (and the version byte) can refuse them: the
// number with a matching checksum is Poisson with mean 40, so 40 ± 5 standard deviations = 8 … 72.
TEST_CASE("random bodies pass the checksum as rarely as theory says") {
  std::mt19937 dice(4);
  WireDecoder decoder;
  wire_decoder_start(&decoder);
  const int trials = 40 << 16;
  WireFrame f{};
  for (int trial = 0; trial < trials; ++trial) {
    std::uint8_t body[9], line[12];
    for (auto& b : body) b = static_cast<std::uint8_t>(dice() % 255 + 1);
    const std::size_t size = wire_cobs_encode(body, sizeof body, line, sizeof line);
    line[size] = 0;
    std::size_t used = 0;
    wire_decoder_take_block(&decoder, line, size + 1, &used, &f);
  }
  const auto passed = decoder.counters.frames + decoder.counters.bad_version;
  MESSAGE("of " << trials << " random bodies " << passed << " passed the checksum (theory 40)");
  CHECK(decoder.counters.bad_crc + passed == static_cast<std::uint32_t>(trials));
  CHECK(passed >= 8);
  CHECK(passed <= 72);
}

TEST_CASE("garbage of every kind is dropped, and the line recovers at once") {
  std::mt19937 dice(5);
  for (int trial = 0; trial < 2000; ++trial) {
    WireDecoder decoder;
    wire_decoder_start(&decoder);
    const Bytes noise = random_bytes(dice, dice() % 600, trial % 4 == 0);
    const auto caught = decode(decoder, noise + Bytes{0} + frame(0x83, 77, {1, 2, 3}));
    REQUIRE(!caught.empty());
    CHECK(caught.back() == Caught{0x83, 77, {1, 2, 3}});
  }
}
