#include "fit/readings/readings.h"

#include <fmt/format.h>

#include <algorithm>
#include <any>
#include <cmath>
#include <map>
#include <memory>
#include <numeric>
#include <tuple>
#include <utility>

#include "db/basis/units.h"
#include "db/sound_input.h"
#include "fit/readings/noise/noise.h"
#include "fit/readings/noise/reading_constants.h"
#include "fit/readings/repeated_times.h"
#include "fit/readings/speeds/bounded_rows.h"
#include "fit/readings/speeds/recovered_edges.h"

namespace loadline {
namespace {

using namespace reading_chosen;

// Beyond that many rows the windows between them are averaged, and no other reading is tried.
constexpr std::size_t kMostRowsKept = 100000;

// Means of every `block` neighbours, put after each other; NaN is left out of its mean.
class BlockMeans {
 public:
  BlockMeans(std::vector<double>& into, std::size_t block) : into_(into), block_(block) {}
  void add(double value) {
    if (!std::isnan(value)) {
      sum_ += value;
      ++known_;
    }
    if (++seen_ == block_) finish();
  }
  /// Ends the last block, which may be a short one.
  void finish() {
    if (seen_ == 0) return;
    into_.push_back(known_ > 0 ? sum_ / static_cast<double>(known_) : std::nan(""));
    sum_ = 0;
    known_ = seen_ = 0;
  }

