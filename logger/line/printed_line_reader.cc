#include "logger/line/printed_line_reader.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/error.h"

namespace loadline {
namespace {

using Quantity = PrintedColumn::Quantity;

constexpr std::size_t kLongestLine = 512;
constexpr double kSameSecondsS = 10;

/// Printable part of a garbage line, short enough for a message.
std::string shown(const std::string& text) {
  std::string safe;
  for (const char c : text.substr(0, 40))
    safe += c >= ' ' && c < 0x7F ? std::string(1, c)
                                 : fmt::format("\\x{:02x}", static_cast<unsigned char>(c));
  return text.size() > 40 ? safe + "…" : safe;
}

bool beyond_any_bench(const ImportedReading& reading) {
  constexpr double kHighestRpm = 120'000;
  constexpr double kLatestS = 1e12;  // beyond it steps of a microsecond are lost
  // A number times the factor of its column may overflow, and infinity is nowhere a reading.
  return std::abs(reading.motor_rpm) > kHighestRpm ||
         std::abs(reading.handwheel_rpm) > kHighestRpm || std::abs(reading.time_s) > kLatestS ||
         std::isinf(reading.torque_nm) || std::isinf(reading.supply_v) ||
         std::isinf(reading.temperature_c);
}

bool same(double a, double b) { return a == b || (std::isnan(a) && std::isnan(b)); }

bool same(const ImportedReading& a, const ImportedReading& b) {
  return same(a.time_s, b.time_s) && same(a.motor_rpm, b.motor_rpm) &&
         same(a.handwheel_rpm, b.handwheel_rpm) && same(a.torque_nm, b.torque_nm) &&
         same(a.supply_v, b.supply_v) && same(a.temperature_c, b.temperature_c);
}

}  // namespace

PrintedLineReader::PrintedLineReader(PrintedLine line, std::optional<double> arm_m,
                                     bool from_the_start)
    : line_(std::move(line)), arm_m_(arm_m.value_or(0)), cut_in_(!from_the_start) {
  if (line_.has(Quantity::kForce) && arm_m_ <= 0)
    throw Error(Fault::kInput,
                "the rig prints a force, and the length of its arm is not in the book; give it "
                "with 'loadline-db set rig NAME --arm-mm …'.");
  for (const PrintedColumn& column : line_.columns)
    if (column.quantity == Quantity::kTime) time_factor_ = column.factor;
}

void PrintedLineReader::take(std::span<const std::uint8_t> bytes, std::chrono::nanoseconds,
                             Haul& into) {
  counts_.bytes += bytes.size();
  for (const std::uint8_t byte : bytes) {
    if (byte != '\n') {
      if (partial_.size() < kLongestLine)
        partial_ += static_cast<char>(byte);
      else
        overlong_ = true;
      continue;
    }
    if (overlong_)
      ++counts_.damaged;
    else if (partial_.find_first_not_of(" \t\r") != std::string::npos)
      take_text(partial_, into);
    partial_.clear();
    overlong_ = false;
    cut_in_ = false;
  }
}

void PrintedLineReader::take_text(const std::string& text, Haul& into) {
  const auto values = read_line(line_, text);
  // The reader may have come in the middle of the first line: "17,250" of "1517,250" reads well.
  if (cut_in_) return;
  if (!values) {
    ++counts_.damaged;
    if (damaged_example_.empty()) damaged_example_ = shown(text);
    return;
  }
  ++counts_.whole;
  take_reading(reading(*values), into);
}

ImportedReading PrintedLineReader::reading(const std::vector<double>& values) const {
  ImportedReading reading;
  for (std::size_t i = 0; i < values.size(); ++i) {
    const PrintedColumn& column = line_.columns[i];
    const double value = column.offset + column.factor * values[i];
    switch (column.quantity) {
      case Quantity::kSkipped:
        break;
      case Quantity::kTime:
        reading.time_s = value;
        break;
      case Quantity::kMotorSpeed:
        reading.motor_rpm = value;
        break;
      case Quantity::kHandwheelSpeed:
        reading.handwheel_rpm = value;
        break;
      case Quantity::kTorque:
        reading.torque_nm = value;
        break;
      case Quantity::kForce:
        reading.torque_nm = value * arm_m_;
        break;
      case Quantity::kSupply:
        reading.supply_v = value;
        break;
      case Quantity::kTemperature:
        reading.temperature_c = value;
        break;
    }
  }
  return reading;
}

bool PrintedLineReader::goes_on(double earlier_s, double later_s) const {
  return later_s >= earlier_s && later_s - earlier_s <= kSameSecondsS;
}

void PrintedLineReader::take_reading(const ImportedReading& printed, Haul& into) {
  if (beyond_any_bench(printed)) {
    ++counts_.implausible;
    return;
  }
  if ((last_ && same(printed, *last_)) || (held_ && same(printed, *held_))) {
    ++counts_.repeated;
    return;
  }
  // What follows the last reading decides first: else a damaged time that the next line happens to
  // come after would pass for a clock that began anew.
  if (last_ && goes_on(last_->time_s, printed.time_s)) {
    if (held_) ++counts_.implausible;
    held_.reset();
    give_out(printed, into);
  } else if (held_ && goes_on(held_->time_s, printed.time_s)) {
    const ImportedReading confirmed = *held_;
    held_.reset();
    if (last_ && confirmed.time_s > last_->time_s) {
      event(into, EventKind::kGap, confirmed.time_s - last_->time_s, "no line came for a while");
    } else if (last_) {
      // The rig's clock began anew, or wrapped: the pause is not known, one step is the least.
      const double step_s = printed.time_s - confirmed.time_s;
      shift_s_ += last_->time_s + step_s - confirmed.time_s;
      event(into, EventKind::kReset, step_s,
            "the rig's clock began anew; the length of the pause is unknown");
      ++counts_.resets;
    } else {
      shift_s_ = -confirmed.time_s;
    }
    give_out(confirmed, into);
    give_out(printed, into);
  } else {
    if (held_) ++counts_.implausible;
    held_ = printed;
  }
}

void PrintedLineReader::give_out(ImportedReading printed, Haul& into) {
  last_ = printed;
  printed.time_s += shift_s_;
  // Rounding of the sum must not let time fall by a bit: the book would refuse the whole block.
  printed.time_s = std::max(printed.time_s, given_s_);
  given_s_ = printed.time_s;
  into.readings.push_back(printed);
  ++counts_.samples;
}

void PrintedLineReader::event(Haul& into, EventKind kind, double length_s,
                              std::string detail) const {
  RunEvent happened;
  happened.tick = last_ ? std::llround((last_->time_s + shift_s_) * tick_hz()) : 0;
  happened.kind = kind;
  happened.length_s = length_s;
  happened.detail = std::move(detail);
  into.events.push_back(std::move(happened));
}

void PrintedLineReader::finish(Haul& into) {
  // A last line without its end may have lost digits, so it is not used.
  if (held_ && !last_) {
    shift_s_ = -held_->time_s;
    give_out(*held_, into);
  } else if (held_) {
    ++counts_.implausible;
  }
  held_.reset();
}

void PrintedLineReader::line_was_cut() {
  partial_.clear();
  overlong_ = false;
  cut_in_ = true;
}

void PrintedLineReader::begin_run() {
  last_.reset();
  held_.reset();
  shift_s_ = 0;
  given_s_ = 0;
  const std::uint64_t bytes = counts_.bytes;
  const std::uint64_t whole = counts_.whole;
  counts_ = LineCounts{};
  counts_.bytes = bytes;
  counts_.whole = whole;
}

}  // namespace loadline
