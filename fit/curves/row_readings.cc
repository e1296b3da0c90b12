#include "fit/curves/row_readings.h"

#include <algorithm>
#include <cmath>
#include <span>

#include "fit/curves/coast_levels.h"

namespace loadline {
namespace {

constexpr double kHopeless = 400;  // of a score: so far behind without a ripple none is tried
constexpr double kWorthAges = 60;  // of a score: ways further behind are not tried at all ages
// A score counts the course of the speed twice and more, so that its differences are worth a third.
constexpr double kScoreCounts = 3;

// A display that is renewed every so many rows mostly shows the mean since it was renewed.
constexpr double kUnusualDisplay = 60;

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
// tried out for discs of some 3 to 90 pulses.
constexpr double kLogAges[] = {-3.4, -2.6, -1.8, -1.0, 0.0};
constexpr double kLogAngles[] = {-1.8, -0.9, 0.0, 0.7, 1.2, 1.8, 2.4};
constexpr double kLogAgeSd = 0.4;

std::vector<RowsRead> with_other_ages(const RowsRead& best, double unit,
                                      const std::optional<Prior>& inertia) {
  std::vector<RowsRead> all;
  const bool any_angle = way_to_read(best.reading).over == WayToRead::Over::kInstant;
  for (const double log_age : any_angle ? std::span<const double>(kLogAngles) : kLogAges) {
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

// Edges are placed so that the values follow each other smoothly, and do so where they are wrong,
// too: then they contradict what the same rows say without them.
constexpr double kContradicts = 5;  // standard deviations of the plainer reading
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

}  // namespace

std::vector<Coast> cut_coasts(const std::vector<Readings>& read, bool of_motor,
                              RowReading reading) {
  std::vector<Coast> coasts;
  for (const Readings& readings : read) {
    auto coast = make_coast(readings, of_motor, reading);
    if (!coast && make_coast(readings, of_motor)) return {};
    if (coast) coasts.push_back(std::move(*coast));
  }
  return coasts;
}

std::vector<RowsRead> read_in_every_way(const std::vector<Readings>& read, bool of_motor,
                                        double unit, const std::optional<Prior>& inertia) {
  std::vector<RowsRead> all;
  for (const RowReading reading : kRowReadings) {
    std::vector<Coast> coasts = cut_coasts(read, of_motor, reading);
    if (coasts.empty()) continue;
    const bool by_rows = std::any_of(coasts.begin(), coasts.end(),
                                     [](const Coast& coast) { return coast.from_rows; });
    FittedCoasts fit =
        fit_with_or_without_ripple(coasts, unit, inertia, [&](const CoastFit& plain) {
          return by_rows && !all.empty() && all.front().fit->usable &&
                 !(score_of(plain) < all.front().fit->score + kHopeless);
        });
    RowsRead one{reading, std::move(coasts), std::move(fit)};
    if (!by_rows) {
      all.push_back(std::move(one));
      return all;
    }
    judge(one);
    if (reading == RowReading::kEdges && one.fit->usable && !all.empty() &&
        all.front().fit->usable && contradict(one, all.front()))
      continue;
    all.push_back(std::move(one));
  }
  sort_by_score(all);
  for (std::size_t i = 0, n = all.size(); i < n; ++i) {
    if (!all[i].fit->usable || !way_to_read(all[i].reading).has_age) continue;
    if (all[i].fit->score > all.front().fit->score + kWorthAges) continue;
    for (RowsRead& other : with_other_ages(all[i], unit, inertia)) all.push_back(std::move(other));
  }
  sort_by_score(all);
  return all;
}

Eigen::Matrix4d spread_of(const std::vector<RowsRead>& ways, const Eigen::MatrixXd& level_root) {
  if (!ways.front().fit->usable) return Eigen::Matrix4d::Zero();
  const Eigen::Vector4d best = with_levels_held(*ways.front().fit, level_root);
  Eigen::Matrix4d spread = Eigen::Matrix4d::Zero();
  double sum = 0;
  for (const RowsRead& way : ways) {
    if (!way.fit->usable) continue;
    const double weight = std::exp(-(way.fit->score - ways.front().fit->score) / 2 / kScoreCounts);
    const Eigen::Vector4d away = with_levels_held(*way.fit, level_root) - best;
    spread += weight * away * away.transpose();
    sum += weight;
  }
  return sum > 0 ? Eigen::Matrix4d(spread / sum) : spread;
}

std::string row_reading_words(RowReading reading) {
  switch (reading) {
    case RowReading::kBetweenValues:
      return "the mean since the value before";
    case RowReading::kLastTurn:
    case RowReading::kLastTurnAtRows:
      return "the mean over the last turn";
    case RowReading::kAngleAgo:
    case RowReading::kAngleAgoAtRows:
      return "the speed some part of a turn, or some turns, ago";
    case RowReading::kEdges:
      return "the time between two edges, which the rows tell";
    case RowReading::kBetweenRows:
      return "the mean since the row before, repeats included";
    case RowReading::kAtRows:
      return "the speed at the row, repeats included";
  }
  return "";
}

}  // namespace loadline