 private:
  std::vector<double>& into_;
  std::size_t block_, seen_ = 0, known_ = 0;
  double sum_ = 0;
};

std::vector<double> thinned(const std::vector<double>& values, std::size_t block) {
  std::vector<double> means;
  means.reserve(values.size() / block + 1);
  BlockMeans taken(means, block);
  for (const double value : values) taken.add(value);
  taken.finish();
  return means;
}

SpeedTrace thinned(const SpeedTrace& trace, std::size_t block) {
  if (block <= 1) return trace;
  SpeedTrace out;
  out.from_edges = trace.from_edges;
  for (std::size_t at = 0; at < trace.speed.size(); at += block) {
    const std::size_t end = std::min(at + block, trace.speed.size());
    double angle = 0, time = 0;
    for (std::size_t i = at; i < end; ++i) {
      angle += trace.speed[i] * trace.window_s(i);
      time += trace.window_s(i);
    }
    if (time <= 0) continue;
    out.start_s.push_back(trace.start_s[at]);
    out.end_s.push_back(trace.end_s[end - 1]);
    out.speed.push_back(angle / time);
  }
  out.interval_s = trace.interval_s * static_cast<double>(block);
  return out;
}

// Every value hardly differs from the next.
bool follows(const SpeedTrace& trace) {
  std::vector<double> changes;
  double top = 0;
  for (std::size_t i = 1; i < trace.speed.size(); ++i) {
    changes.push_back(std::fabs(trace.speed[i] - trace.speed[i - 1]));
    top = std::max(top, trace.speed[i]);
  }
  if (changes.empty()) return false;
  const auto at =
      changes.begin() +
      static_cast<std::ptrdiff_t>((1 - kQuickNeighbours) * static_cast<double>(changes.size() - 1));
  std::nth_element(changes.begin(), at, changes.end());
  return *at <= kSteadyShare * top;
}

// How many values to keep of a run with `rows` of them and this course of its speed.
std::size_t values_to_keep(const SpeedTrace& speed, std::size_t rows, const Thinning& thinning) {
  if (thinning.few == 0 || rows <= 3 * thinning.few) return thinning.most;
  for (std::size_t keep = thinning.few; keep < thinning.most; keep *= 2)
    if (follows(thinned(speed, block_for(speed.speed.size(), keep)))) return keep;
  return thinning.most;
}

bool any(const std::vector<double>& values) {
  return std::any_of(values.begin(), values.end(), [](double x) { return !std::isnan(x); });
}

// A converter slower than the rows leaves each value standing for several rows. When most rows
// repeat, only the first of each stand is a new value.
bool mostly_repeats(const std::vector<double>& torque) {
  std::size_t repeats = 0;
  for (std::size_t i = 1; i < torque.size(); ++i) repeats += torque[i] == torque[i - 1] ? 1 : 0;
  return 2 * repeats >= torque.size();
}

// Torque and speed that stand still and change together, row for row, are readings of a bench that
// ran steadily: neither is the old value of an instrument slower than the rows.
constexpr std::size_t kFewRepeats = 8;  // fewer are chance
bool stand_together(const std::vector<double>& torque, const std::vector<double>& rpm) {
  std::size_t repeats[2] = {0, 0}, changes[2] = {0, 0}, both_repeat = 0, both_change = 0;
  const std::size_t n = std::min(torque.size(), rpm.size());
  for (std::size_t i = 1; i < n; ++i) {
    if (std::isnan(torque[i]) || std::isnan(rpm[i])) continue;
    const bool stood[2] = {torque[i] == torque[i - 1], rpm[i] == rpm[i - 1]};
    for (int c = 0; c < 2; ++c) ++(stood[c] ? repeats : changes)[c];
    both_repeat += stood[0] && stood[1] ? 1 : 0;
    both_change += !stood[0] && !stood[1] ? 1 : 0;
  }
  const auto most = [](std::size_t part, std::size_t a, std::size_t b) {
    return static_cast<double>(part) >= kTogether * static_cast<double>(std::max(a, b));
  };
  return both_repeat >= kFewRepeats && most(both_repeat, repeats[0], repeats[1]) &&
         most(both_change, changes[0], changes[1]);
}

// Hands on the rows that hold a new value of the torque; `as_read`: one that repeats is new too.
template <typename Take>
void each_new_value(const std::vector<double>& torque, bool as_read, Take take) {
  const bool first_only = !as_read && mostly_repeats(torque);
  for (std::size_t i = 0; i < torque.size(); ++i) {
    const bool stands = first_only && i > 0 && torque[i] == torque[i - 1];
    if (!stands && !std::isnan(torque[i])) take(i);
  }
}

// Averaged as they are taken, so that a long run need not stand in memory once more.
void set_torque(Readings& out, const std::vector<double>& time, const std::vector<double>& torque,
                const std::vector<double>& supply, std::size_t most, bool as_read = false) {
  std::size_t count = 0;
  each_new_value(torque, as_read, [&](std::size_t) { ++count; });
  if (count == 0) return;
  const bool with_supply = any(supply);
  const std::size_t block = block_for(count, most);
  BlockMeans times(out.time_s, block), torques(out.torque, block), supplies(out.supply_v, block);
  UsualStep step(count);
  double last_supply = std::nan("");
  std::size_t at = 0;  // first row of which the supply has not been looked at
  each_new_value(torque, as_read, [&](std::size_t i) {
    step.add(time[i]);
    times.add(time[i]);
    torques.add(torque[i]);
    if (!with_supply) return;
    for (; at <= i; ++at)
      if (!std::isnan(supply[at])) last_supply = supply[at];
    supplies.add(last_supply);
  });
  for (BlockMeans* means : {&times, &torques, &supplies}) means->finish();
  out.torque_interval_s = step.median();
}

void set_lag(Readings& out) {
  // Settling of a converter of this kind takes about two conversion periods (four by data sheet for
  // full settling); what lies between torque and its time stamp beside that is unknown.
  if (out.run.cell_delay_s) {
    out.lag_s = *out.run.cell_delay_s;
    out.lag_sd_s = std::max(0.002, 0.1 * out.lag_s);
    return;
  }
  if (!out.run.converter_hz) {
    // Rows say nothing of the converter behind them: ten conversions a second are 0.2 s late, and
    // the speed may be late, too.
    out.lag_s = std::max(kUsualLag, 1.5 * out.torque_interval_s);
    out.lag_sd_s = 2 * out.lag_s;
    return;
  }
  const double period = 1 / *out.run.converter_hz;
  out.lag_s = 2 * period;
  out.lag_sd_s = std::max(kLeastLagSd, 1.5 * period);
}

void set_supply(Readings& out, const ReadingColumns& c, std::size_t most) {
  if (!any(c.supply_v) && !any(c.temperature_c)) return;
  const std::size_t block = block_for(c.time_s.size(), most);
  out.supply_time_s = thinned(c.time_s, block);
  if (any(c.supply_v)) out.supply_all_v = thinned(c.supply_v, block);
  if (any(c.temperature_c)) out.temperature_c = thinned(c.temperature_c, block);
}

// A tachometer's channel of an imported run: its edges where these can be told, else none.
struct RowsOfSpeed {
  const std::vector<double>&time, &rpm;
  bool as_read;  ///< every row is a reading, repeated or not
  EdgeTrace edges;
  double span_s = 0;

