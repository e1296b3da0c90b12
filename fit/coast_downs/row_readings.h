// Which instrument wrote the rows of a file? Every way to read them is fitted, and they are
// compared by what they leave over: the course of the speed twice, single values once. What two
// ways that describe the rows alike leave open goes into the result as doubt.
//
// Where it holds, and where not: a way that is not among RowReading can pass for one that is, when
// its delay goes with the speed as theirs does; its interval is then too narrow. A delay that is
// the same at all speeds (a filter, a smoothed display) does no harm but at the release. Held by
// strangers' instruments (tests/study/README.md) in about 93 of a hundred, digits so
// coarse that values stand for several rows least. Median half width of c₀ by common tachometers:
//   rows a second   shaft stands within 5 s                  later
//   up to 25        4 to 7 %, 0.4 % with 1 to 4 pulses       0.4 to 0.7 %
//   50 or 100       0.4 to 1.4 %                             0.3 to 0.5 %
#pragma once

#include <Eigen/Core>
#include <string>
#include <vector>

#include "fit/coast_downs/coast_fit.h"
#include "fit/readings/readings.h"

namespace loadline {

/// One way to read the rows of the files, and what it makes of them.
struct RowsRead {
  RowReading reading;
  std::vector<Coast> coasts;
  FittedCoasts fit;
};

/// The usable stretches of all runs by this reading; empty when it does not do for one that is
/// usable otherwise.
std::vector<Coast> cut_coasts(const std::vector<Readings>& read, bool of_motor, RowReading reading);

/// All ways that the rows, and what their owner states of the tachometer, allow, best first; a
/// single one where no run came as a file.
std::vector<RowsRead> read_in_every_way(const std::vector<Readings>& read, bool of_motor,
                                        double unit, const std::optional<Prior>& inertia);

/// What remains open between the ways: the spread of c₀, c₁, c₂ (over the unit inertia) and ln J
/// about the best one, each weighted by its likelihood, where levels held by `level_root` put them.
Eigen::Matrix4d spread_of(const std::vector<RowsRead>& ways, const Eigen::MatrixXd& level_root);

/// By how many times their own variance the results may be off besides (0: none) since they move
/// beyond chance when the upper or the lower end of the speeds is left out. There a wrong reading
/// shows first: what was shown of the time before the release, delays that grow as the shaft slows
/// down. After Hausman (Econometrica 46 (1978) 1251): a fit of a part, less exact, may differ from
/// that of all by its own variance; by the mean χ² of the parts beyond what chance makes all is
/// misfit. Not by what they moved: of a part that knows little that is chance. `all`: after the
/// last word on its noise, so that what wanders is not counted twice.
double misfit_of_ends(const CoastFit& all, double unit, const std::optional<Prior>& inertia);

/// What is open of the four where they move beyond chance when the last two edges of each sound
/// take are left out: slow marks stand out least, so the last ones may be noise, and nothing comes
/// after them that would show it.
Eigen::Matrix4d doubt_of_last_edges(const RowsRead& way, double unit,
                                    const std::optional<Prior>& inertia,
                                    const Eigen::MatrixXd& level_root);

/// What is open of the same four where a display works on turns or looks: its arithmetic, and how
/// long ago a turn or a pulse ended when it looked, are known only about.
Eigen::Matrix4d doubt_of_turns(const RowsRead& way);

/// What a value was taken for, in words.
std::string row_reading_words(RowReading reading);

}  // namespace loadline
