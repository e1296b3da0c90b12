// What was chosen for coast-downs beside each other: how runs may scatter, and the ways to read a
// file's rows. One coast-down's own: motion/coast_constants.h.
#pragma once

#include "db/basis/chosen.h"

namespace loadline::drag_chosen {

// ---- runs that scatter --------------------------------------------------------------------------

/// Standard deviation that holds the level of a run loosely: a third more drag or less.
CHOSEN("drag", kLoose, 0.3);

// ---- ways to read a file: scores are −2 ln L with twice the parameters --------------------------

/// So far behind others without a ripple none is tried; ways further behind are not tried at all
/// ages.
CHOSEN("drag", kHopeless, 400);
CHOSEN("drag", kWorthAges, 60);
/// A score counts the course of the speed twice and more, under the noise that the best way found:
/// of 337 sound pairs of instantaneous values (awkward_tables_test.py) the true way lay 34 and more
/// behind in at least three, where one parameter makes 6.6 in so many by chance (χ²). So
/// differences count a sixth.
CHOSEN("drag", kScoreCounts, 6);
/// The same of displays that take in turns, whose weights are drawn with one or two lines only.
CHOSEN("drag", kTurnScoreCounts, 100);
/// Against a way: a display renewed every so many rows mostly shows the mean since it was renewed.
CHOSEN("drag", kUnusualDisplay, 60);
/// Times the variance of the course that the noise of the best way so far explains: beyond it
/// displays that work on their looks are tried where nothing else tells of one.
CHOSEN("drag", kTellsDisplay, 1.5);
/// Standard deviation of ln(age), tried out at several ages; and of the turns that a display works
/// on, one to six or so.
CHOSEN("drag", kLogAgeSd, 0.4);
CHOSEN("drag", kUsualLogTurns, 2.5);
CHOSEN("drag", kUsualLogTurnsSd, 0.8);
/// Counts in a gate: most variance of what the fit leaves, of that of counts (a ripple beside fine
/// ones makes twice as much). Where rounding makes such values, too, how far below none the
/// correlation of neighbours must lie (of counts it is −1/2), and by how many standard deviations.
CHOSEN("drag", kCountsScatter, 2.5);
CHOSEN("drag", kUnlike, 1.0 / 3);
CHOSEN("drag", kClearlyUnlike, 2.5);
/// Standard deviations of the plainer reading beyond which edges contradict it.
CHOSEN("drag", kContradicts, 5);
/// Of the top speed: where the upper end that is left out begins, and the lower one ends; the χ² of
/// four parameters that chance makes on average (4, less what a part shares with all, less since
/// the noise is rather taken too large); how many variances each more of it is worth, with which
/// results of instruments that no reading knows are held as often as others; and the χ² that one in
/// twenty exceeds.
CHOSEN("drag", kUpperEnd, 0.6);
CHOSEN("drag", kLowerEnd, 0.2);
CHOSEN("drag", kChance, 2);
CHOSEN("drag", kMisfit, 1.5);
CHOSEN("drag", kSeldom, 9.49);
/// Last turns that end at marks: what these leave over at their place, of what they leave in the
/// middle of all; of the angle between two, how near a row a mark may have been passed on either
/// side of it.
CHOSEN("drag", kMarksLeave, 0.5);
CHOSEN("drag", kAboutNow, 0.15);
/// Displays that take in turns, in closed form, come out with up to 0.4 % of c₀ off, turned about a
/// third of the top speed (row_readings_test.cc).
CHOSEN("drag", kOff, 0.003);
CHOSEN("drag", kTurnedAbout, 3);

}  // namespace loadline::drag_chosen
