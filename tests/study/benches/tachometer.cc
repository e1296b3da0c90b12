#include "tachometer.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>

namespace benches {

namespace {

constexpr double kTurn = 2.0 * std::numbers::pi;
constexpr double kNone = std::numeric_limits<double>::quiet_NaN();

// A value that stays until the next one comes.
struct Update {
  double t, rpm;
};

double rpm_of(double turns, double seconds) { return 60.0 * turns / seconds; }

// Mean speed between the last pulse at the reading before and the last at this one, at each time.
std::vector<double> between_edges(const Pulses& pulses, int a_turn, const std::vector<double>& at) {
  std::vector<double> values;
  int before = -1;
  double value = kNone;
  for (const double t : at) {
    const int now = pulses.last_before(t);
    if (before >= 0 && now > before)
      value = rpm_of(static_cast<double>(now - before) / a_turn,
                     pulses.times[now] - pulses.times[before]);
    before = now;
    values.push_back(value);
  }
  return values;
}

std::vector<double> last_pulses(const Pulses& pulses, int a_turn, int back,
                                const std::vector<double>& at) {
  std::vector<double> values;
  for (const double t : at) {
    const int now = pulses.last_before(t);
    values.push_back(now < back ? kNone
                                : rpm_of(static_cast<double>(back) / a_turn,
                                         pulses.times[now] - pulses.times[now - back]));
  }
  return values;
}

std::vector<double> counted(const Pulses& pulses, int a_turn, double gate,
                            const std::vector<double>& ends) {
  std::vector<double> values;
  for (const double t : ends) {
    const int count = pulses.last_before(t) - pulses.last_before(t - gate);
    values.push_back(rpm_of(static_cast<double>(count) / a_turn, gate));
  }
  return values;
}

// Each pulse puts the same charge into two lags in a row; in between both decay exactly.
class ChargePump {
 public:
  ChargePump(const Tachometer& o, double rpm) : o_(o), first_(rpm), second_(rpm) {}

  double at(double t, const Pulses& pulses) {
    while (next_ < pulses.times.size() && pulses.times[next_] <= t) {
      decay(pulses.times[next_]);
      first_ += 60.0 / o_.disc.pulses / o_.lag1;
      ++next_;
    }
    decay(t);
    return second_;
  }

  void begin(double t) { time_ = t; }

 private:
  void decay(double t) {
    const double dt = t - time_, one = std::exp(-dt / o_.lag1), two = std::exp(-dt / o_.lag2);
    second_ = second_ * two + first_ * o_.lag1 / (o_.lag1 - o_.lag2) * (one - two);
    first_ *= one;
    time_ = t;
  }

