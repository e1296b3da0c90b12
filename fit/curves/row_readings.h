// Which instrument wrote the rows of a file? Every way to read them is fitted, and they are
// compared by what they leave over: the course of the speed twice, single values once. What two
// ways that describe the rows alike leave open goes into the result as doubt.
//
// Where it holds, and where not: a way that is not among RowReading can pass for one that is, when
// its delay goes with the speed as theirs does; its interval is then too narrow. A delay that is
// the same at all speeds (a filter, a smoothed display) does no harm but at the release.
#pragma once

#include <Eigen/Core>
#include <string>
#include <vector>

#include "fit/curves/coast_fit.h"
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

/// All ways that the rows allow, best first; a single one where no run came as a file.
std::vector<RowsRead> read_in_every_way(const std::vector<Readings>& read, bool of_motor,
                                        double unit, const std::optional<Prior>& inertia);

/// What remains open between the ways: the spread of c₀, c₁, c₂ (over the unit inertia) and ln J
/// about the best one, each weighted by its likelihood, where levels held by `level_root` put them.
Eigen::Matrix4d spread_of(const std::vector<RowsRead>& ways, const Eigen::MatrixXd& level_root);

/// What a value was taken for, in words.
std::string row_reading_words(RowReading reading);

}  // namespace loadline
