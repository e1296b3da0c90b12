// Any bytes as a CSV file: it is read, or refused with a sentence that names the line.
#include <sys/mman.h>
#include <unistd.h>

#include <cmath>
#include <cstdint>
#include <cstdlib>
#include <string>

#include "db/exchange/csv_in.h"

namespace {

// A file in memory, the same for every input.
std::string file_with(const std::uint8_t* data, std::size_t size) {
  static const int file = memfd_create("input.csv", 0);
  if (ftruncate(file, 0) != 0 || pwrite(file, data, size, 0) != static_cast<ssize_t>(size)) abort();
  return "/proc/self/fd/" + std::to_string(file);
}

void require(bool holds) {
  if (!holds) abort();
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  double last = -INFINITY;
  try {
    loadline::read_csv(file_with(data, size), [&](std::span<const loadline::ImportedReading> rows) {
      for (const auto& row : rows) {
        require(std::isfinite(row.time_s) && row.time_s >= last);
        require(!std::isinf(row.motor_rpm) && !std::isinf(row.torque_nm));
        last = row.time_s;
      }
    });
  } catch (const loadline::Error& error) {
    const std::string sentence = error.what();
    require(error.fault() == loadline::Fault::kInput);
    for (const char c : sentence) require(static_cast<unsigned char>(c) >= 0x20 && c != 0x7F);
    require(sentence.find(", line ") != std::string::npos ||
            sentence.find("UTF-16") != std::string::npos);
  }
  return 0;
}
