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

// What a person may say of a foreign table; three inputs of four come without.
loadline::CsvOptions options_for(std::size_t size) {
  loadline::CsvOptions options;
  if (size % 8 == 1) options.decimal = ',';
  if (size % 8 == 2) options.columns = "a=time_s,b=motor_rpm,c=-";
  return options;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  double last = -INFINITY;
  try {
    loadline::CsvTable table(file_with(data, size), options_for(size));
    table.each_block([&](std::span<const loadline::ImportedReading> rows) {
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
    require(sentence.find(", line ") != std::string::npos || sentence.starts_with("--columns"));
  }
  return 0;
}