  const Tachometer& o_;
  double first_, second_, time_ = 0.0;
  std::size_t next_ = 0;
};

std::vector<double> voltage(const Tachometer& o, const Motion& motion, const Pulses& pulses,
                            const std::vector<double>& at, Dice& dice) {
  ChargePump pump(o, rpm_of(motion.at(motion.begin()).speed / kTurn, 1.0));
  pump.begin(motion.begin());
  const double step = o.full_scale / std::pow(2.0, o.bits);
  std::vector<double> values;
  for (const double t : at) {
    const double shown = pump.at(t, pulses) + dice.normal(o.noise);
    values.push_back(std::clamp(std::round(shown / step) * step, 0.0, o.full_scale));
  }
  return values;
}

std::vector<double> encoder(const Tachometer& o, const Motion& motion,
                            const std::vector<double>& at, double first) {
  std::vector<double> values;
  double before = 0.0;
  for (std::size_t i = 0; i < at.size(); ++i) {
    const double count = std::floor(motion.at(at[i]).angle / kTurn * o.disc.pulses + first);
    values.push_back(i == 0 ? kNone : rpm_of((count - before) / o.disc.pulses, at[i] - at[i - 1]));
    before = count;
  }
  return values;
}

// What a display takes in: a value at each turn, or the mean since the renewal before.
std::vector<Update> taken_in(const Tachometer& o, const Pulses& pulses, double begin, double end,
                             Dice& dice) {
  std::vector<Update> updates;
  const int n = o.disc.pulses;
  if (o.renew <= 0.0) {
    for (std::size_t k = n; k < pulses.times.size(); k += n)
      updates.push_back({pulses.times[k], rpm_of(1.0, pulses.times[k] - pulses.times[k - n])});
    return updates;
  }
  std::vector<double> at;
  for (double t = begin + dice.uniform() * o.renew; t < end; t += o.renew) at.push_back(t);
  const std::vector<double> values = between_edges(pulses, n, at);
  for (std::size_t i = 0; i < at.size(); ++i)
    if (!std::isnan(values[i])) updates.push_back({at[i], values[i]});
  return updates;
}

double middle_of(std::vector<double> values) {
  std::sort(values.begin(), values.end());
  return values[values.size() / 2];
}

// The display's own arithmetic on what it has taken in.
void settle_display(const Tachometer& o, std::vector<Update>& updates) {
  std::vector<double> recent;
  double smooth = updates.empty() ? 0.0 : updates.front().rpm;
  for (Update& update : updates) {
    recent.push_back(update.rpm);
    if (recent.size() > static_cast<std::size_t>(o.values)) recent.erase(recent.begin());
    smooth += o.share * (update.rpm - smooth);
    double sum = 0.0;
    for (const double x : recent) sum += x;
    if (o.base == "smoothing") update.rpm = smooth;
    if (o.base == "median") update.rpm = middle_of(recent);
    if (o.base == "moving-average") update.rpm = sum / static_cast<double>(recent.size());
  }
}

std::vector<double> held(const std::vector<Update>& updates, const std::vector<double>& at) {
  std::vector<double> values;
  std::size_t next = 0;
  for (const double t : at) {
    while (next < updates.size() && updates[next].t <= t) ++next;
    values.push_back(next == 0 ? kNone : updates[next - 1].rpm);
  }
  return values;
}

std::vector<double> polling_times(const Rows& rows, double begin, double end, Dice& dice) {
  std::vector<double> at;
  const double step = 1.0 / rows.rate;
  for (double t = begin + dice.uniform() * step; t < end;) {
    at.push_back(t);
    t += step * std::max(0.2, 1.0 + dice.normal(rows.irregular));
  }
  return at;
}

std::vector<double> gate_ends(const Tachometer& o, double begin, double end, Dice& dice) {
  std::vector<double> at;
  const double step = o.gate + o.pause;
  for (double t = begin + o.gate + dice.uniform() * step; t < end; t += step) at.push_back(t);
  return at;
}

// Rows lost on their way to the table: up to `gaps` stretches of a twentieth of the whole.
void lose_stretches(std::vector<Row>& rows, int gaps, double begin, double end, Dice& dice) {
  const double length = std::min(1.0, 0.05 * (end - begin));
  for (int i = 0; i < gaps; ++i) {
    const double from = dice.uniform(begin + 0.15 * (end - begin), end - 0.15 * (end - begin));
    std::erase_if(rows,
                  [&](const Row& r) { return r.latched > from && r.latched < from + length; });
  }
}

// What the table says of the times: their own error, rounding, never backwards.
void stamp(std::vector<Row>& rows, const Rows& how, double begin, Dice& dice) {
  double before = 0.0;
  for (Row& row : rows) {
    const double told = row.latched - begin + dice.normal(how.stamp_jitter);
    row.stamp = std::max(before, std::round(told / how.stamp_step) * how.stamp_step);
    before = row.stamp;
  }
}

std::vector<double> values_at(const Tachometer& o, const Motion& motion, const Pulses& pulses,
                              const std::vector<double>& at, double begin, double end, Dice& dice) {
  if (o.base == "between-edges") return between_edges(pulses, o.disc.pulses, at);
  if (o.base == "last-pulses") return last_pulses(pulses, o.disc.pulses, o.pulses_back, at);
  if (o.base == "voltage") return voltage(o, motion, pulses, at, dice);
  if (o.base == "encoder") return encoder(o, motion, at, dice.uniform());
  if (o.base == "gate" && o.own_pace) return counted(pulses, o.disc.pulses, o.gate, at);
  std::vector<Update> updates;
  if (o.base == "gate") {
    const std::vector<double> ends = gate_ends(o, begin, end, dice);
    const std::vector<double> counts = counted(pulses, o.disc.pulses, o.gate, ends);
    for (std::size_t i = 0; i < ends.size(); ++i) updates.push_back({ends[i], counts[i]});
  } else {
    updates = taken_in(o, pulses, begin, end, dice);
    settle_display(o, updates);
  }
  return held(updates, at);
}

}  // namespace

std::vector<Row> read(const Tachometer& o, const Motion& motion, double begin, double end,
                      Dice& dice) {
  const bool by_pulses = o.base != "encoder";
  const Pulses pulses = by_pulses ? pulses_of(motion, o.disc, dice) : Pulses{};
  const std::vector<double> at =
      o.own_pace ? gate_ends(o, begin, end, dice) : polling_times(o.rows, begin, end, dice);
  const std::vector<double> values = values_at(o, motion, pulses, at, begin, end, dice);
  std::vector<Row> rows;
  for (std::size_t i = 0; i < at.size(); ++i) {
    double value = values[i];
    if (by_pulses && o.timeout > 0.0) {
      const int last = pulses.last_before(at[i]);
      if (last >= 0 && at[i] - pulses.times[last] > o.timeout) value = 0.0;
    }
    if (std::isnan(value)) continue;
    rows.push_back({at[i], 0.0, std::round(value / o.digit) * o.digit});
  }
  lose_stretches(rows, o.rows.gaps, begin, end, dice);
  stamp(rows, o.rows, begin, dice);
  return rows;
}

}  // namespace benches
