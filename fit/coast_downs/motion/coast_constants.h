// What was chosen for coast-downs: the stretch that is one, what is known beforehand of ages and
// ripples, noise of rows, and which model.
#pragma once

#include "db/basis/chosen.h"

namespace loadline::coast_chosen {

// ---- the stretch --------------------------------------------------------------------------------

/// Of the top speed, below it: nearer the shaft may still be driven.
CHOSEN("coast", kNearTop, 0.03);
/// Of a later window's fall: one that fell by more ran free for a part of its time.
CHOSEN("coast", kHoldsRelease, 0.1);
/// Of the top speed: below it friction at rest and felt take over, and edges are rare.
CHOSEN("coast", kLowestShare, 0.08);
/// Turns before standstill in which edges do not count either: a ripple of the turn does not come
/// back in the last one. And of the top speed, the part that tells how fast the shaft then slows
/// down; more than that is never left out.
CHOSEN("coast", kLastTurns, 1);
CHOSEN("coast", kSlowPart, 0.3);
/// Of the speed at release: two turns later, or lower, a row holds no turn of the drive.
CHOSEN("coast", kHoldsNoTurn, 0.9);
/// Of the speed before rows were lost: where less is left after them, it is no longer sure to be
/// the same run-down.
CHOSEN("coast", kOverGap, 0.5);
/// Of the values, that repeat: fewer are chance.
CHOSEN("coast", kLeastRepeats, 0.02);
/// s: no value of a display is older.
CHOSEN("coast", kOldest, 1);
/// Turns that a new value may take at the lowest speeds.
CHOSEN("coast", kLongestPulse, 1.5);
/// Turns that a display which takes in turns may reach back.
CHOSEN("coast", kFurthestTurns, 12);

// ---- what is known beforehand -------------------------------------------------------------------

/// rad: age of an edge at the end of a row, tachometers of 5 to 100 pulses or true means.
CHOSEN("coast", kAge, 0.1);
CHOSEN("coast", kAgeSd, 0.2);
/// Looks over which a display works, and the standard deviation of their logarithm: from hardly
/// more than one to a dozen or more.
CHOSEN("coast", kLooks, 1.5);
CHOSEN("coast", kLogLooksSd, 1);
/// Where the search begins: at hardly more than one, as if nothing were smoothed.
CHOSEN("coast", kLooksAtFirst, 0.5);
/// ln rad: where the search begins, a disc of some 80 pulses. An age bounded by the time between
/// rows is not felt any more further down, and a search that begins there stays there.
CHOSEN("coast", kRowAgeAtFirst, -3.2);
/// Standard deviations of a ripple's amplitudes: rad of runs with edges, which show it by
/// themselves; rad of marks and inertia, and of the torque, in rows, where almost anything could
/// pass for one.
CHOSEN("coast", kByEdges, 1);
CHOSEN("coast", kOfPlace, 0.05);
CHOSEN("coast", kOfTorque, 0.5);

/// Spacings of the marks by which an edge of a sound take is early or late for each second from one
/// to the next, standard deviation: a slow mark's course is bent by the sound input's high-pass,
/// of which a run-down of a dozen marks does not say enough to take it out whole.
CHOSEN("coast", kFlankDrift, 0.015);

/// Noise of a sound take's edge at the top speed, that grows with the time from one to the next,
/// over the noise that does not: a tenth of the noise's power in its low frequencies.
CHOSEN("coast", kSlowNoise, 0.15);

// ---- noise --------------------------------------------------------------------------------------

/// Standard deviations beyond which a value of a file does not count: by the scatter of all, by
/// what is expected at its place.
CHOSEN("coast", kStrangeAtFirst, 8);
CHOSEN("coast", kStrange, 5.5);
/// Of the longest run: errors of rows hang together for so long when the last word is said. Longer
/// than a run, as a speed wanders whose friction is not even.
CHOSEN("coast", kMemoryToReport, 4);
/// Of a run: what wanders for longer is known by what it does in so long a part.
CHOSEN("coast", kPartOfRun, 1.0 / 6);
/// Windows end at edges, not at rows: a part of the error of an end does not come back in the next
/// window. Half of the scatter is taken for such; on random benches an eighth gave limits too
/// narrow, and half hardly wider ones.
CHOSEN("coast", kEndsAstray, 0.5);
/// Of the top speed: digits of a file, steps of the solution.
CHOSEN("coast", kRowFloor, 3e-5);

// ---- which model --------------------------------------------------------------------------------

/// Edges for each of a run's own parameters, the marks' places among them: with fewer than the
/// first number no ripple is believed, with fewer than the second only one that is so much better
/// (AICc).
CHOSEN("coast", kEdgesForEach, 2);
CHOSEN("coast", kEnoughForEach, 3);
CHOSEN("coast", kClearRipple, 20);
/// AICc by which a rise near standstill must be better. Instruments whose delay grows as the shaft
/// slows down make rows look like one: the second of rows.
CHOSEN("coast", kClear, 10);
CHOSEN("coast", kClearByRows, 150);

}  // namespace loadline::coast_chosen
