// Edges of a shaft in a stream of sound, a stretch at a time: memory does not grow with the take.
//
// Threads: one at a time.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "logger/sound/pulse_path.h"
#include "logger/sound/pulse_shape.h"

namespace loadline {

struct SoundEdge {
  double at = 0;  ///< samples from the first one of the take
  /// Pulses since the edge before: 1, more where some were lost, 0 where the shaft began anew.
  int step = 0;
  double sd = 0;      ///< standard uncertainty of `at` by noise, samples
  double period = 0;  ///< samples per pulse there
  int lost = 0;  ///< of `step`: those that were not seen, where others were but had no sure time
};

struct PulseCounts {
  std::uint64_t edges = 0;
  std::uint64_t lost = 0;     ///< pulses that the shaft's course wants and the take has not
  std::uint64_t doubled = 0;  ///< flanks in between: bounce, and what else is none of the shaft's
};

class PulseFinder {
 public:
  /// `rate`: samples a second. `stretch_s`: what is looked at together, 10 s or more.
  explicit PulseFinder(double rate, double stretch_s = 30);
  void take(std::span<const float> samples, std::vector<SoundEdge>& into);
  /// The take is over.
  void finish(std::vector<SoundEdge>& into);
  const PulseCounts& counts() const { return counts_; }
  /// Median standard uncertainty of an edge so far, s; 0 before the first.
  double usual_sd_s() const;

 private:
  struct Found {
    PulsePath path;
    std::vector<Flank> flanks;  ///< of its sign
    int sign = 0;
  };
  void look(bool last, std::vector<SoundEdge>& into);
  Found pulses_in(const std::vector<float>& sound) const;
  std::vector<SoundEdge> edges_of_buffer();
  double rate_;
  std::size_t stretch_, margin_;
  std::vector<float> buffer_;
  std::uint64_t origin_ = 0;  // of the buffer in the take
  double given_to_ = -1;      // the last edge that was given out
  double last_period_ = 1;    // of it
  int sign_ = 0;              // of the flanks; 0 while not known
  InputHighPass input_;       // as the stretches that were looked at for it show it
  int looks_ = 0;             // stretches with pulses
  PulseCounts counts_;
  std::vector<float> sds_;  // of some of the edges
};

}  // namespace loadline
