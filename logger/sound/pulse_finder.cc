#include "logger/sound/pulse_finder.h"

#include <algorithm>
#include <cmath>

#include "db/basis/median.h"
#include "logger/sound/hum.h"

namespace loadline {
namespace {

constexpr double kMargin_s = 1.5;        // at the end of a stretch its course is not certain yet
constexpr std::size_t kNeighbours = 12;  // flanks before and after, or all within:
constexpr double kNear_s = 0.3;
constexpr double kLeastShare = 0.2;  // of the step of the larger ones among them
constexpr double kMostSure = 100;    // what no noise explains may still be no mark
constexpr double kMostBridged = 30;  // pulses; beyond that the shaft began anew
constexpr std::size_t kMostSds = 100000;
// A flank that is so many times less certain than the usual one, and by this share of its period,
// is no longer the usual one: a slow mark whose course the input's high-pass has changed, or noise.
constexpr double kVague = 2.5, kVagueShare = 0.005;
// So few edges beyond a vague one, at either end of a stretch, may be noise as well: nothing comes
// after them that would show it.
constexpr std::size_t kFewBeyond = 3;
constexpr int kLooksAtInput = 3, kLooksBetween = 10;  // stretches

// The flanks of one sign, without what is too small beside its neighbours to be of the shaft.
std::vector<Flank> of_sign(const std::vector<Flank>& flanks, int sign, double rate) {
  std::vector<Flank> same, kept;
  for (const Flank& flank : flanks)
    if (flank.step * sign > 0) same.push_back(flank);
  std::vector<double> sizes;
  std::size_t first = 0, beyond = 0;
  for (std::size_t i = 0; i < same.size(); ++i) {
    const double near = kNear_s * rate;
    while (same[first].at < same[i].at - near) ++first;
    while (beyond < same.size() && same[beyond].at <= same[i].at + near) ++beyond;
    const std::size_t from = std::min(first, i > kNeighbours ? i - kNeighbours : 0);
    const std::size_t to = std::max(beyond, std::min(same.size(), i + kNeighbours + 1));
    sizes.clear();
    for (std::size_t k = from; k < to; ++k) sizes.push_back(std::fabs(same[k].step));
    // The third largest: one loud click or two do not hide the pulses about them.
    const std::size_t rank = std::min<std::size_t>(2, sizes.size() - 1);
    std::nth_element(sizes.begin(), sizes.begin() + static_cast<std::ptrdiff_t>(rank), sizes.end(),
                     std::greater<>());
    const double share = std::fabs(same[i].step) / sizes[rank];
    if (share < kLeastShare) continue;
    kept.push_back(same[i]);
    kept.back().sureness = std::min(kept.back().sureness, kMostSure * share);
  }
  return kept;
}

// Of the two flanks of a pulse the one that stands out more; but not a few of the other sign.
bool clearer(const PulsePath& a, const PulsePath& b) {
  if (b.edges.empty()) return true;
  const auto n = static_cast<double>(a.edges.size()), m = static_cast<double>(b.edges.size());
  if (4 * n < m || 4 * m < n) return n > m;
  return a.sureness / n > b.sureness / m;
}

// Which edges have a time of their own. `vague`: the standard uncertainty, in periods, from which
// one has none.
std::vector<bool> sure_ones(const std::vector<TimedFlank>& flanks, double vague) {
  std::vector<bool> sure(flanks.size());
  for (std::size_t i = 0; i < flanks.size(); ++i)
    sure[i] = flanks[i].sd > 0 && flanks[i].sd <= vague * flanks[i].period;
  const std::vector<bool> alone = sure;
  for (std::size_t from = 0, to = 0; from < flanks.size(); from = to) {
    to = from + 1;
    while (to < flanks.size() && flanks[to].step != 0) ++to;
    const std::size_t few = std::min(kFewBeyond, to - from);
    const auto leave_out_beyond = [&](const auto& from_end) {
      bool confirmed = true;
      for (std::size_t k = few; k-- > 0;) {  // from the inside to the end
        confirmed = confirmed && alone[from_end(k)];
        if (!confirmed) sure[from_end(k)] = false;
      }
    };
    leave_out_beyond([&](std::size_t k) { return from + k; });
    leave_out_beyond([&](std::size_t k) { return to - 1 - k; });
  }
  return sure;
}

// Standard uncertainty, in periods, from which a flank has no time of its own.
double vague_from(const std::vector<TimedFlank>& flanks) {
  std::vector<double> shares;
  for (const TimedFlank& flank : flanks)
    if (flank.sd > 0) shares.push_back(flank.sd / flank.period);
  return shares.empty() ? kVagueShare : std::max(kVagueShare, kVague * median(shares));
}

}  // namespace

PulseFinder::PulseFinder(double rate, double stretch_s)
    : rate_(rate),
      stretch_(static_cast<std::size_t>(stretch_s * rate)),
      margin_(static_cast<std::size_t>(kMargin_s * rate)) {}

void PulseFinder::take(std::span<const float> samples, std::vector<SoundEdge>& into) {
  while (!samples.empty()) {
    const std::size_t room = std::min(samples.size(), stretch_ - buffer_.size());
    buffer_.insert(buffer_.end(), samples.begin(),
                   samples.begin() + static_cast<std::ptrdiff_t>(room));
    samples = samples.subspan(room);
    if (buffer_.size() == stretch_) look(false, into);
  }
}

void PulseFinder::finish(std::vector<SoundEdge>& into) { look(true, into); }

PulseFinder::Found PulseFinder::pulses_in(const std::vector<float>& sound) const {
  const std::vector<Flank> all = find_flanks(sound, rate_);
  Found best;
  for (const int way : {1, -1}) {
    if (sign_ != 0 && way != sign_) continue;
    std::vector<Flank> same = of_sign(all, way, rate_);
    PulsePath found = find_path(same);
    if (found.edges.empty() || !clearer(found, best.path)) continue;
    best = {std::move(found), std::move(same), way};
  }
  return best;
}

std::vector<SoundEdge> PulseFinder::edges_of_buffer() {
  // Marks that pass as often as the mains swing could be taken for hum: what shows more of the
  // shaft of the sound with and without it counts.
  std::vector<float> clean = without_hum(buffer_, rate_);
  Found found = pulses_in(clean);
  if (clean != buffer_) {
    Found raw = pulses_in(buffer_);
    if (raw.path.sureness > found.path.sureness) {
      found = std::move(raw);
      clean = buffer_;
    }
  }
  const auto& [path, flanks, sign] = found;
  if (path.edges.empty()) return {};
  sign_ = sign;
  if (sign < 0)
    for (float& value : clean) value = -value;
  std::vector<TimedFlank> timed;
  for (const PathEdge& edge : path.edges) timed.push_back({flanks[edge.flank].at, edge.step, 1, 0});
  const RunningSums sums(clean);
  // One input made all of the take: its first stretches tell its high-pass, then some now and then.
  if (looks_ < kLooksAtInput || looks_ % kLooksBetween == 0)
    input_ = high_pass_of(sums, rate_, timed);
  ++looks_;
  refine(sums, rate_, input_, timed);
  const std::vector<bool> sure = sure_ones(timed, vague_from(timed));
  std::vector<SoundEdge> edges;
  int passed = 0, lost = 0;  // pulses since the last edge that has a time of its own
  for (std::size_t e = 0; e < timed.size(); ++e) {
    const int step = path.edges[e].step;
    passed = step == 0 || edges.empty() ? 0 : passed + step;
    lost = passed == 0 ? 0 : lost + step - 1;
    if (!sure[e]) continue;
    edges.push_back(
        {timed[e].at + static_cast<double>(origin_), passed, timed[e].sd, timed[e].period, lost});
    passed = lost = 0;
    if (edges.back().at > given_to_ + timed[e].period / 2)
      counts_.doubled += static_cast<std::uint64_t>(path.edges[e].left_out);
  }
  return edges;
}

void PulseFinder::look(bool last, std::vector<SoundEdge>& into) {
  const double until = last ? 1e300 : static_cast<double>(origin_ + buffer_.size() - margin_);
  for (SoundEdge edge : edges_of_buffer()) {
    // The edges of the stretch before are found again; half a period tells them from new ones.
    if (edge.at >= until || edge.at < given_to_ + edge.period / 2) continue;
    if (edge.step == 0 && given_to_ >= 0) {
      // Lost and found again: as many pulses as the speeds before and after give.
      const double pulses = (edge.at - given_to_) * 2 / (edge.period + last_period_);
      if (pulses < kMostBridged) edge.step = std::max(1, static_cast<int>(std::lround(pulses)));
      edge.lost = std::max(0, edge.step - 1);
    }
    into.push_back(edge);
    given_to_ = edge.at;
    last_period_ = edge.period;
    ++counts_.edges;
    counts_.lost += static_cast<std::uint64_t>(edge.lost);
    if (sds_.size() < kMostSds) sds_.push_back(static_cast<float>(edge.sd));
  }
  if (last) return;
  const std::size_t gone = stretch_ - 2 * margin_;
  buffer_.erase(buffer_.begin(), buffer_.begin() + static_cast<std::ptrdiff_t>(gone));
  origin_ += gone;
}

double PulseFinder::usual_sd_s() const {
  if (sds_.empty()) return 0;
  std::vector<float> sds = sds_;
  const auto middle = sds.begin() + static_cast<std::ptrdiff_t>(sds.size() / 2);
  std::nth_element(sds.begin(), middle, sds.end());
  return *middle / rate_;
}

}  // namespace loadline
