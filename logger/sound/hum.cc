#include "logger/sound/hum.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>

#include "db/basis/median.h"
#include "db/basis/units.h"

namespace loadline {
namespace {

using Complex = std::complex<double>;

constexpr std::array kMainsHz = {50.0, 60.0};
constexpr double kMainsOff = 0.4;     // Hz: nets stay within some tenths
constexpr double kSearchRate = 2400;  // samples a second are enough to find it
constexpr int kSearched = 6;          // harmonics that tell the frequency
constexpr double kBandRate = 40;      // values a second hold what lies within kMainsOff of them
constexpr double kHighestHz = 1000;   // of a harmonic that is taken out
constexpr double kStandsOut = 15;     // power over that beside it
constexpr double kCut = 3;            // robust standard deviations
constexpr int kFitRounds = 2;
constexpr double kShortest_s = 1.5;  // a shorter stretch does not tell hum from marks

std::vector<double> averaged(std::span<const float> x, std::size_t block) {
  std::vector<double> means(x.size() / block, 0.0);
  for (std::size_t i = 0; i < means.size(); ++i)
    for (std::size_t k = 0; k < block; ++k)
      means[i] += x[i * block + k] / static_cast<double>(block);
  return means;
}

// Cut down to some robust standard deviations about the median.
void cut(std::vector<double>& x) {
  const double centre = median(x);
  std::vector<double> away;
  for (const double value : x) away.push_back(std::fabs(value - centre));
  const double most = kCut * kSdOfMedian * median(away);
  for (double& value : x) value = std::clamp(value - centre, -most, most);
}

// The amplitude of exp(2πi·hz·t) in x, under a window that keeps neighbours apart.
Complex line(const std::vector<double>& x, const std::vector<double>& window, double hz,
             double rate) {
  const Complex turn = std::polar(1.0, -2 * kPi * hz / rate);
  Complex at = 1, sum = 0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    sum += window[i] * x[i] * at;
    at *= turn;
  }
  return 2.0 * sum;
}

// Hann's, with sum 1.
std::vector<double> window_of(std::size_t n) {
  std::vector<double> window(n);
  for (std::size_t i = 0; i < n; ++i)
    window[i] = (1 - std::cos(2 * kPi * (static_cast<double>(i) + 0.5) / static_cast<double>(n))) /
                static_cast<double>(n);
  return window;
}

// What lies about the harmonics of one mains frequency, each moved down to nought and averaged over
// short blocks, so that its power at a frequency nearby takes hundreds of values and not the whole
// signal.
class Bands {
 public:
  Bands(const std::vector<double>& x, const std::vector<double>& window, double rate, double mains)
      : mains_(mains) {
    const auto block = static_cast<std::size_t>(rate / kBandRate);
    block_s_ = static_cast<double>(block) / rate;
    for (int h = 1; h <= kSearched; ++h) {
      std::vector<Complex>& sums = bands_.emplace_back(x.size() / block + 1);
      const Complex turn = std::polar(1.0, -2 * kPi * h * mains / rate);
      Complex at = 1;
      for (std::size_t i = 0; i < x.size(); ++i) {
        sums[i / block] += window[i] * x[i] * at;
        at *= turn;
      }
    }
  }

  // Of all searched harmonics of a frequency within kMainsOff.
  double power(double hz) const {
    double all = 0, h = 0;
    for (const std::vector<Complex>& sums : bands_) {
      h += 1;
      const Complex turn = std::polar(1.0, -2 * kPi * h * (hz - mains_) * block_s_);
      Complex at = 1, sum = 0;
      for (const Complex& one : sums) {
        sum += one * at;
        at *= turn;
      }
      all += std::norm(2.0 * sum);
    }
    return all;
  }

 private:
  double mains_, block_s_ = 1;
  std::vector<std::vector<Complex>> bands_;
};

class Hum {
 public:
  Hum(std::span<const float> x, double rate) {
    block_ = std::max<std::size_t>(1, static_cast<std::size_t>(rate / kSearchRate));
    rate_ = rate / static_cast<double>(block_);
    x_ = averaged(x, block_);
    window_ = window_of(x_.size());
    length_s_ = static_cast<double>(x_.size()) / rate_;
  }

