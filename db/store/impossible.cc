#include "db/store/impossible.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <cmath>

#include "db/basis/estimate.h"
#include "db/sql/statement.h"

namespace loadline {

void RunScan::take(std::span<const Sample> samples) {
  hash_.add(samples);
  count_ += static_cast<std::int64_t>(samples.size());
  for (const Sample& sample : samples) look_at(sample);
}

void RunScan::take(std::span<const ImportedReading> readings) {
  hash_.add(readings, steady_);
  count_ += static_cast<std::int64_t>(readings.size());
  for (const ImportedReading& reading : readings) look_at(reading);
}

void RunScan::note(std::string what) {
  if (impossible_.empty()) impossible_ = std::move(what);
}

void RunScan::look_at(const Sample& sample) {
  look_at_edges(sample.motor_edges, last_motor_edges_, "motor", sample.tick);
  look_at_edges(sample.handwheel_edges, last_handwheel_edges_, "hand wheel", sample.tick);
  look_at_edge_tick(sample, sample.motor_edge_tick);
  look_at_edge_tick(sample, sample.handwheel_edge_tick);
}

void RunScan::look_at_edges(const std::optional<std::int64_t>& edges, std::int64_t& last,
                            const char* which, std::int64_t tick) {
  if (!edges) return;
  if (*edges < last) note(fmt::format("the edge count of the {} falls at tick {}", which, tick));
  last = *edges;
}

// The last edge may be a little newer than its sample, never by a wrap of the clock; and no clock
// ran for 2^42 ticks before the run began.
void RunScan::look_at_edge_tick(const Sample& sample,
                                const std::optional<std::int64_t>& edge_tick) {
  constexpr std::int64_t kWrap = std::int64_t{1} << 32, kLongest = std::int64_t{1} << 42;
  if (edge_tick && (*edge_tick >= sample.tick + kWrap || *edge_tick < -kLongest))
    note(fmt::format("the last edge (tick {}) cannot belong to the sample at tick {}", *edge_tick,
                     sample.tick));
}

void RunScan::look_at(const ImportedReading& reading) {
  if (!std::isfinite(reading.time_s) || reading.time_s < last_time_s_)
    note(fmt::format("time falls at {} s", reading.time_s));
  last_time_s_ = reading.time_s;
  for (const double value : {reading.motor_rpm, reading.handwheel_rpm, reading.torque_nm,
                             reading.supply_v, reading.temperature_c})
    if (std::abs(value) > 1e15) note(fmt::format("a value at {} s is no reading", reading.time_s));
  for (const double sd :
       {reading.motor_rpm_sd, reading.handwheel_rpm_sd, reading.torque_nm_sd, reading.supply_v_sd})
    if (sd < 0 || sd > 1e15)
      note(fmt::format("a standard uncertainty in row {} is none", reading.time_s));
}

std::string wide_count(const Book& book, std::int64_t run) {
  Statement wide(book.handle(),
                 "SELECT id & 4398046511103 FROM sample WHERE id BETWEEN ?1 << 42 AND "
                 "(?1 << 42) + 4398046511103 AND (torque_counts NOT BETWEEN -2147483648 AND "
                 "2147483647 OR supply_counts NOT BETWEEN -2147483648 AND 2147483647 OR "
                 "temperature_counts NOT BETWEEN -2147483648 AND 2147483647) LIMIT 1");
  if (!wide.with(run).step()) return "";
  return fmt::format("a converter count at tick {} is wider than any converter", wide.whole(0));
}

std::string curve_fault(const StoredCurve& curve) {
  const std::size_t size = curve.parameters.size();
  if (curve.parameter_names.size() != curve.parameters.size() || curve.covariance.size != size)
    return "names, parameters and covariance are not of one size";
  for (std::size_t i = 0; i < size; ++i) {
    if (curve.covariance(i, i) < 0) return "a variance is negative";
    for (std::size_t j = 0; j < i; ++j) {
      const double scale = std::sqrt(curve.covariance(i, i) * curve.covariance(j, j));
      if (std::abs(curve.covariance(i, j) - curve.covariance(j, i)) > 1e-6 * scale)
        return "the covariance is not symmetric";
    }
  }
  return Json::accept(curve.details_json) ? "" : "its details are not valid JSON";
}

}  // namespace loadline
