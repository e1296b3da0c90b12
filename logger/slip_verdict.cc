#include "logger/slip_verdict.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>
#include <vector>

#include "db/basis/json_read.h"
#include "fit/readings/load_cell.h"

namespace loadline {
namespace {

constexpr std::size_t kParts = 8;
constexpr double kStudentT = 2.365;  // 97.5 % of Student's t with 7 degrees of freedom (any table)
constexpr const char* kDocument = "slip-band";

/// Mean of the parts' values with the interval of that mean.
struct PartsMean {
  double mean = 0;
  double sd_of_mean = 0;
};

PartsMean mean_of_parts(const std::vector<double>& values) {
  PartsMean result;
  const auto n = static_cast<double>(values.size());
  for (const double value : values) result.mean += value / n;
  double squares = 0;
  for (const double value : values) squares += std::pow(value - result.mean, 2);
  result.sd_of_mean = std::sqrt(squares / (n - 1) / n);
  return result;
}

/// The samples in which the belt slips steadily, cut into parts of equal time.
std::vector<std::vector<Sample>> steady_parts(const std::vector<Sample>& samples, double tick_hz,
                                              double limit_s, SlipReading& reading) {
  const auto first = std::find_if(samples.begin(), samples.end(),
                                  [](const Sample& s) { return s.motor_edges.value_or(0) > 0; });
  if (first == samples.end()) {
    reading.fault = "the motor did not turn";
    return {};
  }
  const std::int64_t last_edge = samples.back().motor_edge_tick.value_or(first->tick);
  reading.slipped_s = static_cast<double>(last_edge - first->tick) / tick_hz;
  if (reading.slipped_s < 0.5) {
    reading.fault = fmt::format("the motor turned for {:.2f} s only; half a second is the least",
                                reading.slipped_s);
    return {};
  }
  const double used_s = std::min(reading.slipped_s, limit_s);
  const double from = static_cast<double>(first->tick) + 0.25 * used_s * tick_hz;
  const double part = 0.75 * used_s * tick_hz / kParts;
  std::vector<std::vector<Sample>> parts(kParts);
  for (auto sample = first; sample != samples.end(); ++sample) {
    const double place = (static_cast<double>(sample->tick) - from) / part;
    if (place >= 0 && place < kParts) parts[static_cast<std::size_t>(place)].push_back(*sample);
  }
  return parts;
}

/// Speed of each part, from the last edge before it to its own last edge.
std::vector<double> speeds_of(const std::vector<std::vector<Sample>>& parts, const Run& run) {
  std::vector<double> speeds;
  const double per_edge = 60 * *run.tick_hz / run.motor_pulses_per_turn.value_or(1);
  const Sample* before = nullptr;
  for (const auto& part : parts) {
    if (part.empty()) continue;
    const Sample& from = before ? *before : part.front();
    const Sample& to = part.back();
    before = &to;
    const std::int64_t edges = *to.motor_edges - *from.motor_edges;
    const std::int64_t ticks = to.motor_edge_tick.value_or(0) - from.motor_edge_tick.value_or(0);
    speeds.push_back(edges > 0 && ticks > 0
                         ? per_edge * static_cast<double>(edges) / static_cast<double>(ticks)
                         : 0);
  }
  return speeds;
}

std::optional<double> zero_of(const Book& book, const Run& run, const Calibration& calibration) {
  for (const Zero& zero : book.zeros(run.id))
    if (zero.when == ZeroMoment::kBefore) return zero.mean_counts;
  if (const auto zero = book.latest_zero(run.rig)) return zero->mean_counts;
  return calibration.zero_counts;
}

Estimate torque_of(const Book& book, const Run& run,
                   const std::vector<std::vector<Sample>>& parts) {
  const auto calibration = book.latest_calibration(run.rig);
  std::vector<double> means;
  for (const auto& part : parts) {
    double sum = 0;
    std::size_t n = 0;
    for (const Sample& sample : part) {
      if (!sample.torque_counts) continue;
      sum += *sample.torque_counts;
      ++n;
    }
    if (n > 0) means.push_back(sum / static_cast<double>(n));
  }
  if (!calibration || means.size() < kParts) return Estimate::unknown("N·m");
  const PartsMean counts = mean_of_parts(means);
  const TorqueAndSd torque = torque_from_counts(
      *calibration, counts.mean, *zero_of(book, run, *calibration), counts.sd_of_mean);
  return Estimate::with_half_width(torque.torque_nm, kStudentT * torque.sd_nm, "N·m");
}

std::string machine_key(const Book& book, std::int64_t machine) {
  return machine ? book.part(PartKind::kMachine, machine).uuid : "no machine";
}

Json targets_in(const Book& book) {
  const auto text = book.document(kDocument);
  if (!text) return Json::object();
  Json document = Json::parse(*text, nullptr, false);
  return document.is_object() ? document : Json::object();
}

std::string sentence_for(const SlipVerdict& verdict) {
  if (verdict.word == "unknown") return "Slip check not usable: " + verdict.reading.fault + ".";
  const std::string band = fmt::format("{} to {} rpm", significant(verdict.target->low_rpm, 4),
                                       significant(verdict.target->high_rpm, 4));
  const std::string creep = "The belt creeps at " + to_text(verdict.reading.creep_rpm);
  if (verdict.made_target)
    return creep + "; this is the session's setting from now on: " + band + ".";
  if (verdict.word == "set") return creep + ", within the band of " + band + ": set.";
  if (verdict.word == "tighten")
    return creep + ", above the band of " + band + ": tighten it and repeat.";
  return creep + ", below the band of " + band + ": loosen it and repeat.";
}

}  // namespace

SlipReading read_slip_check(const Book& book, const Run& run, double limit_s) {
  SlipReading reading;
  if (run.source != RunSource::kRig || !run.motor_pulses_per_turn || !run.tick_hz) {
    reading.fault = "it has no tachometer edges of the motor";
    return reading;
  }
  const std::vector<Sample> samples = book.samples(run.id);
  const auto parts = steady_parts(samples, *run.tick_hz, limit_s, reading);
  if (!reading.fault.empty()) return reading;
  const std::vector<double> speeds = speeds_of(parts, run);
  if (speeds.size() < kParts) {
    reading.fault = "too few samples came while the belt slipped";
    return reading;
  }
  const auto wheel_edges = static_cast<double>(samples.back().handwheel_edges.value_or(0));
  if (wheel_edges > 2 * run.handwheel_pulses_per_turn.value_or(1)) {
    reading.fault = "the hand wheel turned, so the belt drove instead of slipping";
    return reading;
  }
  const PartsMean creep = mean_of_parts(speeds);
  reading.creep_rpm = Estimate::with_half_width(creep.mean, kStudentT * creep.sd_of_mean, "rpm");
  reading.torque = torque_of(book, run, parts);
  return reading;
}

std::optional<SlipTarget> slip_target(const Book& book, std::int64_t machine) {
  const Json targets = targets_in(book);
  const auto found = targets.find(machine_key(book, machine));
  if (found == targets.end()) return std::nullopt;
  const double low = number_in(*found, "low_rpm").value_or(0);
  const double high = number_in(*found, "high_rpm").value_or(0);
  if (!(high > low)) return std::nullopt;
  return SlipTarget{low, high};
}

void keep_slip_target(Book& book, std::int64_t machine, const SlipTarget& target) {
  Json targets = targets_in(book);
  targets[machine_key(book, machine)] = {{"low_rpm", target.low_rpm},
                                         {"high_rpm", target.high_rpm}};
  book.put_document(kDocument, targets.dump());
}

SlipTarget slip_target_around(double rpm, double percent) {
  return {rpm * (1 - percent * 1e-2), rpm * (1 + percent * 1e-2)};
}

SlipVerdict judge_slip_check(Book& book, const Run& run, double limit_s,
                             std::optional<double> target_rpm, double percent) {
  SlipVerdict verdict;
  verdict.reading = read_slip_check(book, run, limit_s);
  if (target_rpm) keep_slip_target(book, run.machine, slip_target_around(*target_rpm, percent));
  verdict.target = slip_target(book, run.machine);
  if (!verdict.reading.fault.empty()) {
    verdict.word = "unknown";
  } else {
    const double creep = *verdict.reading.creep_rpm.value;
    if (!verdict.target) {
      verdict.target = slip_target_around(creep, percent);
      keep_slip_target(book, run.machine, *verdict.target);
      verdict.made_target = true;
    }
    verdict.word = verdict.target->holds(creep)       ? "set"
                   : creep > verdict.target->high_rpm ? "tighten"
                                                      : "loosen";
  }
  verdict.sentence = sentence_for(verdict);
  return verdict;
}

Json to_json(const SlipVerdict& verdict) {
  Json json = {{"verdict", verdict.word},
               {"creep_speed", to_json(verdict.reading.creep_rpm)},
               {"torque", to_json(verdict.reading.torque)},
               {"slipped_s", verdict.reading.slipped_s},
               {"target", nullptr}};
  if (verdict.target)
    json["target"] = {{"low_rpm", verdict.target->low_rpm}, {"high_rpm", verdict.target->high_rpm}};
  if (!verdict.reading.fault.empty()) json["fault"] = verdict.reading.fault;
  return json;
}

}  // namespace loadline