  bool find() {
    std::vector<double> clipped = x_;
    cut(clipped);
    double best = 0;
    const auto try_at = [&](const Bands& bands, double hz) {
      const double power = bands.power(hz);
      if (power <= best) return false;
      best = power;
      base_hz_ = hz;
      return true;
    };
    const double coarse = 0.35 / length_s_;
    for (const double mains : kMainsHz) {
      const Bands bands(clipped, window_, rate_, mains);
      bool better = false;
      for (double hz = mains - kMainsOff; hz <= mains + kMainsOff; hz += coarse)
        better = try_at(bands, hz) || better;
      if (!better) continue;
      const double about = base_hz_;
      for (double hz = about - coarse; hz <= about + coarse; hz += coarse / 8) try_at(bands, hz);
    }
    if (!(best > 0)) return false;
    for (int round = 0; round < kFitRounds; ++round) fit();
    return std::any_of(lines_.begin(), lines_.end(), [](Complex a) { return a != Complex(0); });
  }

  std::vector<float> taken_out_of(std::span<const float> x, double rate) const {
    std::vector<float> out(x.begin(), x.end());
    for (std::size_t h = 0; h < lines_.size(); ++h) {
      if (lines_[h] == Complex(0)) continue;
      const double hz = base_hz_ * static_cast<double>(h + 1);
      // A mean of some samples stands for their middle and is a little smaller than they are.
      const double angle = kPi * hz / rate, n = static_cast<double>(block_);
      const Complex size = lines_[h] * (n * std::sin(angle) / std::sin(n * angle)) *
                           std::polar(1.0, -angle * (n - 1));
      const Complex turn = std::polar(1.0, 2 * angle);
      Complex at = size;
      for (float& value : out) {
        value -= static_cast<float>(at.real());
        at *= turn;
      }
    }
    return out;
  }

 private:
  // One harmonic after the other in what the others leave of the signal that is cut down.
  void fit() {
    lines_.resize(static_cast<std::size_t>(std::min(kHighestHz, 0.4 * rate_) / base_hz_));
    std::vector<double> rest = x_;
    for (std::size_t h = 0; h < lines_.size(); ++h) add(rest, h, -lines_[h]);
    cut(rest);
    for (std::size_t h = 0; h < lines_.size(); ++h) {
      const double hz = base_hz_ * static_cast<double>(h + 1);
      const Complex whole = lines_[h] + line(rest, window_, hz, rate_);
      lines_[h] = std::norm(whole) > kStandsOut * beside(rest, hz) ? whole : 0;
    }
  }

  // The usual power of lines beside, which the window keeps free of this one.
  double beside(const std::vector<double>& rest, double hz) const {
    std::vector<double> powers;
    for (const double away : {-5.0, -3.0, 3.0, 5.0})
      powers.push_back(std::norm(line(rest, window_, hz + away / length_s_, rate_)));
    return median(powers) / std::log(2.0);
  }

  void add(std::vector<double>& to, std::size_t h, Complex size) const {
    if (size == Complex(0)) return;
    const Complex turn = std::polar(1.0, 2 * kPi * base_hz_ * static_cast<double>(h + 1) / rate_);
    for (double& value : to) {
      value += size.real();
      size *= turn;
    }
  }

  std::size_t block_ = 1;
  double rate_ = 1, length_s_ = 0, base_hz_ = 0;
  std::vector<double> x_, window_;
  std::vector<Complex> lines_;  // of the harmonics, from the first
};

}  // namespace

std::vector<float> without_hum(std::span<const float> x, double rate) {
  if (static_cast<double>(x.size()) > kShortest_s * rate) {
    Hum hum(x, rate);
    if (hum.find()) return hum.taken_out_of(x, rate);
  }
  return {x.begin(), x.end()};
}

}  // namespace loadline
