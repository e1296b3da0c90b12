#include "fit/coast_downs/row_readings.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <span>

#include "fit/coast_downs/coast_levels.h"
#include "fit/coast_downs/row_constants.h"
#include "fit/coast_downs/turn_marks.h"
#include "fit/readings/stated_tachometer.h"

namespace loadline {
namespace {

using namespace drag_chosen;

double score_of(const CoastFit& fit) {
  return 2 * deviance_of_course(fit) + corrected_akaike(fit, fit);
}

double score_of(const RowsRead& read) {
  double score = score_of(*read.fit);
  const WayToRead way = way_to_read(read.reading);
  const bool turns =
      way.has_age && !way.repeats_are_values && way.over != WayToRead::Over::kSinceBefore;
  for (const Coast& coast : read.coasts)
    if (turns && coast.display) score += kUnusualDisplay;
  return score;
}

void judge(RowsRead& read) {
  if (!read.fit->usable) return;
  read.fit->score = score_of(read);
  read.fit->usable = std::isfinite(read.fit->score);
}

// How old the last edge is decides much, and what is left over has several minima by it: it is
// tried out for discs of some 1 to 90 pulses.
constexpr double kLogAges[] = {-3.4, -2.6, -1.8, -1.0, 0.0, 0.8};
constexpr double kLogAngles[] = {-1.8, -0.9, 0.0, 0.7, 1.2, 1.8, 2.4};
// The turns that a display works on: from one to six or so.
constexpr double kLogTurns[] = {1.2, 1.85, 2.5, 3.0, 3.6};

// A display may look more often than a pulse comes.
constexpr double kLogAgeOfOnePulse = 0.8;

std::span<const double> ages_of(RowReading reading) {
  const WayToRead way = way_to_read(reading);
  if (reads_by_turns(way.over)) return kLogTurns;
  if (way.over == WayToRead::Over::kInstant) return kLogAngles;
  return kLogAges;
}

std::vector<RowsRead> with_other_ages(const RowsRead& best, double unit,
                                      const std::optional<Prior>& inertia) {
  std::vector<RowsRead> all;
  for (const double log_age : ages_of(best.reading)) {
    CoastOptions options = best.fit->options;
    options.log_age = log_age;
    options.log_age_sd = kLogAgeSd;
    FittedCoasts fit = fit_coasts(best.coasts, options, unit, inertia, best.fit.get(), true);
    if (!fit->usable) continue;
    all.push_back({best.reading, best.coasts, std::move(fit)});
    judge(all.back());
  }
  return all;
}

// Of a display's looks: from means since the look before, which they smooth. They may come more
// often than a pulse does; `options` are to begin at the age that suits better.
FittedCoasts start_of_looks(const std::vector<Coast>& coasts, CoastOptions& options, double unit,
                            const std::optional<Prior>& inertia, const CoastFit& means) {
  CoastOptions plain = options;
  plain.ripple = false;
  FittedCoasts many = fit_coasts(coasts, plain, unit, inertia, &means);
  plain.log_age = kLogAgeOfOnePulse;
  FittedCoasts one = fit_coasts(coasts, plain, unit, inertia, &means);
  if (!one->usable || (many->usable && score_of(*many) <= score_of(*one))) return many;
  options.log_age = kLogAgeOfOnePulse;
  return one;
}

// The speed some angle ago stands for a mean over a pulse or some turns, up to that angle before
// the row; the slower the shaft, the less alike they are.
std::vector<RowsRead> as_means(const RowsRead& instant, const std::vector<Readings>& read,
                               bool of_motor, double unit, const std::optional<Prior>& inertia) {
  struct Mean {
    RowReading reading;
    double least, most;  // rad, of the angle ago: half the mean's, and the age of its end
    double log_age;
  };
  const double ago = std::exp(instant.fit->solution.parameters[instant.fit->problem->age_column()]);
  const Mean means[] = {{RowReading::kLastPulse, 0, 2.5 * kPi, std::log(ago / 2)},
                        {RowReading::kLastHalfTurn, 0.4 * kPi, 1.2 * kPi, kLogAges[1]},
                        {RowReading::kLastTwoTurns, 1.8 * kPi, 4.2 * kPi, kLogAges[1]}};
  std::vector<RowsRead> all;
  for (const Mean& mean : means) {
    if (ago < mean.least || ago > mean.most) continue;
    std::vector<Coast> coasts = cut_coasts(read, of_motor, mean.reading);
    if (coasts.empty()) continue;
    CoastOptions options = instant.fit->options;
    options.log_age = mean.log_age;
    FittedCoasts fit = fit_coasts(coasts, options, unit, inertia, instant.fit.get());
    if (!fit->usable) continue;
    all.push_back({mean.reading, std::move(coasts), std::move(fit)});
    judge(all.back());
  }
  return all;
}

bool contradict(const RowsRead& edges, const RowsRead& plain) {
  const NonlinearFit &a = edges.fit->solution, &b = plain.fit->solution;
  for (int i = 0; i < 3; ++i)
    if (std::fabs(a.parameters[i] - b.parameters[i]) >
        kContradicts * std::sqrt(a.inverse_normal(i, i) + b.inverse_normal(i, i)))
      return true;
  return false;
}

void sort_by_score(std::vector<RowsRead>& all) {
  std::sort(all.begin(), all.end(), [](const RowsRead& a, const RowsRead& b) {
    return std::pair(!a.fit->usable, a.fit->score) < std::pair(!b.fit->usable, b.fit->score);
  });
}

// Values beyond the unknowns of all runs: with fewer their scatter says nothing. A run by itself
// needs so many.
constexpr std::size_t kLeastOver = 3, kLeastAlone = 8;

// Is a display that works on its looks worth the time? Where values stand for longer than rows, or
// where no other way describes the rows.
bool may_be_display(const std::vector<Coast>& coasts, const std::vector<RowsRead>& others) {
  if (std::any_of(coasts.begin(), coasts.end(),
                  [](const Coast& coast) { return coast.look_s > coast.row_s; }))
    return true;
  const auto best =
      std::min_element(others.begin(), others.end(), [](const RowsRead& a, const RowsRead& b) {
        return std::pair(!a.fit->usable, a.fit->score) < std::pair(!b.fit->usable, b.fit->score);
      });
  return best == others.end() || !best->fit->usable ||
         unexplained_course(*best->fit) > kTellsDisplay;
}

// Do rows tell more than c₀, c₁, c₂, the age of an edge, an inertia and where each run begins?
bool enough(const std::vector<Coast>& coasts) {
  std::size_t values = 0;
  for (const Coast& coast : coasts) values += coast.size();
  return values >= 4 + (coasts.size() > 1 ? 1 : 0) + coasts.size() + kLeastOver;
}

}  // namespace

std::vector<Coast> cut_coasts(const std::vector<Readings>& read, bool of_motor,
                              RowReading reading) {
  std::vector<Coast> plain, coasts;
  for (const Readings& readings : read)
    if (auto coast = make_coast(readings, of_motor)) plain.push_back(std::move(*coast));
  if (any_from_rows(plain) && !enough(plain))
    std::erase_if(plain, [](const Coast& coast) { return coast.size() < kLeastAlone; });
  if (reading == RowReading::kBetweenValues) return plain;
  for (const Readings& readings : read) {
    const auto usable = [&](const Coast& coast) { return coast.run == readings.run.id; };
    if (std::none_of(plain.begin(), plain.end(), usable)) continue;
    auto coast = make_coast(readings, of_motor, reading);
    if (!coast) return {};
    coasts.push_back(std::move(*coast));
  }
  return coasts;
}

namespace {

constexpr double kNoScore = 1e300;

std::vector<RowsRead> read_in_ways(const std::vector<Readings>& read, bool of_motor, double unit,
                                   const std::optional<Prior>& inertia,
                                   const std::optional<Tachometer>& stated) {
  std::vector<RowsRead> all;
  double least_plain = kNoScore;
  for (const RowReading reading : kRowReadings) {
    if (stated && !makes(*stated, reading)) continue;
    std::vector<Coast> coasts = cut_coasts(read, of_motor, reading);
    if (coasts.empty()) continue;
    const bool by_rows = any_from_rows(coasts);
    if (reads_by_looks(way_to_read(reading).over) && !may_be_display(coasts, all)) continue;
    CoastOptions options;
    options.level_root = loose_levels(coasts, inertia);
    if (reads_by_turns(way_to_read(reading).over)) {
      options.log_age = kUsualLogTurns;
      options.log_age_sd = kUsualLogTurnsSd;
    }
    // Against others without a ripple: it may be what hides the better way.
    const auto hopeless = [&](const CoastFit& plain) {
      if (!by_rows) return false;
      const double score = plain.usable ? score_of(plain) : kNoScore;
      const bool far = least_plain < kNoScore && !(score < least_plain + kHopeless);
      least_plain = std::min(least_plain, score);
      return far;
    };
    const bool near = reads_by_looks(way_to_read(reading).over) && !all.empty() &&
                      all.front().reading == RowReading::kBetweenValues && all.front().fit->usable;
    FittedCoasts start;
    if (near) start = start_of_looks(coasts, options, unit, inertia, *all.front().fit);
    FittedCoasts fit =
        fit_with_or_without_ripple(coasts, options, unit, inertia, hopeless, start.get());
    RowsRead one{reading, std::move(coasts), std::move(fit)};
    if (!by_rows) {
      all.push_back(std::move(one));
      return all;
    }
    judge(one);
    if (reading == RowReading::kEdges && one.fit->usable && !all.empty() &&
        all.front().fit->usable && contradict(one, all.front()))
      continue;
    if (reading == RowReading::kLastTurn && one.fit->usable)
      if (FittedCoasts by_marks = fit_by_marks(*one.fit, unit, inertia)) {
        all.push_back({RowReading::kLastTurnAtMarks, by_marks->coasts, std::move(by_marks)});
        judge(all.back());
      }
    all.push_back(std::move(one));
  }
  sort_by_score(all);
  if (!all.empty() && all.front().reading == RowReading::kAngleAgo && all.front().fit->usable) {
    for (RowsRead& mean : as_means(all.front(), read, of_motor, unit, inertia))
      all.push_back(std::move(mean));
    sort_by_score(all);
  }
  for (std::size_t i = 0, n = all.size(); i < n; ++i) {
    if (!all[i].fit->usable || !way_to_read(all[i].reading).has_age) continue;
    if (all[i].fit->score > all.front().fit->score + kWorthAges) continue;
    for (RowsRead& other : with_other_ages(all[i], unit, inertia)) all.push_back(std::move(other));
  }
  sort_by_score(all);
  return all;
}

// Counts in a gate are off by parts of a count at either end, and what the one gate lacks the next
// one has: are the residuals of neighbours unlike each other, and hardly larger than that makes
// them? Where rounding makes such values, too, clearly so?
bool scatter_as_counts(const CoastFit& fit, bool surely) {
  double together = 0, squares = 0, pairs = 0, expected = 0;
  for (std::size_t j = 0; j < fit.coasts.size(); ++j) {
    const Coast& coast = fit.coasts[j];
    const std::vector<double> r = fit.problem->plain_residuals(fit.solution.parameters, j);
    for (std::size_t i = 1; i < r.size(); ++i) {
      if (coast.weight[i - 1] == 0 || coast.weight[i] == 0) continue;
      together += r[i - 1] * r[i];
      squares += (r[i - 1] * r[i - 1] + r[i] * r[i]) / 2;
      expected += std::pow(coast.count / coast.row_s, 2) / 6;
      pairs += 1;
    }
  }
  const double unlike = surely ? 0 : std::max(kUnlike, kClearlyUnlike / std::sqrt(pairs));
  return together < -unlike * squares && squares < kCountsScatter * expected;
}

// As counts in a gate, where the values of all runs show that they are; else nothing.
std::vector<RowsRead> read_as_counts(const std::vector<Readings>& read, bool of_motor, double unit,
                                     const std::optional<Prior>& inertia) {
  std::vector<RowsRead> one;
  bool surely = true;
  for (const Readings& readings : read) {
    if (readings.run.source == RunSource::kRig) return one;
    const bool by_motor = of_motor || readings.handwheel.empty();
    surely = surely && (by_motor ? readings.motor_rows : readings.handwheel_rows).surely_counts;
  }
  std::vector<Coast> coasts = cut_coasts(read, of_motor, RowReading::kCounts);
  if (coasts.empty()) return one;
  CoastOptions options;
  options.level_root = loose_levels(coasts, inertia);
  FittedCoasts fit = fit_with_or_without_ripple(coasts, options, unit, inertia);
  if (!fit->usable || !scatter_as_counts(*fit, surely)) return one;
  one.push_back({RowReading::kCounts, std::move(coasts), std::move(fit)});
  judge(one.back());
  if (!one.back().fit->usable) one.clear();
  return one;
}

}  // namespace

std::vector<RowsRead> read_in_every_way(const std::vector<Readings>& read, bool of_motor,
                                        double unit, const std::optional<Prior>& inertia) {
  const std::optional<Tachometer> stated = stated_by_all(read);
  if (stated.value_or(Tachometer::kGate) == Tachometer::kGate) {
    std::vector<RowsRead> counts = read_as_counts(read, of_motor, unit, inertia);
    if (!counts.empty()) return counts;
  }
  std::vector<RowsRead> ways = read_in_ways(read, of_motor, unit, inertia, stated);
  const bool none = ways.empty() || !ways.front().fit->usable;
  return stated && none ? read_in_ways(read, of_motor, unit, inertia, std::nullopt)
                        : std::move(ways);
}

Eigen::Matrix4d spread_of(const std::vector<RowsRead>& ways, const Eigen::MatrixXd& level_root) {
  if (!ways.front().fit->usable) return Eigen::Matrix4d::Zero();
  const Eigen::Vector4d best = with_levels_held(*ways.front().fit, level_root);
  Eigen::Matrix4d spread = Eigen::Matrix4d::Zero();
  double sum = 0;
  for (const RowsRead& way : ways) {
    if (!way.fit->usable) continue;
    const bool alike = reads_by_turns(way_to_read(way.reading).over) &&
                       reads_by_turns(way_to_read(ways.front().reading).over);
    const double weight = std::exp(-(way.fit->score - ways.front().fit->score) / 2 /
                                   (alike ? kTurnScoreCounts : kScoreCounts));
    const Eigen::Vector4d away = with_levels_held(*way.fit, level_root) - best;
    spread += weight * away * away.transpose();
    sum += weight;
  }
  return sum > 0 ? Eigen::Matrix4d(spread / sum) : spread;
}

namespace {

// The speeds beyond this share of the top speed are left out.
struct LeftOut {
  bool upper;
  double beyond;
};

std::vector<Coast> without(std::vector<Coast> coasts, const LeftOut& ends) {
  for (Coast& coast : coasts)
    for (std::size_t i = 0; i < coast.size(); ++i) {
      const double share = coast.speed[i] / coast.speed_high;
      if (ends.upper ? share > ends.beyond : share < ends.beyond) coast.series.weight[i] = 0;
    }
  return coasts;
}

constexpr std::size_t kLastEdges = 2, kEdgesLeft = 6;

// Weights and noise stay as they were judged.
std::vector<Coast> without_last_edges(std::vector<Coast> coasts) {
  for (Coast& coast : coasts) {
    if (!(coast.flank_drift > 0) || coast.size() < kEdgesLeft + kLastEdges) continue;
    const std::size_t kept = coast.size() - kLastEdges;
    for (std::vector<double>* one : {&coast.time_s, &coast.angle, &coast.weight, &coast.spread})
      one->resize(kept);
    coast.slot.resize(kept);
  }
  return coasts;
}

// How far a fit of a part lies from that of all, and χ² of that by the part's own variance,
// `inflated` so many times.
struct PartMoved {
  Eigen::Vector4d away = Eigen::Vector4d::Zero();
  double size = 0;
};

PartMoved part_moved(const CoastFit& all, const CoastFit& part, const Eigen::MatrixXd& level_root,
                     double inflated) {
  PartMoved moved;
  moved.away = with_levels_held(part, level_root) - with_levels_held(all, level_root);
  const Eigen::Matrix4d own = part.solution.inverse_normal.topLeftCorner<4, 4>() * inflated;
  moved.size = moved.away.dot(own.ldlt().solve(moved.away));
  return moved;
}

}  // namespace

Eigen::Matrix4d doubt_of_turns(const RowsRead& way) {
  const CoastFit& fit = *way.fit;
  const WayToRead::Over over = way_to_read(way.reading).over;
  if (!fit.usable || !(reads_by_turns(over) || reads_by_looks(over)))
    return Eigen::Matrix4d::Zero();
  const double c0 = kOff * fit.solution.parameters[0];
  const Eigen::Vector4d away(c0, -kTurnedAbout * c0 / way.coasts.front().speed_high, 0, 0);
  return away * away.transpose();
}

double misfit_of_ends(const CoastFit& all, double unit, const std::optional<Prior>& inertia) {
  const bool only_rows = std::all_of(all.coasts.begin(), all.coasts.end(),
                                     [](const Coast& coast) { return coast.from_rows; });
  if (!only_rows || !all.usable) return 0;
  const double inflated = std::max(1.0, unexplained_course(all));
  double sizes = 0, parts = 0;
  for (const LeftOut& end : {LeftOut{true, kUpperEnd}, LeftOut{false, kLowerEnd}}) {
    const FittedCoasts part =
        fit_coasts(without(all.coasts, end), all.options, unit, inertia, &all, true);
    if (!part->usable) continue;
    const double size = part_moved(all, *part, all.options.level_root, inflated).size;
    if (!std::isfinite(size)) continue;
    sizes += size;
    parts += 1;
  }
  return parts > 0 ? kMisfit * std::max(0.0, sizes / parts - kChance) : 0;
}

Eigen::Matrix4d doubt_of_last_edges(const RowsRead& way, double unit,
                                    const std::optional<Prior>& inertia,
                                    const Eigen::MatrixXd& level_root) {
  const CoastFit& all = *way.fit;
  const bool heard = std::any_of(way.coasts.begin(), way.coasts.end(),
                                 [](const Coast& coast) { return coast.flank_drift > 0; });
  if (!heard || !all.usable) return Eigen::Matrix4d::Zero();
  const FittedCoasts part =
      fit_coasts(without_last_edges(all.coasts), all.options, unit, inertia, &all, true);
  if (!part->usable) return Eigen::Matrix4d::Zero();
  const PartMoved moved = part_moved(all, *part, level_root, 1);
  if (!(moved.size > kSeldom)) return Eigen::Matrix4d::Zero();
  return (1 - kSeldom / moved.size) * moved.away * moved.away.transpose();
}

std::string row_reading_words(RowReading reading) {
  switch (reading) {
    case RowReading::kBetweenValues:
      return "the mean since the value before";
    case RowReading::kLastTurn:
    case RowReading::kLastTurnAtRows:
    case RowReading::kLastTurnAtMarks:
      return "the mean over the last turn";
    case RowReading::kLastPulse:
      return "the time between the last two pulses";
    case RowReading::kLastTwoTurns:
      return "the mean over the last two turns";
    case RowReading::kLastHalfTurn:
      return "the mean over the last half turn";
    case RowReading::kAngleAgo:
    case RowReading::kAngleAgoAtRows:
      return "the speed some part of a turn, or some turns, ago";
    case RowReading::kEdges:
      return "the time between two edges, which the rows tell";
    case RowReading::kTurnAgo:
      return "the middle one of the last turns";
    case RowReading::kMeanOfTurns:
      return "the mean of the last turns";
    case RowReading::kSmoothedTurns:
      return "a display that smooths over the last turns";
    case RowReading::kMeanOfLooks:
      return "the mean of the last looks of a display";
    case RowReading::kSmoothedLooks:
      return "a display that smooths over its last looks";
    case RowReading::kMeanOverTime:
      return "the mean over some time";
    case RowReading::kSmoothedOverTime:
      return "a display that smooths over some time";
    case RowReading::kBetweenRows:
      return "the mean since the row before, repeats included";
    case RowReading::kCounts:
      return "counts in a gate as long as the rows are apart";
    case RowReading::kAtRows:
      return "the speed at the row, repeats included";
  }
  return "";
}

}  // namespace loadline
