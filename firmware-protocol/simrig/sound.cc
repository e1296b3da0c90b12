#include "firmware-protocol/simrig/sound.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "firmware-protocol/simrig/dice.h"
#include "firmware-protocol/simrig/turn.h"

namespace loadline::simrig {
namespace {

constexpr int kOver = 4;  // steps within a sample: flanks of some microseconds
constexpr int kHumHarmonics = 14, kShaftHarmonics = 24;
constexpr double kShaftWander = 0.3;  // of a harmonic's level, slowly
constexpr double kBounce_s = 40e-6;   // so steep is a contact, and ten times as long closed
constexpr std::uint32_t kFirstStream = 40;

// Of one pole, sampled.
class Pole {
 public:
  Pole(double hz, double rate) : keep_(std::exp(-kTwoPi * hz / rate)) {}
  double low(double x) { return state_ = keep_ * state_ + (1 - keep_) * x; }
  double high(double x) { return x - low(x); }

 private:
  double keep_, state_ = 0;
};

struct Mark {
  double width = 0, height = 0;
  bool seen = true, bounces = false;
};

// The shaft's angle and speed at any moment, by the cubic through the samples' truth.
class Angle {
 public:
  Angle(const std::vector<TrueState>& truth, bool of_motor) : truth_(truth), of_motor_(of_motor) {}
  struct Motion {
    double angle = 0, speed = 0;
  };
  Motion at(double time_s) {
    if (truth_.size() < 2) return {};
    while (next_ + 1 < truth_.size() && truth_[next_].time_s <= time_s) ++next_;
    const TrueState &a = truth_[std::max<std::size_t>(1, next_) - 1],
                    &b = truth_[std::max<std::size_t>(1, next_)];
    const double h = b.time_s - a.time_s, u = std::clamp((time_s - a.time_s) / h, 0.0, 1.0);
    const double d = angle(b) - angle(a), m0 = h * speed(a), m1 = h * speed(b);
    const double c2 = 3 * d - 2 * m0 - m1, c3 = m0 + m1 - 2 * d;
    return {angle(a) + u * (m0 + u * (c2 + u * c3)), speed(a) + u * (speed(b) - speed(a))};
  }

 private:
  double angle(const TrueState& s) const { return of_motor_ ? s.motor_angle : s.handwheel_angle; }
  double speed(const TrueState& s) const { return of_motor_ ? s.motor_speed : s.handwheel_speed; }
  const std::vector<TrueState>& truth_;
  bool of_motor_;
  std::size_t next_ = 0;
};

// What the sensor gives while marks pass, before anything electrical.
class Pulses {
 public:
  /// `angle`: of the shaft, on which the mark lies that gives edge k.
  Pulses(const std::vector<double>& edges, Angle angle, double per_turn, const SoundSpec& spec,
         std::uint64_t seed)
      : edges_(edges),
        spec_(spec),
        usual_(static_cast<std::size_t>(per_turn)),
        pitch_(kTwoPi / per_turn),
        dice_(seed, kFirstStream) {
    for (Mark& mark : usual_) {
      mark.width = spec.mark * (1 + spec.unlike * (2 * dice_.uniform() - 1));
      mark.height = 1 + spec.unlike * (2 * dice_.uniform() - 1);
    }
    for (std::size_t k = 0; k < edges.size(); ++k) {
      marks_.push_back(usual_[k % usual_.size()]);
      marks_.back().seen = dice_.uniform() >= spec.lost;
      marks_.back().bounces = dice_.uniform() < spec.bounce;
      places_.push_back(angle.at(edges[k]).angle);
    }
  }

  // With the shaft at an angle at a time, which must not fall from call to call.
  double at(double time_s, double angle) {
    while (next_ < edges_.size() && edges_[next_] <= time_s) ++next_;
    double level = 0;
    if (next_ > 0) level += of(next_ - 1, time_s, angle);
    if (next_ < edges_.size()) level += of(next_, time_s, angle);
    return level;
  }

 private:
  // Logistic flanks, as a spot of light gives that is brightest in its middle.
  double of(std::size_t k, double time_s, double angle) const {
    const Mark& mark = marks_[k];
    if (!mark.seen) return 0;
    const double u = (angle - places_[k]) / pitch_, spot = std::max(spec_.spot, 1e-4) / 4;
    const auto step = [](double x) { return 1 / (1 + std::exp(-std::clamp(x, -40.0, 40.0))); };
    double level = step(u / spot) - step((u - mark.width) / spot);
    const double late = (time_s - edges_[k] - spec_.bounce_s) / kBounce_s;
    if (mark.bounces) level = std::max(level, 0.8 * (step(late) - step(late - 10)));
    return mark.height * level;
  }

