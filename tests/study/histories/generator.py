"""Books that span years: a machine's coast-downs, evening by evening, as a stranger's tachometer wrote
them. Plain Python on the standard library, written from the physics alone; nothing here knows how
Loadline fits.

A machine slows down by (J + A) dw/dt = -(a + b w + c w^2) m, with m its mood of the evening: everything
that makes it run easier or harder on another day. The wheel carries a disc of P slots, not quite
evenly cut; a counter stamps each slot and a file gets, every row_s, the turns since the slot of the row
before over the time between them.
"""

import math
import random


def run_down(drag, inertia, start, until=0.06):
    """Times and angles while a wheel slows down from `start` rad/s to a share of it (Heun's method)."""
    step = 0.004
    times, angles = [0.0], [0.0]
    w, angle, t = start, 0.0, 0.0
    while w > until * start and t < 240:
        first = -drag(w) / inertia
        second = -drag(max(0.0, w + step * first)) / inertia
        after = w + step * (first + second) / 2
        angle += step * (w + after) / 2 + step * step * (first - second) / 12
        w, t = after, t + step
        times.append(t)
        angles.append(angle)
    return times, angles


def slot_times(times, angles, slots, cut):
    """When each slot passes: linear between the steps, which are far shorter than a slot."""
    passed, at = [], 0
    k = 1
    while True:
        wanted = 2 * math.pi * (k + cut[k % slots]) / slots
        while at + 1 < len(angles) and angles[at + 1] < wanted:
            at += 1
        if at + 1 >= len(angles):
            return passed
        share = (wanted - angles[at]) / (angles[at + 1] - angles[at])
        passed.append((times[at] + share * (times[at + 1] - times[at]), k))
        k += 1


def written_rows(passed, slots, dice, row_s=0.02, jitter_s=4e-6):
    """What the counter writes: time of the row, rpm."""
    rows, last, at, n = [], None, 0, 1
    stamped = [(t + dice.gauss(0, jitter_s), k) for t, k in passed]
    while at < len(stamped):
        newest = None
        while at < len(stamped) and stamped[at][0] <= n * row_s:
            newest = stamped[at]
            at += 1
        if newest and last and newest[1] > last[1]:
            turns = (newest[1] - last[1]) / slots
            rows.append((n * row_s, 60 * turns / (newest[0] - last[0])))
        if newest:
            last = newest
        n += 1
    return rows


class Machine:
    """One machine, its disc, and the tachometer of its owner, drawn around usual ones."""

    def __init__(self, dice):
        self.dice = dice
        self.inertia = 1.7e-3 * math.exp(dice.gauss(0, 0.3))
        size = math.exp(dice.gauss(0, 0.25))
        self.drag = [0.085 * size, 1.1e-3 * size * math.exp(dice.gauss(0, 0.2)),
                     8e-6 * size * math.exp(dice.gauss(0, 0.3))]
        self.added = self.inertia * dice.uniform(0.8, 1.6)
        self.top = 2 * math.pi * dice.uniform(22, 30)
        self.slots = dice.choice([12, 20, 30])
        self.cut = [dice.gauss(0, 0.004) for _ in range(self.slots)]

    def torque(self, mood):
        a, b, c = (part * mood for part in self.drag)
        return lambda w: a + b * w + c * w * w

    def usual(self):
        return self.torque(1.0)(self.top)

    def rows(self, mood, with_disc):
        """One coast-down on an evening of that mood."""
        start = self.top * (1 + self.dice.gauss(0, 0.01))
        inertia = self.inertia + (self.added if with_disc else 0)
        times, angles = run_down(self.torque(mood), inertia, start)
        return written_rows(slot_times(times, angles, self.slots, self.cut), self.slots, self.dice)


def evenings(dice, count, scatter, change_after=None, change=1.0, of_runs=0.004, trend_a_year=0.0):
    """Days (since the first) and moods of `count` evenings, and of the two runs of each."""
    day, found = 0, []
    for i in range(count):
        level = math.exp(dice.gauss(0, scatter)) * (1 + trend_a_year) ** (day / 365.25)
        if change_after is not None and i >= change_after:
            level *= change
        found.append((day, level, [level * math.exp(dice.gauss(0, of_runs)) for _ in range(2)]))
        day += dice.randint(20, 130)
    return found


def dice_of(seed):
    return random.Random(f"years {seed}")