  RowsOfSpeed(const std::vector<double>& times, const std::vector<double>& values, int known_pulses,
              bool rows_as_read = false)
      : time(times),
        rpm(values),
        as_read(rows_as_read),
        edges(as_read ? EdgeTrace{} : edges_from_rows(time, rpm, known_pulses)),
        span_s(time.back() - time.front()) {}
  SpeedTrace trace(std::size_t most) const {
    if (edges.empty()) return speed_from_rows(time, rpm, most, as_read);
    return speed_from_edges(edges, most ? span_s / static_cast<double>(most) : 0);
  }
};

void from_rows(const Book& book, Readings& out, const Thinning& thinning, int known_pulses) {
  ReadingColumns c = book.reading_columns(out.run.id);
  if (c.time_s.empty())
    throw Error(Fault::kInput,
                fmt::format("run {} holds no rows; record or import it again.", out.run.id));
  if (const std::size_t merged = merge_repeated_times(c); merged > 0)
    out.warnings.push_back(fmt::format(
        "Of run {} {} rows bear the time of the row before them; rows of one time were averaged.",
        out.run.id, merged));
  const bool as_read = stand_together(c.torque_nm, c.motor_rpm);
  const int motor_pulses = hold_through_bounds(c.time_s, c.motor_rpm);
  const int handwheel_pulses = hold_through_bounds(c.time_s, c.handwheel_rpm);
  const auto told = [&](int pulses) { return pulses > 0 ? pulses : known_pulses; };
  RowsOfSpeed motor(c.time_s, c.motor_rpm, told(motor_pulses), as_read);
  RowsOfSpeed handwheel(c.time_s, c.handwheel_rpm, told(handwheel_pulses));
  out.motor = motor.trace(thinning.most);
  const std::size_t keep = values_to_keep(out.motor, c.time_s.size(), thinning);
  if (keep != thinning.most)
    out.motor = motor.edges.empty() ? thinned(out.motor, block_for(out.motor.speed.size(), keep))
                                    : motor.trace(keep);
  out.handwheel = handwheel.trace(keep);
  // Only where a shaft runs down are the rows themselves read.
  const bool runs_down = out.run.kind == RunKind::kCoastDown || out.run.kind == RunKind::kSpinUp;
  if (runs_down && c.time_s.size() <= kMostRowsKept) {
    out.motor_rows = speed_rows(c.time_s, c.motor_rpm);
    out.handwheel_rows = speed_rows(c.time_s, c.handwheel_rpm);
  }
  out.motor_edges = std::move(motor.edges);
  out.handwheel_edges = std::move(handwheel.edges);
  set_torque(out, c.time_s, c.torque_nm, c.supply_v, keep, as_read);
  set_supply(out, c, keep);
  out.duration_s = motor.span_s;
}

// ---- recorded runs --------------------------------------------------------------------------

struct TorqueScale {
  Calibration calibration;
  std::vector<Zero> zeros;
  double tick_hz = 1;
  /// Zero between those before and after, by time; constant outside.
  double zero_at(double tick) const;
  double torque(double counts, double tick) const;
  double drift_counts() const;
};

double TorqueScale::zero_at(double tick) const {
  if (zeros.empty()) return calibration.zero_counts;
  const Zero* before = nullptr;
  const Zero* after = nullptr;
  for (const Zero& zero : zeros) {
    if (static_cast<double>(zero.tick) <= tick) before = &zero;
    if (static_cast<double>(zero.tick) > tick && !after) after = &zero;
  }
  if (!before) return zeros.front().mean_counts;  // all of them came later
  if (!after) return before->mean_counts;
  const double share =
      (tick - static_cast<double>(before->tick)) / static_cast<double>(after->tick - before->tick);
  return before->mean_counts + share * (after->mean_counts - before->mean_counts);
}

double TorqueScale::torque(double counts, double tick) const {
  const double c = counts - zero_at(tick);
  return (calibration.slope_n_per_count * c + calibration.curvature_n_per_count2 * c * c) *
         calibration.arm_m;
}

double TorqueScale::drift_counts() const {
  return zeros.size() < 2 ? 0 : std::fabs(zeros.back().mean_counts - zeros.front().mean_counts);
}

TorqueScale torque_scale(const Book& book, const Run& run) {
  const auto calibration = book.latest_calibration(run.rig);
  if (!calibration)
    throw Error(Fault::kInput,
                fmt::format("run {} has load-cell counts but its rig has no calibration; run "
                            "loadline-logger calibrate first.",
                            run.id));
  TorqueScale scale{*calibration, book.zeros(run.id), run.tick_hz.value_or(1e6)};
  if (scale.zeros.empty())
    if (const auto zero = book.latest_zero(run.rig)) scale.zeros.push_back(*zero);
  return scale;
}

TorqueSystematics systematics_of(const TorqueScale& scale) {
  const Calibration& c = scale.calibration;
  TorqueSystematics s;
  if (c.slope_n_per_count != 0) s.slope_relative = std::fabs(c.slope_sd / c.slope_n_per_count);
  if (c.arm_m > 0) s.arm_relative = c.arm_sd_m / c.arm_m;
  // Linear interpolation leaves about a quarter of the drift seen as its error (a rectangular
  // distribution of half width drift/2 has the standard deviation drift/√12). One zero alone says
  // nothing of drift: the calibration's own residual stands in.
  double counts = scale.drift_counts() / std::sqrt(12.0);
  for (const Zero& zero : scale.zeros) {
    const auto conversions = static_cast<double>(std::max<std::int64_t>(1, zero.conversions));
    counts = std::hypot(counts, zero.sd_counts / std::sqrt(conversions));
  }
  s.zero_nm = std::hypot(counts * std::fabs(c.slope_n_per_count), c.residual_sd_n / 2) * c.arm_m;
  return s;
}

void take_edges(EdgeTrace& trace, const std::optional<std::int64_t>& count,
                const std::optional<std::int64_t>& tick, double tick_hz) {
  if (!count || !tick) return;
  if (!trace.count.empty() && trace.count.back() == *count) return;  // no new edge: nothing new
  trace.count.push_back(*count);
  trace.time_s.push_back(static_cast<double>(*tick) / tick_hz);
}

void from_samples(const Book& book, Readings& out, const Thinning& thinning) {
  const Run& run = out.run;
  const double tick_hz = run.tick_hz.value_or(1e6);
  out.motor_edges.pulses_per_turn = run.motor_pulses_per_turn.value_or(1);
  out.handwheel_edges.pulses_per_turn = run.handwheel_pulses_per_turn.value_or(1);
  // In all other kinds a load cell that nobody calibrated may hang on the bench unused.
  const bool with_torque =
      run.kind == RunKind::kBrake || book.latest_calibration(run.rig).has_value();
  std::optional<TorqueScale> scale;
  ReadingColumns c;
  book.each_block(run.id, 4096, [&](std::span<const Sample> block) {
    for (const Sample& sample : block) {
      const auto tick = static_cast<double>(sample.tick);
      c.time_s.push_back(tick / tick_hz);
      const bool torque = with_torque && sample.torque_counts;
      if (torque && !scale) scale = torque_scale(book, run);
      c.torque_nm.push_back(torque ? scale->torque(*sample.torque_counts, tick) : std::nan(""));
      c.supply_v.push_back(sample.supply_counts
                               ? *sample.supply_counts * run.supply_v_per_count.value_or(1)
                               : std::nan(""));
      c.temperature_c.push_back(sample.temperature_counts
                                    ? *sample.temperature_counts *
                                              run.temperature_c_per_count.value_or(1) +
                                          run.temperature_c_offset.value_or(0)
                                    : std::nan(""));
      take_edges(out.motor_edges, sample.motor_edges, sample.motor_edge_tick, tick_hz);
      take_edges(out.handwheel_edges, sample.handwheel_edges, sample.handwheel_edge_tick, tick_hz);
    }
  });
  if (c.time_s.empty())
    throw Error(Fault::kInput, fmt::format("run {} holds no samples; record it again.", run.id));
  out.duration_s = c.time_s.back() - c.time_s.front();
  const auto trace = [&](const EdgeTrace& edges, std::size_t most) {
    return speed_from_edges(edges, most ? out.duration_s / static_cast<double>(most) : 0);
  };
  out.motor = trace(out.motor_edges, thinning.most);
  const std::size_t keep = values_to_keep(out.motor, c.time_s.size(), thinning);
  if (keep != thinning.most) out.motor = trace(out.motor_edges, keep);
  out.handwheel = trace(out.handwheel_edges, keep);
  set_torque(out, c.time_s, c.torque_nm, c.supply_v, keep);
  set_supply(out, c, keep);
  if (scale) out.systematics = systematics_of(*scale);
}

}  // namespace

double Readings::mean_supply_v() const {
  if (!points.empty()) {
    double total = 0;
    for (const SteadyPoint& point : points) total += point.supply_v;
    return total / static_cast<double>(points.size());
  }
  // A sensor at the motor's terminals reads nothing before the switch and after it.
  double highest = 0;
  for (const double v : supply_all_v)
    if (v > highest) highest = v;
  double sum = 0, count = 0;
  for (const double v : supply_all_v) {
    if (std::isnan(v) || v < 0.2 * highest) continue;
    sum += v;
    count += 1;
  }
  if (count > 0) return sum / count;
  return run.supply_v.value_or(std::nan(""));
}

namespace {

// What a command has read of its book, by run and by how it was asked for.
struct KeptReadings {
  using Asked = std::tuple<std::int64_t, std::size_t, std::size_t, int>;
  std::map<Asked, Readings> runs;
  std::size_t values = 0;
};
constexpr std::size_t kMostKept = 4'000'000;  // values, some 32 MB: beyond, it begins anew

std::size_t values_in(const Readings& read) {
  std::size_t sum = read.time_s.size() + read.torque.size() + read.supply_v.size() +
                    read.supply_time_s.size() + read.supply_all_v.size() +
                    read.temperature_c.size() + 8 * read.points.size();
  for (const SpeedTrace* trace : {&read.motor, &read.handwheel}) sum += 3 * trace->speed.size();
  for (const EdgeTrace* edges : {&read.motor_edges, &read.handwheel_edges})
    sum += 2 * edges->time_s.size() + edges->row_s.size();
  for (const SpeedRows* rows : {&read.motor_rows, &read.handwheel_rows}) sum += 2 * rows->size();
  return sum;
}

Readings read_run(const Book& book, std::int64_t id, const Thinning& thinning, int known_pulses) {
  Readings out;
  out.run = book.run(id);
  if (out.run.steady) {
    out.points = steady_points(book, out.run);
    return out;
  }
  if (out.run.sample_count > 0 && out.run.source == RunSource::kRig)
    from_samples(book, out, thinning);
  else
    from_rows(book, out, thinning, known_pulses);
  set_lag(out);
  const bool sound = out.run.firmware == kSoundInput;
  out.clock_relative_sd = out.run.source == RunSource::kRig && !sound ? kHostClockSd : kClockSd;
  if (out.run.firmware == kCheckedSoundInput) out.clock_relative_sd = kCheckedClockSd;
  return out;
}

}  // namespace

Readings load_readings(const Book& book, std::int64_t id, const Thinning& thinning,
                       int known_pulses) {
  std::any& place = book.worked_out();
  if (!place.has_value()) place = std::make_shared<KeptReadings>();
  const auto kept = std::any_cast<std::shared_ptr<KeptReadings>>(place);
  const KeptReadings::Asked asked{id, thinning.most, thinning.few, known_pulses};
  if (const auto found = kept->runs.find(asked); found != kept->runs.end()) return found->second;
  Readings read = read_run(book, id, thinning, known_pulses);
  const std::size_t values = values_in(read);
  if (kept->values + values > kMostKept) *kept = {};
  kept->values += values;
  return kept->runs.emplace(asked, std::move(read)).first->second;
}

}  // namespace loadline
