// Monte Carlo propagation of a drive question (JCGM 101:2008, 7): draw all inputs, answer, sort.
#include <algorithm>
#include <cmath>
#include <map>
#include <random>

#include "db/basis/error.h"
#include "fit/drive/answer.h"
#include "fit/drive/answer_warnings.h"
#include "fit/drive/figures/slow_stitching.h"

namespace loadline {
namespace {

constexpr std::size_t kFewestDraws = 100;

// What one figure came to in the draws where it could be calculated.
using Column = std::vector<double>;

struct Columns {
  std::array<Column, kFigureCount> today, then, change;
};

void collect(const Figures& figures, std::array<Column, kFigureCount>& columns) {
  for (std::size_t k = 0; k < kFigureCount; ++k)
    if (const auto& x = figures[static_cast<Figure>(k)]; x && std::isfinite(x->value))
      columns[k].push_back(x->value);
}

void put_limits(std::vector<AnswerLine>& lines, std::array<Column, kFigureCount>& columns,
                bool in_percent) {
  for (AnswerLine& line : lines) {
    Column& column = columns[static_cast<std::size_t>(line.figure)];
    line.estimate.low.reset();
    line.estimate.high.reset();
    if (column.size() < kFewestDraws) continue;
    std::sort(column.begin(), column.end());
    const double factor = in_percent ? 100 : info(line.figure).factor;
    line.estimate.low = factor * quantile(column, 0.025);
    line.estimate.high = factor * quantile(column, 0.975);
  }
}

}  // namespace

DriveAnswer answer_by_draws(const DriveDesk& desk, std::size_t draws, std::uint64_t seed) {
  if (draws < kFewestDraws)
    throw Error(Fault::kInput,
                "--draws needs at least 100 draws for a 95 % interval; 10000 is "
                "usual.");
  DriveAnswer result = first_order_answer(desk);
  Columns columns;
  std::mt19937_64 random(seed);
  const SourceDraws source_draws(desk.sources());
  for (std::size_t k = 0; k < draws; ++k) {
    const DriveSetup setup = desk.drawn(source_draws.draw(random));
    const DriveFindings findings = find_figures(setup, desk.question(), Depth::kWithBest);
    if (!findings.search.motor_speed) ++result.draws_without_point;
    collect(findings.figures, columns.today);
    if (!setup.what_if_ratio) continue;
    DriveSetup then = setup;
    then.line = at_ratio(setup.line, *setup.what_if_ratio);
    const DriveFindings found = find_figures(then, desk.question(), Depth::kAtRatio);
    collect(found.figures, columns.then);
    collect(changes(findings.figures, found.figures), columns.change);
  }
  put_limits(result.lines, columns.today, false);
  if (result.what_if) {
    put_limits(result.what_if->lines, columns.then, false);
    put_limits(result.what_if->changes, columns.change, true);
  }
  refine_slow_stitching(desk, result);
  result.draws = draws;
  result.seed = seed;
  add_warnings(desk, result);
  if (result.draws_without_point > 0)
    result.warnings.push_back(
        "in some of the draws there was no operating point; the intervals "
        "stand for the others.");
  return result;
}

}  // namespace loadline