  const std::vector<double>& edges_;
  const SoundSpec& spec_;
  std::vector<Mark> usual_, marks_;
  std::vector<double> places_;
  double pitch_;
  Dice dice_;
  std::size_t next_ = 0;
};

// Harmonics of the turn: those of the turn itself weak, of blades and joints strong, each with a
// level of its own that wanders and grows with speed.
class ShaftSound {
 public:
  ShaftSound(const SoundSpec& spec, double rate, std::uint64_t seed)
      : dice_(seed, kFirstStream + 1) {
    for (int h = 1; h <= kShaftHarmonics; ++h) {
      const bool strong = spec.blades > 0 && h % static_cast<int>(spec.blades) == 0;
      level_.push_back((strong ? 1.0 : 0.25) * std::exp(0.8 * dice_.normal()) / std::sqrt(h));
      phase_.push_back(kTwoPi * dice_.uniform());
      wander_.emplace_back(kShaftWander, 0.4, 1 / rate,
                           Dice(seed, kFirstStream + 100 + static_cast<std::uint32_t>(h)));
    }
  }
  double at(const Angle::Motion& motion, double top) {
    double sum = 0;
    for (std::size_t h = 0; h < level_.size(); ++h) {
      wander_[h].advance();
      sum += level_[h] * (1 + wander_[h].value()) *
             std::sin(static_cast<double>(h + 1) * motion.angle + phase_[h]);
    }
    return sum * motion.speed / top;
  }

