#include "fit/coast_downs/turn_marks.h"

#include <cmath>
#include <utility>
#include <vector>

#include "db/basis/units.h"
#include "fit/coast_downs/row_constants.h"

namespace loadline {
namespace {

using namespace drag_chosen;

constexpr int kDiscs[] = {1, 2, 3, 4, 5, 6, 8, 10, 12};  // marks a turn that rows can tell
// Of the way from mark to mark: places of the first one that are tried, and by how much a course
// that does not know the marks may run ahead by its end, or in the middle of its time.
constexpr int kPlaces = 32;
constexpr double kRunsAhead[] = {-1, -0.75, -0.5, -0.25, 0, 0.25, 0.5, 0.75, 1};
constexpr double kBends[] = {-0.5, -0.25, 0, 0.25, 0.5};
constexpr std::size_t kTelling = 300;  // values of a run that tell marks; of more, every so many
constexpr int kRounds = 4;             // in which marks and motion agree
constexpr double kSmallAge = 0.05;     // rad

// How values go with the place at which their turns ended, about straight.
struct ByPlace {
  std::vector<double> angle, above, slope, share;  // share: of the time
  double left_over(std::size_t i, double age) const { return std::fabs(above[i] + slope[i] * age); }
};

ByPlace by_place(const CoastFit& fit, std::size_t j) {
  const Eigen::VectorXd& x = fit.solution.parameters;
  auto now = fit.problem->turns_at_rows(x, j, 0);
  const auto ago = fit.problem->turns_at_rows(x, j, kSmallAge);
  ByPlace by{std::move(now.angle), std::move(now.above), {}, {}};
  by.share.reserve(by.above.size());
  by.slope.reserve(by.above.size());
  for (const double end_s : fit.coasts[j].end_s) by.share.push_back(end_s / fit.coasts[j].length_s);
  for (std::size_t i = 0; i < by.above.size(); ++i)
    by.slope.push_back((ago.above[i] - by.above[i]) / kSmallAge);
  return by;
}

struct Marks {
  double pitch = 0, first = 0, ahead = 0, bend = 0;
  double left_over = 1e300, elsewhere = 0;  // there, and at all that was tried in the middle
  // How far after the first mark the shaft was at row `i`.
  double place(const ByPlace& by, std::size_t i) const {
    const double u = by.share[i];
    return by.angle[i] - pitch * (ahead * u + bend * 4 * u * (1 - u)) - first;
  }
};

double left_by(const ByPlace& by, const Coast& coast, const Marks& marks) {
  const std::size_t step = 1 + coast.size() / kTelling;
  double sum = 0;
  for (std::size_t i = 0; i < coast.size(); i += step) {
    const double place = marks.place(by, i);
    sum += coast.series.weight[i] *
           by.left_over(i, place - marks.pitch * std::floor(place / marks.pitch));
  }
  return sum;
}

// The marks that leave least of the values that count.
Marks place_marks(const ByPlace& by, const Coast& coast, double pitch) {
  const bool known = coast.by_marks();
  Marks best;
  double all = 0, tried = 0;
  for (const double ahead : kRunsAhead)
    for (const double bend : kBends)
      for (int k = 0; k < kPlaces; ++k) {
        if (known && (ahead != 0 || bend != 0)) break;
        Marks marks{pitch, pitch * k / kPlaces, ahead, bend};
        marks.left_over = left_by(by, coast, marks);
        all += marks.left_over;
        tried += 1;
        if (marks.left_over < best.left_over) best = marks;
      }
  best.elsewhere = all / tried;
  return best;
}

// The last mark before each row; where that was passed about when the row was written, the one that
// suits its value.
std::vector<double> marks_at_rows(const ByPlace& by, const Marks& marks) {
  std::vector<double> at_rows;
  at_rows.reserve(by.angle.size());
  for (std::size_t i = 0; i < by.angle.size(); ++i) {
    const double place = marks.place(by, i);
    double mark = std::floor(place / marks.pitch);
    const double age = place - marks.pitch * mark;
    const double other = age < kAboutNow * marks.pitch         ? mark - 1
                         : age > (1 - kAboutNow) * marks.pitch ? mark + 1
                                                               : mark;
    if (by.left_over(i, age + (mark - other) * marks.pitch) < by.left_over(i, age)) mark = other;
    at_rows.push_back(mark);
  }
  return at_rows;
}

// One disc's marks in all runs.
struct Disc {
  double pitch = 0;  // 0: no marks are told
  std::vector<Marks> runs;
  double left_over = 0, elsewhere = 0;
};

Disc disc_of(const CoastFit& fit, const std::vector<ByPlace>& by, double pitch) {
  Disc disc;
  disc.pitch = pitch;
  disc.runs.reserve(fit.coasts.size());
  for (std::size_t j = 0; j < fit.coasts.size(); ++j) {
    disc.runs.push_back(place_marks(by[j], fit.coasts[j], pitch));
    disc.left_over += disc.runs.back().left_over;
    disc.elsewhere += disc.runs.back().elsewhere;
  }
  return disc;
}

std::vector<ByPlace> all_by_place(const CoastFit& fit) {
  std::vector<ByPlace> all;
  all.reserve(fit.coasts.size());
  for (std::size_t j = 0; j < fit.coasts.size(); ++j) all.push_back(by_place(fit, j));
  return all;
}

// The marks that leave least of what they would leave at any other place. The course of the speed,
// which does not know them yet, may be off by a part of the way between two; the fit that follows
// has to show that it is better.
Disc likeliest_disc(const CoastFit& fit, const std::vector<ByPlace>& by) {
  double least = kMarksLeave;
  Disc likeliest;
  for (const int marks : kDiscs) {
    Disc disc = disc_of(fit, by, 2 * kPi / marks);
    if (!(disc.left_over < least * disc.elsewhere)) continue;
    least = disc.left_over / disc.elsewhere;
    likeliest = std::move(disc);
  }
  return likeliest;
}

std::vector<Coast> with_marks(const CoastFit& fit, const std::vector<ByPlace>& by,
                              const Disc& disc) {
  std::vector<Coast> coasts = fit.coasts;
  for (std::size_t j = 0; j < coasts.size(); ++j) {
    Coast& coast = coasts[j];
    coast.pitch = disc.pitch;
    coast.first_mark = disc.runs[j].first;
    coast.mark = marks_at_rows(by[j], disc.runs[j]);
    coast.windows_exact = true;
    coast.series.weight.assign(coast.size(), 1.0);
    coast.weight.assign(coast.size(), 1.0);
    coast.noise = {};
    coast.noise_judged = false;
  }
  return coasts;
}

// Are the same marks meant, counted from the same one or not?
bool same_marks(const std::vector<Coast>& a, const std::vector<Coast>& b) {
  for (std::size_t j = 0; j < a.size(); ++j)
    for (std::size_t i = 0; i < a[j].mark.size(); ++i)
      if (std::fabs(a[j].first_mark - b[j].first_mark +
                    a[j].pitch * (a[j].mark[i] - b[j].mark[i])) > a[j].pitch / 2)
        return false;
  return true;
}

}  // namespace

FittedCoasts fit_by_marks(const CoastFit& of, double unit, const std::optional<Prior>& inertia) {
  for (const Coast& coast : of.coasts)
    if (!coast.from_rows) return nullptr;
  std::vector<ByPlace> by = all_by_place(of);
  const Disc disc = likeliest_disc(of, by);
  if (disc.pitch == 0) return nullptr;
  std::vector<Coast> coasts = with_marks(of, by, disc);
  CoastOptions options = of.options;
  options.ripple = options.ripple_of_drag = false;
  options.known_drag.reset();
  FittedCoasts fit = fit_coasts(coasts, options, unit, inertia, &of);
  for (int round = 1; round < kRounds && fit->usable; ++round) {
    by = all_by_place(*fit);
    std::vector<Coast> again = with_marks(*fit, by, disc_of(*fit, by, disc.pitch));
    if (same_marks(coasts, again)) break;
    coasts = std::move(again);
    fit = fit_coasts(coasts, options, unit, inertia, &of);
  }
  if (!fit->usable) return nullptr;
  fit = fit_with_or_without_ripple(coasts, options, unit, inertia, nullptr, fit.get());
  return fit->usable ? std::move(fit) : nullptr;
}

}  // namespace loadline