 private:
  Dice dice_;
  std::vector<double> level_, phase_;
  std::vector<Wander> wander_;
};

bool of_motor(const Scenario& s) {
  if (s.sound.tach != "auto") return s.sound.tach == "motor";
  if (s.run.play == Play::kCoastDown) return s.machine.subject == "motor";
  return s.run.play != Play::kTopSpeed;
}

// Root of the mean square where the signal is above a fifth of its highest envelope: while the
// shaft turns fast.
double rms_while_loud(const std::vector<double>& x, double rate) {
  const auto block = static_cast<std::size_t>(std::max(1.0, 0.1 * rate));
  std::vector<double> powers;
  for (std::size_t at = 0; at + block <= x.size(); at += block) {
    double sum = 0;
    for (std::size_t i = at; i < at + block; ++i) sum += x[i] * x[i];
    powers.push_back(sum / static_cast<double>(block));
  }
  if (powers.empty()) return 0;
  const double most = *std::max_element(powers.begin(), powers.end());
  double sum = 0, count = 0;
  for (const double power : powers) {
    if (power < 0.3 * most) continue;
    sum += power;
    count += 1;
  }
  return count > 0 ? std::sqrt(sum / count) : 0;
}

// Photo transistor, plug and amplifier: rises faster than it falls, rolls off, knows no level.
std::vector<double> through_the_input(const Recording& r, const Scenario& s, std::uint64_t seed) {
  const SoundSpec& spec = s.sound;
  const bool motor = of_motor(s);
  const double true_rate = spec.rate_hz * (1 + spec.clock_ppm * 1e-6), fine = true_rate * kOver;
  Angle angle(r.truth, motor), angle_between(r.truth, motor);
  Pulses pulses(motor ? r.motor_edges : r.handwheel_edges, angle,
                motor ? s.motor_tach.pulses : s.handwheel_tach.pulses, spec, seed);
  ShaftSound shaft(spec, true_rate, seed);
  double top = 1e-9;
  for (const TrueState& state : r.truth)
    top = std::max(top, motor ? state.motor_speed : state.handwheel_speed);
  Pole rise(1e6 / (kTwoPi * std::max(0.1, spec.rise_us)), fine);
  Pole roll_off(spec.low_pass_hz, fine), high(spec.high_pass_hz, true_rate),
      second(spec.second_high_pass_hz, true_rate);
  const double falls = std::exp(-1e6 / (std::max(0.1, spec.fall_us) * fine));
  std::vector<double> out;
  double sensor = 0;
  const auto samples = static_cast<std::size_t>(s.total_seconds() * true_rate);
  for (std::size_t n = 0; n < samples; ++n) {
    double sum = 0;
    for (int k = 0; k < kOver && spec.pulse_level != 0; ++k) {
      const double time = (static_cast<double>(n) + k / double{kOver}) / true_rate;
      const double light = pulses.at(time, angle_between.at(time).angle);
      const double risen = rise.low(light);
      sensor = risen > sensor ? risen : risen + (sensor - risen) * falls;
      sum += roll_off.low(sensor) / kOver;
    }
    double value = spec.pulse_level * sum;
    if (spec.shaft_level != 0)
      value += spec.shaft_level * shaft.at(angle.at(static_cast<double>(n) / true_rate), top);
    out.push_back(second.high(high.high(value)));
  }
  return out;
}

void add_noise(std::vector<double>& x, const SoundSpec& spec, std::uint64_t seed) {
  const double rms = rms_while_loud(x, spec.rate_hz) * std::pow(10.0, -spec.snr_db / 20);
  Dice dice(seed, kFirstStream + 2);
  // 1/f by one pole in each decade.
  std::array poles = {Pole(20, spec.rate_hz), Pole(200, spec.rate_hz), Pole(2000, spec.rate_hz)};
  std::vector<double> slow(x.size());
  double power = 0;
  for (double& value : slow) {
    double gain = 1;
    for (Pole& pole : poles) {
      value += gain * pole.low(dice.normal()) * std::sqrt(spec.rate_hz / 20);
      gain /= std::sqrt(10.0);
    }
    power += value * value;
  }
  const double scale = power > 0 ? std::sqrt(static_cast<double>(x.size()) / power) : 0;
  for (std::size_t i = 0; i < x.size(); ++i)
    x[i] +=
        rms * (std::sqrt(1 - spec.pink) * dice.normal() + std::sqrt(spec.pink) * scale * slow[i]);
}

void add_hum(std::vector<double>& x, const SoundSpec& spec, double rms, std::uint64_t seed) {
  Dice dice(seed, kFirstStream + 3);
  for (int h = 1; h <= kHumHarmonics; ++h) {
    const double size =
        spec.hum * rms * (h % 2 == 1 ? 1.0 : 0.35) / std::pow(h, 0.9) * (0.5 + dice.uniform());
    const double turn = kTwoPi * h * spec.hum_hz / spec.rate_hz, phase = kTwoPi * dice.uniform();
    for (std::size_t i = 0; i < x.size(); ++i)
      x[i] += size * std::sin(turn * static_cast<double>(i) + phase);
  }
}

// A gain that falls at once where it is loud and recovers within a second.
void follow_level(std::vector<double>& x, const SoundSpec& spec) {
  double highest = 1e-12, held = 0;
  for (const double value : x) highest = std::max(highest, std::fabs(value));
  const double keep = std::exp(-1 / spec.rate_hz);
  for (double& value : x) {
    held = std::max(std::fabs(value), keep * held);
    value *= std::pow(std::max(held, 0.02 * highest) / highest, -spec.gain_control);
  }
}

}  // namespace

std::vector<double> sound_of(const Recording& recording, const Scenario& scenario,
                             std::uint64_t seed) {
  const SoundSpec& spec = scenario.sound;
  std::vector<double> x = through_the_input(recording, scenario, seed);
  const double rms = rms_while_loud(x, spec.rate_hz);
  add_noise(x, spec, seed);
  if (spec.hum > 0) add_hum(x, spec, rms, seed);
  if (spec.gain_control > 0) follow_level(x, spec);
  double highest = 1e-12;
  for (const double value : x) highest = std::max(highest, std::fabs(value));
  for (std::size_t i = 0; i < x.size(); ++i) {
    const double drift =
        spec.drift * std::sin(kTwoPi * static_cast<double>(i) / (11 * spec.rate_hz));
    x[i] = std::clamp((x[i] / highest + drift) * 0.7 * spec.gain, -1.0, 1.0);
  }
  return x;
}

std::string wav(const std::vector<double>& samples, double rate_hz) {
  std::string bytes;
  const auto number = [&](std::uint64_t value, int size) {
    for (int i = 0; i < size; ++i) bytes += static_cast<char>(value >> (8 * i) & 0xFF);
  };
  const auto rate = static_cast<std::uint64_t>(rate_hz);
  bytes += "RIFF";
  number(36 + 2 * samples.size(), 4);
  bytes += "WAVEfmt ";
  number(16, 4);
  number(1, 2);  // whole numbers
  number(1, 2);  // one channel
  number(rate, 4);
  number(2 * rate, 4);
  number(2, 2);
  number(16, 2);
  bytes += "data";
  number(2 * samples.size(), 4);
  for (const double value : samples)
    number(static_cast<std::uint64_t>(std::llround(32767 * std::clamp(value, -1.0, 1.0))), 2);
  return bytes;
}

}  // namespace loadline::simrig
